package main

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"cushwright/dsp/testrun"
)

// The walls of the house:
//
//	dsp       knows the standard library, gonum and the processor's features only
//	config    knows dsp; viper and fsnotify live here alone
//	engine    knows dsp; no device library, no settings
//	platform  knows engine and dsp; cgo lives below it alone, and malgo in its room mini
//	cmd       wires all, and nobody else knows cmd; its commands know cmd/internal and not each other
//
// and on the audio path nothing locks, logs, waits or touches files.

const moduleName = "cushwright"

// source is one Go file of the project, whatever system it is built for.
type source struct {
	name    string // path inside the project, with slashes
	imports []string
	ignored bool // a generator, run by hand; `go mod tidy` keeps the modules of the second form only
	test    bool
	file    *ast.File
}

func (s source) dir() string { return path.Dir(s.name) }

// within reports whether dir is one of the folders or below one.
func within(dir string, folders ...string) bool {
	return slices.ContainsFunc(folders, func(f string) bool { return dir == f || strings.HasPrefix(dir, f+"/") })
}

func parse(name string, text any) (source, error) {
	f, err := parser.ParseFile(token.NewFileSet(), name, text, parser.ParseComments|parser.SkipObjectResolution)
	if err != nil {
		return source{}, err
	}
	s := source{name: filepath.ToSlash(name), file: f, test: strings.HasSuffix(name, "_test.go")}
	for _, i := range f.Imports {
		p, err := strconv.Unquote(i.Path.Value)
		if err != nil {
			return source{}, err
		}
		s.imports = append(s.imports, p)
	}
	for _, g := range f.Comments {
		for _, c := range g.List {
			s.ignored = s.ignored || c.Pos() < f.Package && slices.Contains([]string{"//go:build ignore", "//go:build generate"}, strings.TrimSpace(c.Text))
		}
	}
	return s, nil
}

