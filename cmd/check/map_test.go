package main

import (
	"go/ast"
	"io/fs"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// mostMapLines is how long DEVELOPERS.md may be.
const mostMapLines = 220

// tree is what DEVELOPERS.md must agree with.
type tree struct {
	packages []string            // directories of `go list ./...`
	files    []string            // every file and directory, with slashes
	tests    map[string][]string // the Test and Fuzz functions of each directory
	declared map[string][]string // what a package of this name declares, fields and methods too
	steps    []string            // of the check
}

var (
	testName  = regexp.MustCompile(`\b(?:Test|Fuzz)[A-Z]\w*`)
	quoted    = regexp.MustCompile("`([^`\n]+)`")
	qualified = regexp.MustCompile(`^([a-z]{2,})((?:\.[A-Z]\w*)+)$`)
	runFlag   = regexp.MustCompile(`-run '?([\w|]+)'?`)
)

// mapped gives the directories that the map names: the first word of each line of the first block of code.
func mapped(text string) (dirs []string) {
	_, block, _ := strings.Cut(text, "\n```\n")
	block, _, _ = strings.Cut(block, "\n```\n")
	for line := range strings.SplitSeq(block, "\n") {
		if dir, _, _ := strings.Cut(line, " "); dir != "" {
			dirs = append(dirs, dir)
		}
	}
	return dirs
}

// untrue says where the text of DEVELOPERS.md is not as the tree is.
func untrue(text string, t tree) (wrong []string) {
	add := func(what ...string) { wrong = append(wrong, strings.Join(what, " ")) }
	if strings.Count(text, "\n") > mostMapLines {
		add("it is too long")
	}
	dirs := mapped(text)
	for i, d := range dirs {
		if !slices.Contains(t.files, d) {
			add(d, "is in the map and not in the tree")
		}
		if slices.Contains(dirs[:i], d) {
			add(d, "is in the map twice")
		}
	}
	for _, p := range t.packages {
		if !slices.Contains(dirs, p) {
			add(p, "is not in the map")
		}
	}
	for _, name := range testName.FindAllString(text, -1) {
		if !t.hasTest("", name) {
			add(name, "is no test")
		}
	}
	for _, m := range quoted.FindAllStringSubmatch(text, -1) {
		wrong = append(wrong, t.untrue(m[1])...)
	}
	return wrong
}

// untrue says what is wrong with what stands in back quotes: a path, a command, or a name of a package.
func (t tree) untrue(span string) (wrong []string) {
	words := strings.Fields(span)
	var dirs []string
	for _, w := range words {
		dir, here := strings.CutPrefix(w, "./")
		if !here && (len(words) > 1 || !strings.Contains(w, "/") && !strings.Contains(w, ".go")) {
			continue
		}
		if dir = strings.TrimSuffix(dir, "/..."); !t.has(dir) {
			wrong = append(wrong, w+" is not in the tree")
		}
		dirs = append(dirs, dir)
	}
	if m := runFlag.FindStringSubmatch(span); m != nil && !strings.Contains(span, "-bench") {
		for name := range strings.SplitSeq(m[1], "|") {
			if strings.HasPrefix(span, "go run ./cmd/check") {
				if !slices.Contains(t.steps, name) {
					wrong = append(wrong, name+" is no step of the check")
				}
			} else if !slices.ContainsFunc(dirs, func(d string) bool { return t.hasTest(d, name) }) {
				wrong = append(wrong, name+" runs no test of "+strings.Join(dirs, ", "))
			}
		}
	}
	if m := qualified.FindStringSubmatch(span); m != nil {
		for name := range strings.SplitSeq(m[2][1:], ".") {
			if !slices.Contains(t.declared[m[1]], name) {
				wrong = append(wrong, span+" is declared nowhere")
				break
			}
		}
	}
	return wrong
}

// has reports whether there is such a file: a path from the top, which may hold a *, or the name of a Go file alone.
func (t tree) has(name string) bool {
	return slices.ContainsFunc(t.files, func(f string) bool {
		ok, err := path.Match(name, f)
		return err == nil && ok || !strings.Contains(name, "/") && path.Base(f) == name
	})
}

// hasTest reports whether a directory, or any for "", has a test: of that name for "", else that a -run of it runs.
func (t tree) hasTest(dir, name string) bool {
	if dir != "" {
		return slices.ContainsFunc(t.tests[dir], func(test string) bool { return strings.Contains(test, name) })
	}
	for _, names := range t.tests {
		if slices.Contains(names, name) {
			return true
		}
	}
	return false
}

// readMapTree reads the project.
func readMapTree(t *testing.T) (got tree) {
	t.Helper()
	root := filepath.Join("..", "..")
	list := exec.Command("go", "list", "./...")
	list.Dir = root
	out, err := list.Output()
	if err != nil {
		t.Fatalf("go list ./...: %v", explain(err))
	}
	for _, p := range strings.Fields(string(out)) {
		got.packages = append(got.packages, strings.TrimPrefix(p, moduleName+"/"))
	}
	err = filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && p != root && strings.HasPrefix(d.Name(), ".") {
			return filepath.SkipDir
		}
		rel, err := filepath.Rel(root, p)
		got.files = append(got.files, filepath.ToSlash(rel))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	got.tests, got.declared = map[string][]string{}, map[string][]string{}
	for _, s := range projectSources(t) {
		names := declares(s.file)
		if !s.test {
			got.declared[s.file.Name.Name] = append(got.declared[s.file.Name.Name], names...)
			continue
		}
		for _, name := range names {
			if testName.FindString(name) == name {
				got.tests[s.dir()] = append(got.tests[s.dir()], name)
			}
		}
	}
	for _, s := range steps {
		got.steps = append(got.steps, s.name)
	}
	return got
}

// declares lists what a file declares outside functions: functions, methods, types, their fields, values.
func declares(f *ast.File) (names []string) {
	add := func(ids ...*ast.Ident) {
		for _, id := range ids {
			names = append(names, id.Name)
		}
	}
	for _, d := range f.Decls {
		if fn, ok := d.(*ast.FuncDecl); ok {
			add(fn.Name)
			continue
		}
		ast.Inspect(d, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.TypeSpec:
				add(n.Name)
			case *ast.ValueSpec:
				add(n.Names...)
			case *ast.Field:
				add(n.Names...)
			}
			return true
		})
	}
	return names
}

