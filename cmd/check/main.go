// Command check is the project's test command: it installs what the tests need, then runs every check there is, and
// closes with one line, `N passed, N failed`. Its exit code is 1 when anything failed, 2 for wrong usage. A run of some
// steps closes with their names before that line's words, so that nobody takes it for the whole.
//
//	go run ./cmd/check                 everything
//	go run ./cmd/check -run 'vet|unit' the steps whose names match
//	go run ./cmd/check -long           long soaks and fuzzing, a fresh Debian, the live tests under the race detector
//	go run ./cmd/check -list           the steps
//
// A skipped test counts as failed: a check that did not run has shown nothing. Before the closing line stands what
// tests left out, and why, and what they repeated (see package testrun); more than five repetitions fail the check.
package main

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"syscall"
	"time"
)

func main() {
	run := flag.String("run", "", "run only the steps whose names match this regular `expression`")
	long := flag.Bool("long", false, "long soaks and fuzzing (sets CUSHWRIGHT_LONG=1)")
	list := flag.Bool("list", false, "print the steps and what each one shows")
	fuzzTime := flag.Duration("fuzztime", 0, "time for each fuzz target (default 5s, with -long 1m)")
	flag.Parse()
	if flag.NArg() > 0 {
		fmt.Fprintf(os.Stderr, "check: unexpected argument %q\n", flag.Arg(0))
		os.Exit(2)
	}
	if *list {
		for _, s := range steps {
			fmt.Printf("%-11s %s\n", s.name, s.shows)
		}
		return
	}
	match, err := regexp.Compile(*run)
	if err != nil {
		fmt.Fprintf(os.Stderr, "check: read \"-run\": %v\n", err)
		os.Exit(2)
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(checkAll(ctx, match, *long, *fuzzTime))
}

// checker carries one run. Its steps run one after the other; nothing here is shared between goroutines.
type checker struct {
	ctx            context.Context
	out            io.Writer
	root           string // of the module
	module         string
	env            []string
	long           bool
	fuzzTime       time.Duration
	passed, failed int

	step              string // the one that runs
	leftOut, repeated []note // what tests told of
	refuzzed          []note // fuzz runs that were repeated
	tested            bool   // a step has run tests
}

type step struct {
	name, shows string
	do          func(*checker)
	onlyLong    bool
}

var steps = []step{
	{"tools", "the tools that the tests compare with are there, installed if need be", (*checker).tools, false},
	{"format", "gofmt finds nothing to change", (*checker).format, false},
	{"vet", "go vet, for this system", (*checker).vet, false},
	{"staticcheck", "staticcheck, in the version that go.mod names", (*checker).staticcheck, false},
	{"modules", "the modules are the ones recorded, and exactly those in use", (*checker).modules, false},
	{"generate", "generated code is what its generator writes", (*checker).generate, false},
	{"cross", "the whole compiles for Windows (cgo), macOS and arm64 (without cgo)", (*checker).cross, false},
	{"unit", "every package but the live ones, under the race detector", (*checker).unit, false},
	{"purego", "signal processing without assembly", (*checker).purego, false},
	{"soak", "minutes of sound (hours with -long) through the engine on simulated clocks, at full speed", (*checker).soak, false},
	{"live", "the packages that run sound servers, one at a time and at full speed", (*checker).live, false},
	{"fresh", "a fresh Debian 12 with Go, gcc and git alone runs the demonstration and the quick steps", (*checker).fresh, true},
	{"live-race", "the same under the race detector", (*checker).liveRace, true},
	{"fuzz", "every fuzz target for a few seconds", (*checker).fuzz, false},
}

// live packages start sound servers and measure delays: they run alone, after everything else that is noisy, and
// without the race detector's slowness.
var livePackages = []string{"platform", "cmd/cushwright"}

// mostRepeated is how many tests, and how many fuzz runs, may be repeated in a run of the check.
const mostRepeated = 5

func checkAll(ctx context.Context, match *regexp.Regexp, long bool, fuzzTime time.Duration) int {
	c := &checker{ctx: ctx, out: os.Stdout, long: long, fuzzTime: fuzzTime}
	if c.fuzzTime == 0 {
		c.fuzzTime = 5 * time.Second
		if long {
			c.fuzzTime = time.Minute
		}
	}
	whole := match.String() == ""
	var chosen []step
	for _, s := range steps {
		switch {
		case !match.MatchString(s.name):
		case whole && s.onlyLong && !long:
			c.leftOut = append(c.leftOut, note{s.name, "the step " + s.name, "it runs with -long"})
		default:
			chosen = append(chosen, s)
		}
	}
	if len(chosen) == 0 {
		fmt.Fprintf(os.Stderr, "check: no step matches %q; -list names them\n", match)
		return 2
	}
	cleanup, err := c.prepare()
	if err != nil {
		fmt.Fprintf(os.Stderr, "check: %v\n", err)
		c.failed = 1
		fmt.Println(c.closing(whole, nil))
		return 1
	}
	defer cleanup()
	start := time.Now()
	var ran []string
	for i, s := range chosen {
		fmt.Fprintf(c.out, "[%d/%d] %s: %s\n", i+1, len(chosen), s.name, s.shows)
		c.run(s)
		ran = append(ran, s.name)
		if ctx.Err() != nil {
			c.fail("interrupted", "the steps after this one did not run")
			break
		}
	}
	c.summarise()
	fmt.Fprintf(c.out, "in %s\n%s\n", time.Since(start).Round(time.Second), c.closing(whole, ran))
	if c.failed > 0 {
		return 1
	}
	return 0
}

// run carries one step out and prints its verdict.
func (c *checker) run(s step) {
	passed, failed, start := c.passed, c.failed, time.Now()
	c.step = s.name
	s.do(c)
	passed, failed = c.passed-passed, c.failed-failed
	if passed+failed == 0 {
		c.fail(s.name, "it checked nothing")
		failed = 1
	}
	verdict := "ok"
	if failed > 0 {
		verdict = fmt.Sprintf("%d FAILED", failed)
	}
	fmt.Fprintf(c.out, "      %s, %d passed, %.0f s\n", verdict, passed, time.Since(start).Seconds())
}

// prepare finds the module and builds an environment in which neither the user's own sound server and settings nor
// a missing home folder make a difference.
func (c *checker) prepare() (cleanup func(), err error) {
	out, err := exec.Command("go", "list", "-m", "-f", "{{.Path}}\n{{.Dir}}").Output()
	if err != nil {
		return nil, fmt.Errorf("find the module: %w (run it inside the project)", explain(err))
	}
	c.module, c.root, _ = strings.Cut(strings.TrimSpace(string(out)), "\n")
	tmp, err := os.MkdirTemp("", "check-")
	if err != nil {
		return nil, err
	}
	cleanup = func() { os.RemoveAll(tmp) }
	set := map[string]string{"LC_ALL": "C.UTF-8"}
	if os.Getenv("HOME") == "" && runtime.GOOS != "windows" {
		set["HOME"] = tmp
	}
	if out, err := exec.Command("go", "env", "GOENV").Output(); err == nil {
		set["GOENV"] = strings.TrimSpace(string(out)) // stays where it is when the configuration folder moves
	}
	for _, k := range []string{"XDG_CONFIG_HOME", "XDG_STATE_HOME", "XDG_DATA_HOME"} {
		dir := filepath.Join(tmp, strings.ToLower(k))
		if err := os.Mkdir(dir, 0o700); err != nil {
			cleanup()
			return nil, err
		}
		set[k] = dir
	}
	if c.long {
		set["CUSHWRIGHT_LONG"] = "1"
	}
	drop := []string{"CUSHWRIGHT_LONG", "PULSE_SERVER", "PULSE_RUNTIME_PATH", "PULSE_SINK", "PULSE_SOURCE", "PULSE_COOKIE",
		"PIPEWIRE_REMOTE", "PIPEWIRE_RUNTIME_DIR", "DBUS_SESSION_BUS_ADDRESS", "DISPLAY", "WAYLAND_DISPLAY", "XAUTHORITY",
		"XDG_RUNTIME_DIR", "NOTIFY_SOCKET"}
	c.env = environment(os.Environ(), set, drop)
	return cleanup, nil
}

// environment returns env without the dropped variables and with the set ones.
func environment(env []string, set map[string]string, drop []string) []string {
	var out []string
next:
	for _, kv := range env {
		k, _, _ := strings.Cut(kv, "=")
		if _, ok := set[k]; ok {
			continue
		}
		for _, d := range drop {
			if k == d {
				continue next
			}
		}
		out = append(out, kv)
	}
	for k, v := range set {
		out = append(out, k+"="+v)
	}
	return out
}

// command returns a command in the module's root, with nothing on its standard input. An interrupt reaches it as
// one, so that tests can take their servers down.
func (c *checker) command(env []string, name string, args ...string) *exec.Cmd {
	cmd := exec.CommandContext(c.ctx, name, args...)
	cmd.Dir = c.root
	cmd.Env = append(append([]string(nil), c.env...), env...)
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) }
	cmd.WaitDelay = 20 * time.Second
	return cmd
}

