package main

import (
	"fmt"
	"go/ast"
	"go/token"
	"strings"
	"testing"
)

// switches are the variables that say how a test run is to be. dsp/testrun reads them, the check sets them; whoever
// else names them would give them a meaning of its own.
var switches = []string{"CUSHWRIGHT_LONG", "CUSHWRIGHT_RANDOM", "CUSHWRIGHT_ROUNDS"}

// named gives the switches that a file's strings hold, beyond the places that may.
func named(s source) (out []string) {
	if within(s.dir(), "dsp/testrun") || s.dir() == "cmd/check" {
		return nil
	}
	ast.Inspect(s.file, func(n ast.Node) bool {
		if lit, ok := n.(*ast.BasicLit); ok && lit.Kind == token.STRING {
			for _, name := range switches {
				if strings.Contains(lit.Value, name) {
					out = append(out, name)
				}
			}
		}
		return true
	})
	return out
}

// repeats gives the loops of a test that count tries: a repetition goes through soundtest.Again or testrun.Repeated,
// which tell the check.
func repeats(s source) (out []string) {
	if !s.test {
		return nil
	}
	ast.Inspect(s.file, func(n ast.Node) bool {
		f, ok := n.(*ast.ForStmt)
		if !ok {
			return true
		}
		init, ok := f.Init.(*ast.AssignStmt)
		if !ok {
			return true
		}
		for _, x := range init.Lhs {
			if id, ok := x.(*ast.Ident); ok && (id.Name == "try" || id.Name == "tries" || id.Name == "attempt") {
				out = append(out, "for "+id.Name)
			}
		}
		return true
	})
	return out
}

func TestSwitchesAreReadInOnePlace(t *testing.T) {
	for _, s := range projectSources(t) {
		for _, name := range named(s) {
			t.Errorf("%s names %s: ask cushwright/dsp/testrun", s.name, name)
		}
		for _, loop := range repeats(s) {
			t.Errorf("%s: %q repeats what failed: ask soundtest.Again, or tell it by testrun.Repeated", s.name, loop)
		}
	}
}

func TestSwitchesAreSeen(t *testing.T) {
	for _, c := range []struct {
		file, body string
		names      int
		loops      int
	}{
		{"engine/a_test.go", `if os.Getenv("CUSHWRIGHT_LONG") != "" {}`, 1, 0},
		{"engine/a_test.go", `v, ok := os.LookupEnv("CUSHWRIGHT_" + "LONG"); _, _ = v, ok`, 0, 0},
		{"engine/a_test.go", `x := []string{"CUSHWRIGHT_ROUNDS=3", "A=1"}; _ = x`, 1, 0},
		{"engine/a.go", `const name = "CUSHWRIGHT_RANDOM"`, 1, 0},
		{"dsp/testrun/a.go", `const name = "CUSHWRIGHT_RANDOM"`, 0, 0},
		{"cmd/check/a.go", `const name = "CUSHWRIGHT_LONG"`, 0, 0},
		{"engine/a_test.go", `for try := 1; ; try++ {}`, 0, 1},
		{"engine/a_test.go", `for i := 1; ; i++ {}`, 0, 0},
		{"engine/a.go", `for try := 1; ; try++ {}`, 0, 0},
	} {
		s, err := parse(c.file, fmt.Sprintf("package x\nfunc f() {\n%s\n}\n", c.body))
		if err != nil {
			t.Fatal(err)
		}
		if n, l := named(s), repeats(s); len(n) != c.names || len(l) != c.loops {
			t.Errorf("%s: %s: switches %q, loops %q", c.file, c.body, n, l)
		}
	}
}
