package main

import (
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

func TestReadTests(t *testing.T) {
	for name, c := range map[string]struct {
		in     string
		passed int
		failed []string
		shows  string // what the output of the failures holds
	}{
		"pass": {`{"Action":"start","Package":"p"}
{"Action":"run","Package":"p","Test":"TestA"}
{"Action":"output","Package":"p","Test":"TestA","Output":"--- PASS\n"}
{"Action":"pass","Package":"p","Test":"TestA","Elapsed":0.1}
{"Action":"pass","Package":"p"}
`, 1, nil, ""},
		"subtests count once": {`{"Action":"run","Package":"p","Test":"TestA"}
{"Action":"run","Package":"p","Test":"TestA/x"}
{"Action":"run","Package":"p","Test":"TestA/y"}
{"Action":"pass","Package":"p","Test":"TestA/x"}
{"Action":"pass","Package":"p","Test":"TestA/y"}
{"Action":"pass","Package":"p","Test":"TestA"}
{"Action":"pass","Package":"p"}
`, 2, nil, ""},
		"subtest fails": {`{"Action":"run","Package":"p","Test":"TestA"}
{"Action":"run","Package":"p","Test":"TestA/x"}
{"Action":"output","Package":"p","Test":"TestA/x","Output":"x is wrong\n"}
{"Action":"fail","Package":"p","Test":"TestA/x"}
{"Action":"fail","Package":"p","Test":"TestA"}
{"Action":"fail","Package":"p"}
`, 0, []string{"p TestA/x"}, "x is wrong"},
		"parent fails alone": {`{"Action":"run","Package":"p","Test":"TestA"}
{"Action":"pass","Package":"p","Test":"TestA/x"}
{"Action":"output","Package":"p","Test":"TestA","Output":"not enough\n"}
{"Action":"fail","Package":"p","Test":"TestA"}
{"Action":"fail","Package":"p"}
`, 1, []string{"p TestA"}, "not enough"},
		"skip is failure": {`{"Action":"run","Package":"p","Test":"TestA"}
{"Action":"output","Package":"p","Test":"TestA","Output":"no microphone\n"}
{"Action":"skip","Package":"p","Test":"TestA"}
{"Action":"pass","Package":"p"}
`, 0, []string{"p TestA"}, "it was skipped; a skipped test shows nothing\nno microphone"},
		"skipped subtest": {`{"Action":"skip","Package":"p","Test":"TestA/x"}
{"Action":"pass","Package":"p","Test":"TestA"}
`, 0, []string{"p TestA/x"}, "skipped"},
		"no test files": {`{"Action":"start","Package":"p"}
{"Action":"skip","Package":"p"}
`, 0, nil, ""},
		"never ended": {`{"Action":"run","Package":"p","Test":"TestA"}
{"Action":"output","Package":"p","Output":"panic: boom\n"}
{"Action":"fail","Package":"p"}
`, 0, []string{"p TestA"}, "it never ended\npanic: boom"},
		"package fails": {`{"Action":"pass","Package":"p","Test":"TestA"}
{"Action":"output","Package":"p","Output":"exit status 3\n"}
{"Action":"fail","Package":"p"}
`, 1, []string{"p"}, "exit status 3"},
		"build fails": {`{"ImportPath":"p [p.test]","Action":"build-output","Output":"x.go:1: undefined: y\n"}
{"ImportPath":"p [p.test]","Action":"build-fail"}
{"Action":"start","Package":"p"}
{"Action":"fail","Package":"p","FailedBuild":"p [p.test]"}
`, 0, []string{"p"}, "undefined: y"},
		"cut off": {`{"Action":"start","Package":"p"}
{"Action":"run","Package":"p","Test":"TestA"}
{"Action":"run","Pack`, 0, []string{"p", "p TestA"}, "never ended"},
	} {
		t.Run(name, func(t *testing.T) {
			r := readTests(strings.NewReader(c.in), nil)
			var failed []string
			shown := ""
			for _, f := range r.failures {
				failed = append(failed, f.name)
				shown += f.output
			}
			slices.Sort(failed)
			if name == "cut off" { // one of the two tells enough
				failed = slices.DeleteFunc(failed, func(s string) bool { return s == "p" })
				c.failed = c.failed[1:]
				if r.other == "" {
					t.Error("the broken line is lost")
				}
			}
			if r.passed != c.passed || !slices.Equal(failed, c.failed) || !strings.Contains(shown, c.shows) {
				t.Errorf("%d passed, failed %q showing %q; want %d, %q, %q", r.passed, failed, shown, c.passed, c.failed, c.shows)
			}
		})
	}
}

func TestOnlyOutOfTime(t *testing.T) {
	const begin, end = "fuzz: elapsed: 6s, execs: 58653 (0/sec), new interesting: 0 (total: 304)\n--- FAIL: FuzzRead (6.08s)\n", "FAIL\nexit status 1\nFAIL\tm/p\t6.095s\n"
	for out, want := range map[string]bool{
		begin + "    context deadline exceeded\n" + end:                                                                       true,
		begin + "    a_test.go:3: context deadline exceeded\n" + end:                                                          false,
		begin + "    context deadline exceeded\n    a_test.go:3: wrong\n" + end:                                               false,
		begin + "    --- FAIL: FuzzRead (0.00s)\n        a_test.go:3: wrong\n\n    Failing input written to testdata\n" + end: false,
		begin + "    fuzzing process hung or terminated unexpectedly: exit status 2\n" + end:                                  false,
		"panic: wrong\n" + begin + "    context deadline exceeded\n" + end:                                                    false,
		"context deadline exceeded\n" + end:                                                                                   false,
		"":                                                                                                                    false,
	} {
		if got := onlyOutOfTime(out); got != want {
			t.Errorf("%v for %q", got, out)
		}
	}
}

func TestFuzzTargets(t *testing.T) {
	got := fuzzTargets(`FuzzB
FuzzA
ok  	m/p	0.012s
?   	m/q	[no test files]
ok  	m/r	0.010s
FuzzC
ok  	m/a	0.010s
`)
	want := []target{{"m/a", "FuzzC"}, {"m/p", "FuzzA"}, {"m/p", "FuzzB"}}
	if !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}

func TestSplit(t *testing.T) {
	// What lives below a live package is live; what has a name alike is not. The rest runs under the race detector.
	wantUnit := []string{"m/cmd/check", "m/cmd/internal/faultscript", "m/dsp", "m/engine", "m/engine/live", "m/platforms"}
	wantLive := []string{"m/cmd/cushwright", "m/platform", "m/platform/graph", "m/platform/mini", "m/platform/pulse", "m/platform/soundtest"}
	unit, live := split("m", slices.Sorted(slices.Values(append(slices.Clone(wantUnit), wantLive...))))
	if !slices.Equal(unit, wantUnit) || !slices.Equal(live, wantLive) {
		t.Errorf("unit %v, live %v", unit, live)
	}
}

func TestEnvironment(t *testing.T) {
	got := environment([]string{"A=1", "B=2", "C=3=4"}, map[string]string{"B": "x"}, []string{"A"})
	if !slices.Equal(got, []string{"C=3=4", "B=x"}) {
		t.Errorf("got %q", got)
	}
}

func TestDifferences(t *testing.T) {
	was := map[string][]byte{"same": []byte("1"), "changed": []byte("1"), "gone": []byte("1")}
	now := map[string][]byte{"same": []byte("1"), "changed": []byte("2"), "new": []byte("1")}
	if got := differences(was, now); !slices.Equal(got, []string{"changed", "gone", "new"}) {
		t.Errorf("got %q", got)
	}
}

// What tests told of is kept, with the test that told it, whether it passed or failed.
func TestReadTestsKeepsWhatIsTold(t *testing.T) {
	r := readTests(strings.NewReader(`{"Action":"run","Package":"m/p","Test":"TestA/x"}
{"Action":"output","Package":"m/p","Test":"TestA/x","Output":"    a_test.go:3: left out: kernel avx9: this processor has none\n"}
{"Action":"output","Package":"m/p","Test":"TestA/x","Output":"    a_test.go:4: repeated: the machine stood still for 4ms; 1 breaks\n"}
{"Action":"output","Package":"m/p","Test":"TestA/x","Output":"    a_test.go:5: what is left out: nothing\n"}
{"Action":"fail","Package":"m/p","Test":"TestA/x"}
{"Action":"fail","Package":"m/p","Test":"TestA"}
{"Action":"pass","Package":"m/p","Test":"TestB"}
{"Action":"fail","Package":"m/p"}
`), nil)
	if want := []note{{"", "m/p TestA/x", "kernel avx9: this processor has none"}}; !slices.Equal(r.leftOut, want) {
		t.Errorf("left out: %q", r.leftOut)
	}
	if want := []note{{"", "m/p TestA/x", "the machine stood still for 4ms; 1 breaks"}}; !slices.Equal(r.repeated, want) {
		t.Errorf("repeated: %q", r.repeated)
	}
	if len(r.ran) != 1 || !r.ran["TestB"] {
		t.Errorf("passed at the top: %v", r.ran)
	}
}

// More than five repetitions fail the check, of tests and of fuzz runs each; what two steps left out stands once.
func TestSummary(t *testing.T) {
	for _, c := range []struct{ tests, fuzzed, failed int }{{0, 0, 0}, {mostRepeated, mostRepeated, 0}, {mostRepeated + 1, 0, 1}, {0, mostRepeated + 1, 1}, {9, 9, 2}} {
		var out strings.Builder
		k := &checker{module: "m", out: &out}
		for _, step := range []string{"unit", "live", "unit"} {
			k.step = step
			k.gather(result{leftOut: []note{{"", "m/p TestA", "kernel avx9: none here"}}})
		}
		for range c.tests {
			k.gather(result{repeated: []note{{"", "m/p TestB", "it stood still"}}})
		}
		for range c.fuzzed {
			k.refuzzed = append(k.refuzzed, note{"fuzz", "m/p FuzzA", "its time was over"})
		}
		k.summarise()
		if k.failed != c.failed {
			t.Errorf("%+v: %d failed, want %d", c, k.failed, c.failed)
		}
		for _, want := range []string{"left out:\n  unit, live: p TestA: kernel avx9: none here\n", "the long forms of the tests: they run with -long\n",
			fmt.Sprintf("%d tests were repeated, at most 5 may be\n", c.tests), fmt.Sprintf("%d fuzz runs were repeated, at most 5 may be\n", c.fuzzed)} {
			if strings.Count(out.String(), want) != 1 {
				t.Errorf("%+v: %q is missing in\n%s", c, want, out.String())
			}
		}
	}
}

// The last line of a whole run is read by programs; that of some steps cannot be taken for it.
func TestClosing(t *testing.T) {
	whole := regexp.MustCompile(`^\d+ passed, \d+ failed$`)
	c := &checker{passed: 12, failed: 3}
	if got := c.closing(true, []string{"vet"}); got != "12 passed, 3 failed" || !whole.MatchString(got) {
		t.Errorf("whole: %q", got)
	}
	if got := c.closing(false, []string{"format", "vet"}); whole.MatchString(got) || got != fmt.Sprintf("of %d steps only format, vet: 12 passed, 3 failed", len(steps)) {
		t.Errorf("some steps: %q", got)
	}
}

// A check that has to be quiet is judged by its standard output and its exit code.
func TestExpect(t *testing.T) {
	for _, c := range []struct {
		script string
		quiet  bool
		ok     bool
	}{
		{"true", true, true},
		{"echo 'go: downloading m v1' >&2", true, true},
		{"echo 'a.go:1: a finding'", true, false},
		{"echo 'a.go:1: a finding'", false, true},
		{"echo 'no such module' >&2; exit 1", true, false},
		{"exit 1", false, false},
	} {
		k := &checker{ctx: t.Context(), out: io.Discard, root: t.TempDir(), env: os.Environ()}
		if got := k.expect(c.script, c.quiet, nil, "sh", "-c", c.script); got != c.ok || k.passed+k.failed != 1 || (k.passed == 1) != c.ok {
			t.Errorf("%q, quiet %v: %v, %d passed, %d failed", c.script, c.quiet, got, k.passed, k.failed)
		}
	}
}

// The closing line and the exit code, from the outside.
func TestClosingLine(t *testing.T) {
	bin := filepath.Join(t.TempDir(), "check")
	if out, err := exec.Command("go", "build", "-o", bin, ".").CombinedOutput(); err != nil {
		t.Fatalf("%s%v", out, err)
	}
	out, err := exec.Command(bin, "-run", "^format$").Output()
	lines := strings.Split(strings.TrimRight(string(out), "\n"), "\n")
	last := lines[len(lines)-1]
	begin := fmt.Sprintf("of %d steps only format: ", len(steps))
	if last != begin+"1 passed, 0 failed" && last != begin+"0 passed, 1 failed" || (err == nil) != strings.HasSuffix(last, "1 passed, 0 failed") {
		t.Errorf("closing line %q with %v", last, err)
	}
	for _, args := range [][]string{{"-run", "no-such-step"}, {"-run", "("}, {"surplus"}, {"-unknown"}} {
		err := exec.Command(bin, args...).Run()
		if e, ok := err.(*exec.ExitError); !ok || e.ExitCode() != 2 {
			t.Errorf("%q: %v, want exit code 2", args, err)
		}
	}
}

func TestNeedsAreUnique(t *testing.T) {
	seen := map[string]bool{}
	for _, n := range needs {
		if seen[n.pkg] || len(n.probe) == 0 {
			t.Errorf("%s stands twice, or has no probe", n.pkg)
		}
		seen[n.pkg] = true
	}
	if (need{"none", []string{"no-such-program-anywhere"}}).there() || (need{"none", []string{"sh", "-c", "exit 1"}}).there() || !(need{"sh", []string{"sh"}}).there() {
		t.Error("a probe does not tell what is there")
	}
}