func projectSources(t *testing.T) (out []source) {
	t.Helper()
	root := filepath.Join("..", "..")
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && p != root && (strings.HasPrefix(d.Name(), ".") || d.Name() == "testdata") {
			return filepath.SkipDir
		}
		if d.IsDir() || filepath.Ext(p) != ".go" {
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
		s, err := parse(rel, text)
		if err != nil {
			return err
		}
		out = append(out, s)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, dir := range []string{"cmd", "config", "dsp", "engine", "platform"} {
		if !slices.ContainsFunc(out, func(s source) bool { return within(s.dir(), dir) }) {
			t.Fatalf("no Go file below %s: this test looks in the wrong place", dir)
		}
	}
	return out
}

// mayKnow lists, for each part of the house, the parts of the project it may import, tests aside.
var mayKnow = map[string][]string{
	"dsp":      {"dsp"},
	"config":   {"config", "dsp"},
	"engine":   {"engine", "dsp"},
	"platform": {"platform", "engine", "dsp"},
	"cmd":      {"config", "dsp", "engine", "platform", "cmd/internal"},
}

// forTests lists the packages that only tests import, and which other code may.
var forTests = map[string][]string{
	"dsp/testrun":              {"platform/soundtest", "cmd/check"},
	"platform/soundtest":       {"platform/internal/live"},
	"platform/internal/live":   {},
	"cmd/internal/faultscript": {},
	"cmd/internal/viewtest":    {},
}

// onlyIn lists modules that live in one part of the house alone.
var onlyIn = map[string]string{
	"C":                            "platform",
	"github.com/gen2brain/malgo":   "platform/mini",
	"github.com/jfreymuth/pulse":   "platform",
	"github.com/godbus/dbus":       "platform",
	"github.com/jezek/xgb":         "platform",
	"github.com/mewkiz/flac":       "platform",
	"github.com/spf13/viper":       "config",
	"github.com/fsnotify/fsnotify": "config",
	"github.com/spf13/cobra":       "cmd/cushwright",
	"gonum.org/v1/plot":            "dsp/plot",
	"github.com/mmcloughlin/avo":   "dsp", // in generators only
}

func standard(imported string) bool {
	first, _, _ := strings.Cut(imported, "/")
	return !strings.Contains(first, ".") && imported != "C" && first != moduleName
}

// wall returns why a file may not have one of its imports, or "".
func wall(s source, imported string) string {
	part, _, _ := strings.Cut(s.name, "/")
	for lib, home := range onlyIn {
		if (imported == lib || strings.HasPrefix(imported, lib+"/")) && !within(s.dir(), home) {
			// Tests may speak to a sound server or display without being the platform; cgo stays where it is.
			if !s.test || lib == "C" || lib == "github.com/gen2brain/malgo" {
				return lib + " lives in " + home + " alone"
			}
		}
	}
	if within(imported, "github.com/mmcloughlin/avo") && !s.ignored {
		return "only generators, which no build includes, import avo"
	}
	if own, ok := strings.CutPrefix(imported, moduleName+"/"); ok {
		if within(own, "cmd") && (part != "cmd" || !within(own, "cmd/internal")) {
			return "nobody imports a command, and only commands know cmd/internal"
		}
		if others, ok := forTests[own]; ok && !s.test && !within(s.dir(), others...) {
			return own + " is for tests"
		}
		if s.test { // tests may look at their part from outside, where the compiler lets them
			return ""
		}
		if !within(own, mayKnow[part]...) {
			return part + " knows only " + strings.Join(mayKnow[part], ", ")
		}
		if within(s.dir(), "engine/live") && within(own, "engine") {
			return "the audio path knows nothing of the session"
		}
		if slices.Contains([]string{"engine", "engine/live"}, s.dir()) && within(own, "dsp/plot") {
			return "the live loop draws nothing"
		}
		return ""
	}
	if s.test || s.ignored || standard(imported) || imported == "C" {
		return ""
	}
	outside := map[string][]string{"dsp": {"gonum.org/v1/gonum", "golang.org/x/sys/cpu"}, "engine": {"golang.org/x/sys", "golang.org/x/time/rate"}}
	if s.dir() == "dsp/plot" {
		return ""
	}
	if allowed, ok := outside[part]; ok && !within(imported, allowed...) {
		return part + " knows only the standard library and " + strings.Join(allowed, ", ")
	}
	return ""
}

func TestWalls(t *testing.T) {
	n := 0
	for _, s := range projectSources(t) {
		for _, i := range s.imports {
			n++
			if why := wall(s, i); why != "" {
				t.Errorf("%s imports %s: %s", s.name, i, why)
			}
		}
	}
	if n < 50 {
		t.Errorf("only %d imports seen", n)
	}
}

func TestWallsStand(t *testing.T) {
	for _, c := range []struct {
		file, imported string
		ok             bool
	}{
		{"dsp/a.go", "math", true},
		{"dsp/fit/a.go", "gonum.org/v1/gonum/mat", true},
		{"dsp/a.go", "gonum.org/v1/plot/vg", false},
		{"dsp/a.go", "github.com/mmcloughlin/avo/build", false},
		{"dsp/plot/a.go", "gonum.org/v1/plot/vg", true},
		{"dsp/a.go", "cushwright/config", false},
		{"dsp/a.go", "github.com/other/thing", false},
		{"engine/a.go", "cushwright/dsp/guard", true},
		{"engine/a.go", "cushwright/dsp/plot", false},
		{"engine/live/a.go", "cushwright/dsp/plot", false},
		{"engine/live/a.go", "cushwright/engine", false},
		{"engine/a.go", "cushwright/engine/live", true},
		{"engine/control/a.go", "golang.org/x/time/rate", true},
		{"dsp/a.go", "golang.org/x/time/rate", false},
		{"engine/control/a.go", "cushwright/dsp/plot", true},
		{"engine/a.go", "cushwright/config", false},
		{"engine/sim/a.go", "cushwright/platform", false},
		{"engine/control/a.go", "github.com/gen2brain/malgo", false},
		{"engine/a_test.go", "github.com/gen2brain/malgo", false},
		{"config/a.go", "cushwright/dsp/curve", true},
		{"config/a.go", "cushwright/engine", false},
		{"config/a.go", "github.com/spf13/viper", true},
		{"engine/a.go", "github.com/fsnotify/fsnotify", false},
		{"cmd/cushwright/a.go", "github.com/spf13/viper", false},
		{"cmd/cushwright/a.go", "C", false},
		{"cmd/cushwright/a.go", "cushwright/config", true},
		{"platform/a.go", "C", true},
		{"platform/graph/a.go", "C", true},
		{"platform/mini/a.go", "github.com/gen2brain/malgo", true},
		{"platform/pulse/a.go", "github.com/gen2brain/malgo", false},
		{"platform/a.go", "cushwright/engine", true},
		{"platform/a.go", "cushwright/config", false},
		{"platform/a.go", "cushwright/cmd/cushwright", false},
		{"platform/a.go", "cushwright/cmd/internal/x", false},
		{"platform/a_test.go", "cushwright/cmd/internal/x", false},
		{"cmd/cushwright/a.go", "cushwright/cmd/internal/x", true},
		{"cmd/internal/x/a.go", "cushwright/cmd/internal/y", true},
		{"cmd/internal/x/a.go", "cushwright/config", true},
		{"cmd/internal/x/a.go", "cushwright/cmd/cushwright", false},
		{"cmd/cushwright/a.go", "cushwright/cmd/check", false},
		{"cmd/internal/x/a.go", "github.com/spf13/cobra", false},
		{"cmd/cushwright/a.go", "github.com/spf13/cobra", true},
		{"cmd/cushwright/a.go", "cushwright/cmd/internal/faultscript", false},
		{"cmd/cushwright/a_test.go", "cushwright/cmd/internal/faultscript", true},
		{"engine/a_test.go", "cushwright/dsp/testrun", true},
		{"engine/a.go", "cushwright/dsp/testrun", false},
		{"platform/soundtest/a.go", "cushwright/dsp/testrun", true},
		{"platform/a.go", "cushwright/platform/soundtest", false},
		{"platform/pulse/a.go", "github.com/jfreymuth/pulse/proto", true},
		{"platform/graph/a.go", "C", true},
	} {
		s := source{name: c.file, test: strings.HasSuffix(c.file, "_test.go")}
		if why := wall(s, c.imported); (why == "") != c.ok {
			t.Errorf("%s imports %s: %q", c.file, c.imported, why)
		}
	}
}

// Nothing stands at the top but what belongs there. Judged is what git tracks: what else lies about is nobody's
// business.
func TestTopLevel(t *testing.T) {
	entries, tracked := topEntries(t)
	if !tracked {
		testrun.LeftOut(t, "the top-level entries", "there is no git history here that says which ones belong to the project")
		return
	}
	if len(entries) < 5 {
		t.Fatalf("git tracks %q: this test looks in the wrong place", entries)
	}
	for _, e := range strangers(entries) {
		t.Errorf("top-level entry %s; allowed: %s", e, strings.Join(topAllowed, ", "))
	}
}

// The audio path: engine/live, and the signal processing that runs in it.
func onAudioPath(s source) bool {
	if s.test || s.ignored {
		return false
	}
	return s.dir() == "dsp" || within(s.dir(), "engine/live", "dsp/guard", "dsp/drift", "dsp/loudness", "dsp/peak", "dsp/internal")
}

// liveKnows is all that engine/live may import. Whatever else could lock, log, wait, or grow into it unseen.
var liveKnows = []string{"math", "sync/atomic", "cushwright/dsp", "cushwright/dsp/drift", "cushwright/dsp/guard",
	"cushwright/dsp/loudness", "cushwright/dsp/peak"}

// quiet returns what in a file could lock, log, wait or reach a file.
func quiet(s source) (breaches []string) {
	banned := []string{"sync", "log", "log/slog", "os", "net", "io/fs", "syscall", "context"}
	live := within(s.dir(), "engine/live")
	for _, i := range s.imports {
		if slices.Contains(banned, i) || strings.HasPrefix(i, "os/") || strings.HasPrefix(i, "net/") || live && !slices.Contains(liveKnows, i) {
			breaches = append(breaches, "imports "+i)
		}
	}
	add := func(what string) { breaches = append(breaches, what) }
	// Statements right inside a select with a default do not wait.
	free := map[ast.Node]bool{}
	ast.Inspect(s.file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.SelectStmt:
			for _, c := range n.Body.List {
				if c.(*ast.CommClause).Comm == nil {
					free[n] = true
				}
			}
			if !free[n] {
				add("a select without default waits")
			}
			for _, c := range n.Body.List {
				if comm := c.(*ast.CommClause).Comm; comm != nil {
					free[comm] = true // judged with its select
					ast.Inspect(comm, func(m ast.Node) bool {
						if u, ok := m.(*ast.UnaryExpr); ok && u.Op == token.ARROW {
							free[u] = true
						}
						return true
					})
				}
			}
		case *ast.SendStmt:
			if !free[n] {
				add("a send waits")
			}
		case *ast.UnaryExpr:
			if n.Op == token.ARROW && !free[n] {
				add("a receive waits")
			}
		case *ast.GoStmt:
			add("it starts a goroutine")
		case *ast.SelectorExpr:
			if x, ok := n.X.(*ast.Ident); ok && x.Name == "time" &&
				slices.Contains([]string{"Sleep", "After", "AfterFunc", "NewTimer", "NewTicker", "Tick"}, n.Sel.Name) {
				add("time." + n.Sel.Name + " waits")
			}
		case *ast.CallExpr:
			if f, ok := n.Fun.(*ast.Ident); ok && (f.Name == "print" || f.Name == "println") {
				add(f.Name + " writes")
			}
		}
		return true
	})
	return breaches
}