func (c *checker) pass() { c.passed++ }

// fail counts one failure and shows its output, indented.
func (c *checker) fail(what, output string) {
	c.failed++
	fmt.Fprintf(c.out, "  FAIL %s\n", what)
	for line := range strings.Lines(strings.TrimRight(output, "\n") + "\n") {
		fmt.Fprint(c.out, "       ", line)
	}
}

// expect runs a command as one check: it has to succeed, and where quiet is asked for, to print nothing on its standard
// output. What the go command says on standard error (of downloads, for example) is no finding.
func (c *checker) expect(what string, quiet bool, env []string, name string, args ...string) bool {
	cmd := c.command(env, name, args...)
	var stdout, stderr bytes.Buffer
	cmd.Stdout, cmd.Stderr = &stdout, &stderr
	err := cmd.Run()
	said := stdout.String() + stderr.String()
	switch {
	case err != nil:
		c.fail(what, fmt.Sprintf("%s\n%s: %v", said, what, err))
	case quiet && strings.TrimSpace(stdout.String()) != "":
		c.fail(what, said)
	default:
		c.pass()
		return true
	}
	return false
}

func explain(err error) error {
	if e, ok := err.(*exec.ExitError); ok && len(e.Stderr) > 0 {
		return fmt.Errorf("%w: %s", err, strings.TrimSpace(string(e.Stderr)))
	}
	return err
}
