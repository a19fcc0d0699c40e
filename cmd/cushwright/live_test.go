//go:build linux

package main

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"cushwright/config"
	"cushwright/engine"
	"cushwright/engine/control"
	"cushwright/platform/soundtest"
)

var program = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "cushwright-test-")
	if err != nil {
		return "", err
	}
	exe := filepath.Join(dir, "cushwright")
	out, err := exec.Command("go", "build", "-o", exe, ".").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("%w: %s", err, out)
	}
	return exe, nil
})

func TestMain(m *testing.M) {
	flag.Parse()
	// The tests that run at the same time, those of the rig, wait for sound and not for the processor.
	if n, err := strconv.Atoi(flag.Lookup("test.parallel").Value.String()); err == nil && n < 3 {
		flag.Set("test.parallel", "3")
	}
	state, err := os.MkdirTemp("", "cushwright-state-")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Setenv("XDG_STATE_HOME", state) // the user's own folder is none of the tests'
	code := m.Run()
	os.RemoveAll(state)
	if exe, err := program(); err == nil {
		os.RemoveAll(filepath.Dir(exe))
	}
	os.Exit(code)
}

// rigged is a sound server with one output, a bench folder, and the built command.
type rigged struct {
	*soundtest.Server
	t     *testing.T
	exe   string
	bench string
	out   uint32
	run   *exec.Cmd
	log   bytes.Buffer
	ended chan error
	still time.Duration // a standstill from this length on can break the sound
}

const stillness = soundtest.Stillness

// aftermath is for how long after a standstill a break may be laid to it: a server hands on what it has made ahead.
const aftermath = 100 * time.Millisecond

// comeback is the same for the engine's delay. At "normal" a larger buffer comes a tick of the session (50 ms) and twice
// the buffer after a break; 0.3 s after the last of it (the engine's settleSeconds) the delay is come back to. Both are
// crossfades.
const comeback = aftermath + 100*time.Millisecond + 300*time.Millisecond

func newRig(t *testing.T, kind string, rateHz int) *rigged {
	t.Helper()
	exe, err := program()
	if err != nil {
		t.Fatal(err)
	}
	r := &rigged{Server: soundtest.StartAt(t, kind, rateHz), t: t, exe: exe, bench: t.TempDir(), still: stillness}
	r.out = r.AddSink("phones", rateHz, 2)
	r.SetDefault("phones")
	return r
}

// write puts a file into the bench folder.
func (r *rigged) write(name, text string) {
	r.t.Helper()
	file := filepath.Join(r.bench, filepath.FromSlash(name))
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		r.t.Fatal(err)
	}
	if err := config.WriteAtomic(file, []byte(text)); err != nil {
		r.t.Fatal(err)
	}
}

// command runs a subcommand and returns its standard output, its messages and its exit code.
func (r *rigged) command(args ...string) (stdout, stderr string, code int) {
	r.t.Helper()
	c := exec.Command(r.exe, append([]string{"--bench", r.bench}, args...)...)
	c.Env = r.Env()
	var o, e bytes.Buffer
	c.Stdout, c.Stderr = &o, &e
	if err := c.Run(); err != nil && c.ProcessState == nil {
		r.t.Fatal(err)
	}
	return o.String(), e.String(), c.ProcessState.ExitCode()
}

func (r *rigged) must(args ...string) string {
	r.t.Helper()
	out, msg, code := r.command(args...)
	if code != 0 {
		r.t.Fatalf("cushwright %s: exit %d: %s", strings.Join(args, " "), code, msg)
	}
	return out
}

func (r *rigged) status() control.Status {
	r.t.Helper()
	var st control.Status
	if err := json.Unmarshal([]byte(r.must("status", "--json")), &st); err != nil {
		r.t.Fatal(err)
	}
	return st
}

// start runs the engine and waits until it runs.
func (r *rigged) start() {
	r.t.Helper()
	r.log.Reset()
	r.run = exec.Command(r.exe, "--bench", r.bench, "run", "--verbose")
	r.run.Env = r.Env()
	r.run.Stderr = &r.log
	if err := r.run.Start(); err != nil {
		r.t.Fatal(err)
	}
	r.ended = make(chan error, 1)
	go func() { r.ended <- r.run.Wait() }()
	r.t.Cleanup(func() { r.run.Process.Kill() })
	for end := time.Now().Add(15 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if out, _, code := r.command("status", "--json"); code == 0 {
			var st control.Status
			if json.Unmarshal([]byte(out), &st) == nil && st.State == engine.Running {
				return
			}
		}
	}
	r.t.Fatalf("the engine does not run: %s", r.log.String())
}

// stop ends the engine in good order.
func (r *rigged) stop() {
	r.t.Helper()
	r.must("stop")
	select {
	case err := <-r.ended:
		if err != nil {
			r.t.Errorf("the engine ended with %v: %s", err, r.log.String())
		}
	case <-time.After(10 * time.Second):
		r.t.Error("the engine did not end")
	}
}

func onBoth(t *testing.T, f func(t *testing.T, kind string)) {
	for _, kind := range soundtest.Kinds {
		t.Run(kind, func(t *testing.T) { f(t, kind) })
	}
}

// judge runs a try, which says what went wrong, and once more where the watchman saw the machine stand still meanwhile.
func judge(t *testing.T, still time.Duration, try func() (wrong string)) {
	t.Helper()
	for {
		began := time.Now()
		wrong := try()
		if wrong == "" {
			return
		}
		if t.Failed() || !soundtest.Again(t, began, still, wrong) {
			t.Error(wrong)
			return
		}
	}
}

// median is the middle of the values; of an even number, the upper one of the two.
func median(x []float64) float64 {
	s := slices.Sorted(slices.Values(x))
	if len(s) == 0 {
		return math.NaN()
	}
	return s[len(s)/2]
}