func TestAudioPathIsQuiet(t *testing.T) {
	seen := map[string]bool{}
	for _, s := range projectSources(t) {
		if !onAudioPath(s) {
			continue
		}
		for _, b := range quiet(s) {
			t.Errorf("%s is on the audio path: %s", s.name, b)
		}
		seen[s.dir()] = true
	}
	for _, want := range []string{"engine/live", "dsp", "dsp/guard", "dsp/drift", "dsp/loudness", "dsp/peak"} {
		if !seen[want] {
			t.Errorf("nothing seen of %s: has it another name now?", want)
		}
	}
}

func TestQuietHears(t *testing.T) {
	for _, c := range []struct {
		body string
		want string // "" for no breach
	}{
		{"select { case c <- 1: default: }", ""},
		{"select { case x := <-c: _ = x; default: }", ""},
		{"_ = time.Now()", ""},
		{"select { case c <- 1: }", "a select without default waits"},
		{"select { case <-c: c <- 1; default: }", "a send waits"},
		{"select { default: <-c }", "a receive waits"},
		{"c <- 1", "a send waits"},
		{"x := <-c; _ = x", "a receive waits"},
		{"time.Sleep(1)", "time.Sleep waits"},
		{"go f()", "it starts a goroutine"},
		{"println(1)", "println writes"},
	} {
		s, err := parse("dsp/a.go", "package dsp\nimport \"time\"\nfunc f() {\n"+c.body+"\n}\n")
		if err != nil {
			t.Fatal(err)
		}
		if got := strings.Join(quiet(s), "; "); got != c.want {
			t.Errorf("%s: %q, want %q", c.body, got, c.want)
		}
	}
	for _, c := range []struct {
		file, imported string
		quiet          bool
	}{{"engine/live/a.go", "sync", false}, {"engine/live/a.go", "fmt", false}, {"engine/live/a.go", "time", false},
		{"engine/live/a.go", "cushwright/dsp/fit", false}, {"engine/live/a.go", "sync/atomic", true}, {"engine/live/sub/a.go", "log", false},
		{"engine/live/a_test.go", "sync", true}, {"engine/session.go", "sync", true},
		{"dsp/chain.go", "fmt", true}, {"dsp/chain.go", "os", false}, {"dsp/guard/x.go", "log/slog", false}, {"dsp/fit/x.go", "sync", true},
		{"dsp/guard/x_test.go", "os/exec", true}} {
		s, err := parse(c.file, fmt.Sprintf("package x\nimport %q\n", c.imported))
		if err != nil {
			t.Fatal(err)
		}
		if got := !onAudioPath(s) || len(quiet(s)) == 0; got != c.quiet {
			t.Errorf("%s with %s: quiet is %v", c.file, c.imported, got)
		}
	}
}