func TestMapIsTheTree(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", "DEVELOPERS.md"))
	if err != nil {
		t.Fatal(err)
	}
	project := readMapTree(t)
	if len(project.packages) < 30 || len(project.tests) < 20 {
		t.Fatalf("%d packages, tests in %d seen: this test looks in the wrong place",
			len(project.packages), len(project.tests))
	}
	for _, w := range untrue(string(text), project) {
		t.Errorf("DEVELOPERS.md: %s", w)
	}
}

func TestUntrueMapIsSeen(t *testing.T) {
	small := tree{packages: []string{"a", "a/b"}, files: []string{"a", "a/b", "a/x.go", "a/b/y_test.go", "docs"},
		tests:    map[string][]string{"a/b": {"TestOne", "FuzzTwo"}},
		declared: map[string][]string{"bb": {"Door", "Open"}}, steps: []string{"vet"}}
	const whole = "# Map\n\n```\na      first\na/b    second\n       goes on\ndocs   none of Go's\n```\n"
	for _, c := range []struct{ text, want string }{
		{whole, ""},
		{whole + strings.Repeat("\n", mostMapLines-strings.Count(whole, "\n")), ""},
		{whole + strings.Repeat("\n", mostMapLines-strings.Count(whole, "\n")+1), "it is too long"},
		{strings.Replace(whole, "a/b ", "a/c ", 1), "a/c is in the map and not in the tree; a/b is not in the map"},
		{strings.Replace(whole, "docs", "a/b ", 1), "a/b is in the map twice"},
		{strings.ReplaceAll(whole, "```", "~~~"), "a is not in the map; a/b is not in the map"},
		{whole + "TestOne and `FuzzTwo`", ""},
		{whole + "TestOn", "TestOn is no test"},
		{whole + "(`FuzzThree`)", "FuzzThree is no test"},
		{whole + "`a/x.go`, `x.go`, `./a/...`, `a/b/*_test.go`, `a`, `nothing`", ""},
		{whole + "`a/y.go`", "a/y.go is not in the tree"},
		{whole + "`y.go`", "y.go is not in the tree"},
		{whole + "`a/x_*.go`", "a/x_*.go is not in the tree"},
		{whole + "`go doc ./c`", "./c is not in the tree"},
		{whole + "`go test ./a/b -run 'One|Two' -v`", ""},
		{whole + "`go test ./a -run One`", "One runs no test of a"},
		{whole + "`go test ./a/b -run Three`", "Three runs no test of a/b"},
		{whole + "`go test -bench . -run xxx ./a`", ""},
		{whole + "`bb.Door.Open`, `bb.Door`", ""},
		{whole + "`bb.Gate`", "bb.Gate is declared nowhere"},
		{whole + "`bb.Door.Shut`", "bb.Door.Shut is declared nowhere"},
		{whole + "`cc.Door`", "cc.Door is declared nowhere"},
		{whole + "`t.Skip`", ""},
	} {
		if got := strings.Join(untrue(c.text, small), "; "); got != c.want {
			t.Errorf("%q: %q, want %q", strings.TrimPrefix(c.text, whole), got, c.want)
		}
	}
	small.files = append(small.files, "cmd/check")
	for span, want := range map[string]string{"go run ./cmd/check -run vet": "", "go run ./cmd/check -run wet": "wet is no step of the check"} {
		if got := strings.Join(small.untrue(span), "; "); got != want {
			t.Errorf("%q: %q, want %q", span, got, want)
		}
	}
}
