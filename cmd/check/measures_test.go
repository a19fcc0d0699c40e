package main

import (
	"bytes"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// The measures of the house. Generated files have none, and neither have tables of test data (everything in a testdata
// folder, and tableFiles).
const (
	mostFileLines     = 500
	mostFunctionLines = 80 // outside tests
)

// tableFiles are source files that hold nothing but a table of test data.
var tableFiles = []string{}

// oversize lists what is larger than the measures, and how large it may be: a file by its path, a function by the path
// of its package, its receiver and its name. An entry whose thing has become smaller, or is gone, fails the test: the
// list only shrinks.
var oversize = map[string]int{}

// sourceKinds are the endings of what is written by hand.
var sourceKinds = []string{".go", ".c", ".h", ".s", ".m", ".js", ".css", ".html", ".py", ".sh"}

// generated is how a file says that nobody wrote it by hand (go help generate).
var generated = regexp.MustCompile(`(?m)^(//|#|/\*|<!--) Code generated .* DO NOT EDIT\.`)

// measured is a file or a function, and its lines.
type measured struct {
	name  string
	lines int
	most  int
}

// measure gives the size of a file and of the functions in it.
func measure(name string, text []byte) (out []measured, err error) {
	if generated.Match(text) || slices.Contains(tableFiles, name) {
		return nil, nil
	}
	lines := bytes.Count(text, []byte("\n"))
	if len(text) > 0 && text[len(text)-1] != '\n' {
		lines++
	}
	out = append(out, measured{name, lines, mostFileLines})
	if !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") {
		return out, nil
	}
	set := token.NewFileSet()
	f, err := parser.ParseFile(set, name, text, parser.SkipObjectResolution)
	if err != nil {
		return nil, err
	}
	add := func(what string, n ast.Node) {
		length := set.Position(n.End()).Line - set.Position(n.Pos()).Line + 1
		out = append(out, measured{path.Dir(name) + " " + what, length, mostFunctionLines})
	}
	for _, d := range f.Decls {
		if fn, ok := d.(*ast.FuncDecl); ok {
			what := fn.Name.Name
			if fn.Recv != nil {
				what = receiver(fn.Recv.List[0].Type) + "." + what
			}
			add(what, fn.Type)
			out[len(out)-1].lines = set.Position(fn.End()).Line - set.Position(fn.Pos()).Line + 1
			continue
		}
		ast.Inspect(d, func(n ast.Node) bool { // functions that are the value of a variable
			if lit, ok := n.(*ast.FuncLit); ok {
				add(fmt.Sprintf("func in %s line %d", path.Base(name), set.Position(lit.Pos()).Line), lit)
				return false
			}
			return true
		})
	}
	return out, nil
}

func receiver(x ast.Expr) string {
	switch x := x.(type) {
	case *ast.StarExpr:
		return receiver(x.X)
	case *ast.IndexExpr:
		return receiver(x.X)
	case *ast.IndexListExpr:
		return receiver(x.X)
	case *ast.Ident:
		return x.Name
	}
	return "?"
}

// tooLarge says what is larger than it may be, and which exceptions are no longer needed.
func tooLarge(all []measured, allowed map[string]int) (wrong []string) {
	needed := map[string]bool{}
	for _, m := range all {
		if m.lines <= m.most {
			continue
		}
		needed[m.name] = true
		if most, ok := allowed[m.name]; !ok {
			wrong = append(wrong, fmt.Sprintf("%s: %d lines, allowed: %d", m.name, m.lines, m.most))
		} else if m.lines > most {
			wrong = append(wrong, fmt.Sprintf("%s: %d lines, it had %d: what is too large does not grow", m.name, m.lines, most))
		}
	}
	for _, name := range slices.Sorted(maps.Keys(allowed)) {
		if !needed[name] {
			wrong = append(wrong, name+": no longer too large: delete its line in oversize")
		}
	}
	return wrong
}

func TestMeasures(t *testing.T) {
	var all []measured
	root := filepath.Join("..", "..")
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && p != root && (strings.HasPrefix(d.Name(), ".") || d.Name() == "testdata") {
			return filepath.SkipDir
		}
		if d.IsDir() || !slices.Contains(sourceKinds, filepath.Ext(p)) {
			return nil
		}
		text, err := os.ReadFile(p)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, p)
		if err != nil {
			return err
		}
		m, err := measure(filepath.ToSlash(rel), text)
		all = append(all, m...)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(all) < 500 {
		t.Fatalf("only %d files and functions seen: this test looks in the wrong place", len(all))
	}
	for _, w := range tooLarge(all, oversize) {
		t.Error(w)
	}
	t.Logf("%d exceptions are left", len(oversize))
}

func TestMeasure(t *testing.T) {
	long := strings.Repeat("\tx()\n", mostFunctionLines)
	for _, c := range []struct {
		name, text string
		want       []string // what is too large
	}{
		{"dsp/a.go", "package a\nfunc f() {\n" + long[:len(long)/mostFunctionLines*(mostFunctionLines-2)] + "}\n", nil},
		{"dsp/a.go", "package a\nfunc f() {\n" + long + "}\n", []string{"dsp f: 82 lines, allowed: 80"}},
		{"dsp/a.go", "package a\nfunc (r *T[X]) f() {\n" + long + "}\n", []string{"dsp T.f: 82 lines, allowed: 80"}},
		{"dsp/a.go", "package a\nvar v = func() {\n" + long + "}\n", []string{"dsp func in a.go line 2: 82 lines, allowed: 80"}},
		{"dsp/a_test.go", "package a\nfunc f() {\n" + long + "}\n", nil},
		{"dsp/a.go", "// Code generated by x. DO NOT EDIT.\n\npackage a\nfunc f() {\n" + long + "}\n", nil},
		{"dsp/a.go", "package a\n" + strings.Repeat("\n", mostFileLines-1), nil},
		{"dsp/a.go", "package a\n" + strings.Repeat("\n", mostFileLines), []string{"dsp/a.go: 501 lines, allowed: 500"}},
		{"dsp/a_test.go", "package a\n" + strings.Repeat("\n", mostFileLines), []string{"dsp/a_test.go: 501 lines, allowed: 500"}},
		{"a.js", strings.Repeat("x\n", mostFileLines) + "x", []string{"a.js: 501 lines, allowed: 500"}},
	} {
		m, err := measure(c.name, []byte(c.text))
		if err != nil {
			t.Fatal(err)
		}
		if got := tooLarge(m, nil); !slices.Equal(got, c.want) {
			t.Errorf("%s, %.60q: %q, want %q", c.name, c.text, got, c.want)
		}
	}
	sizes := []measured{{"a", 90, 80}, {"b", 70, 80}, {"c", 100, 80}}
	got := tooLarge(sizes, map[string]int{"a": 90, "b": 85, "c": 99, "d": 200})
	if len(got) != 3 || !strings.HasPrefix(got[0], "c: 100 lines, it had 99") ||
		!strings.HasPrefix(got[1], "b: no longer") || !strings.HasPrefix(got[2], "d: no longer") {
		t.Errorf("%q", got)
	}
}
