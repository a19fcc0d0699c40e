//go:build linux

package main

import (
	"bytes"
	"fmt"
	"math"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"cushwright/cmd/internal/rig"
	"cushwright/config"
	"cushwright/dsp"
	swept "cushwright/dsp/sweep"
	"cushwright/dsp/testrun"
	"cushwright/platform/soundtest"
)

// Every fault is recognised and named, and nothing is stored of a bad seat.
func TestLiveRigFaults(t *testing.T) {
	t.Parallel()
	b := newRigBench(t, soundtest.PulseAudio, 3, "sweep_level_db = -20\n")
	spec := swept.Short(48000)
	spec.LevelDB = -20
	noise := noiseFor(t, headphone(), spec, 55)
	good := func(s *setup) { *s = setup{cushion: seated("woven"), noise: noise} }
	// fault sweeps with a fault on the rig and says what was not as it should be.
	fault := func(put func(*setup), kind swept.Kind, want, name string) (wrong string) {
		b.air.put(func(s *setup) { *s = setup{} })
		time.Sleep(100 * time.Millisecond) // the acoustics forget the fault before
		b.air.put(put)
		out, messages, code := b.sweepJSON(name, "--ear", "left", "--seats", "1", "--seconds", "1")
		stored, err := (config.Bench{Dir: b.bench}).Seats(name)
		switch {
		case err != nil:
			t.Fatal(err)
		case kind == "" && (code != 1 || !strings.Contains(messages, want) || len(stored) != 0 || len(out.Seats) != 0),
			kind != "" && (code != 0 || len(stored) != 1 || len(out.Seats) != 1 ||
				!slices.ContainsFunc(out.Seats[0].Refused, func(r rig.Refusal) bool { return r.Kind == kind && strings.Contains(r.Text, want) })):
			return fmt.Sprintf("exit %d, %d seats stored: %s", code, len(stored), messages)
		}
		return ""
	}
	for _, c := range []struct {
		name, want string
		kind       swept.Kind // of one that passes: the seat is repeated; else the exit code is 1
		put        func(s *setup)
		mute       bool
	}{
		{"clipped input", "overloaded", "", func(s *setup) { good(s); s.gain = 400 }, false},
		{"no microphone", "no signal at all", "", func(s *setup) { good(s); s.dead = true }, false},
		{"wrong ear", "other channel", "", func(s *setup) { good(s); s.swapped = true }, false},
		{"output muted", "output phones is muted", "", good, true},
		{"interrupted", "interrupted", swept.Interrupted, func(s *setup) { good(s); s.fault = "gap" }, false},
		{"burst", "noise disturbed", swept.Burst, func(s *setup) { good(s); s.fault = "burst" }, false},
		{"sound stops", "the sound stops", swept.Interrupted, func(s *setup) { good(s); s.fault = "stop" }, false},
	} {
		if c.name == "sound stops" && !testrun.Long() {
			break // the gap is of its kind
		}
		b.SetMute("phones", c.mute)
		try := 0
		judge(t, stillness, func() (wrong string) {
			try++
			if wrong = fault(c.put, c.kind, c.want, fmt.Sprintf("%s-%d", strings.ReplaceAll(c.name, " ", "-"), try)); wrong != "" {
				wrong = c.name + ": " + wrong
			}
			return wrong
		})
	}
	b.SetMute("phones", false)
	// One microphone for both ears: the sweep in the other ear is looked for.
	b.air.put(func(s *setup) {
		good(s)
		s.cushion = fixed([]dsp.Band{band(dsp.Bell, dsp.Both, 1000, 2, 1)})
	})
	if _, messages, code := b.sweepJSON("one-microphone", "--ear", "right", "--mic", "left", "--seats", "1", "--seconds", "1"); code != 1 || !strings.Contains(messages, "other channel") {
		t.Errorf("the left ear on a rig with one microphone, asked for the right: exit %d: %s", code, messages)
	}
	// Asked whether to go louder, a no is heeded.
	b.air.put(good)
	timid := exec.Command(b.exe, "--bench", b.bench, "sweep", "timid", "--ear", "left", "--seats", "1", "--seconds", "1")
	timid.Env, timid.Stdin = b.Env(), strings.NewReader("\nn\n\n\n\n")
	if said, err := timid.CombinedOutput(); err != nil || !strings.Contains(string(said), "go on at -20 dB?") {
		t.Errorf("a no to going louder: %v: %s", err, said)
	}
	bench := config.Bench{Dir: b.bench}
	if refs, err := bench.Seats("timid"); err != nil || len(refs) != 1 {
		t.Errorf("%v %v", refs, err)
	} else if s, err := bench.LoadSeat(refs[0]); err != nil || math.Abs(s.SweepLevelDB+40) > 0.01 {
		t.Errorf("swept at %g dB, %v", s.SweepLevelDB, err)
	}
	// Bad usage.
	for _, args := range [][]string{
		{"sweep", "woven", "--yes"},
		{"sweep", "woven", "--ear", "middle", "--yes"},
		{"sweep", "woven", "--ear", "left", "--level", "-3", "--yes"},
		{"sweep", "../woven", "--ear", "left", "--yes"},
		{"sweep", "woven", "--ear", "left", "--seats", "0", "--yes"},
		{"sweep", "woven", "--ear", "left"}, // nobody answers the questions
		{"prove", "woven", "--yes"},
		{"which", "--ear", "both", "--yes"},
	} {
		if _, messages, code := b.command(args...); code != 2 {
			t.Errorf("%v: exit %d: %s", args, code, messages)
		}
	}
	b.write("settings.toml", "[rig]\ninput = \"gone\"\n")
	if _, messages, code := b.command("sweep", "woven", "--ear", "left", "--yes"); code != 2 || !strings.Contains(messages, "mic.monitor") {
		t.Errorf("an input that is not there: exit %d: %s", code, messages)
	}
	b.write("settings.toml", "[rig]\ninput = \"mic.monitor\"\ncalibration = \"none.txt\"\n")
	if _, messages, code := b.command("sweep", "woven", "--ear", "left", "--yes"); code != 2 || !strings.Contains(messages, "none.txt") {
		t.Errorf("a calibration that is not there: exit %d: %s", code, messages)
	}
}

// Interrupted by Ctrl-C: it fades out, finished seats stay, nothing half-written is left, and the engine comes back. It
// comes back too when the command is killed.
func TestLiveRigInterrupted(t *testing.T) {
	t.Parallel()
	b := newRigBench(t, soundtest.PulseAudio, 4, "sweep_level_db = -20\n")
	b.air.put(func(s *setup) { *s = setup{cushion: seated("woven"), noise: 1e-5} })
	b.start()
	start := func() (*exec.Cmd, *bytes.Buffer, chan error) {
		c := exec.Command(b.exe, "--bench", b.bench, "sweep", "woven", "--ear", "left", "--seats", "5", "--seconds", "2")
		c.Env = b.Env()
		c.Stdin = strings.NewReader("\ny\n" + strings.Repeat("\n", 20)) // answers, as a person would type them
		said := &bytes.Buffer{}
		c.Stderr = said
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { c.Process.Kill() })
		ended := make(chan error, 1)
		go func() { ended <- c.Wait() }()
		return c, said, ended
	}
	until := func(what string, ok func() bool) {
		t.Helper()
		for end := time.Now().Add(60 * time.Second); !ok(); time.Sleep(20 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatalf("not within 60 s: %s", what)
			}
		}
	}
	// run starts a series and waits until it has stored the wanted number of seats in all.
	var seats func() int
	run := func(wanted int) (*exec.Cmd, *bytes.Buffer, chan error) {
		t.Helper()
		for {
			began := time.Now()
			c, said, ended := start()
			for running := true; running; {
				select {
				case <-ended:
					running = false
				case <-time.After(20 * time.Millisecond):
					if seats() == wanted {
						return c, said, ended
					}
				}
			}
			if !soundtest.Again(t, began, stillness, said.String()) {
				t.Fatalf("no seat was measured: %s", said)
			}
		}
	}
	seats = func() int {
		refs, err := (config.Bench{Dir: b.bench}).Seats("woven")
		if err != nil {
			t.Fatal(err)
		}
		return len(refs)
	}
	c, said, ended := run(1)
	if st := b.status(); !st.Aside || !strings.Contains(st.Summary, "standing aside") {
		t.Errorf("while it sweeps: %s", st.Summary)
	}
	before := b.air.count()
	until("the next sweep", func() bool { return b.air.count() > before })
	rec := b.Record("phones.monitor", 48000)
	time.Sleep(300 * time.Millisecond)
	c.Process.Signal(syscall.SIGINT)
	<-ended
	time.Sleep(200 * time.Millisecond)
	out := rec.Stop()
	if code := c.ProcessState.ExitCode(); code != 1 || !strings.Contains(said.String(), "interrupted: 1 seat of 5") || !strings.Contains(said.String(), "Nobody wears") {
		t.Errorf("exit %d: %s", code, said)
	}
	// Faded out: the last sound is no louder than the step of a cut would be.
	last := 0
	for i, v := range out {
		if math.Abs(float64(v)) > 1e-9 {
			last = i
		}
	}
	tail := 0.0
	for _, v := range out[max(0, last-96):last] { // the last half millisecond
		tail = max(tail, math.Abs(float64(v)))
	}
	if last == 0 || tail > 0.005 {
		t.Errorf("it ended at %.4f of full scale, %d samples recorded", tail, len(out))
	}
	files, err := filepath.Glob(filepath.Join(b.bench, "seats", "woven", "*"))
	hidden, _ := filepath.Glob(filepath.Join(b.bench, "seats", "woven", ".*"))
	if err != nil || len(files) != 1 || len(hidden) != 0 {
		t.Errorf("files left: %v %v", files, hidden)
	}
	if st := b.status(); st.Aside {
		t.Error("the engine still stands aside")
	}
	// What plays meanwhile is not heard in the measurement, and is heard again when the command is killed.
	p := b.PlayFunc("", 48000, soundtest.Sine(440, 48000, 0.1))
	defer p.Stop()
	heard := func() float64 {
		rec := b.Record("phones.monitor", 48000)
		time.Sleep(300 * time.Millisecond)
		l, _ := soundtest.LevelDB(rec.Stop()[1000:])
		return l
	}
	until("the tone is heard", func() bool { return heard() > -30 })
	c, _, ended = run(2)
	if !b.status().Aside {
		t.Error("the engine does not stand aside")
	}
	c.Process.Kill()
	<-ended
	killed := time.Now()
	until("the engine is back", func() bool { return !b.status().Aside })
	t.Logf("back %.1f s after the command was killed", time.Since(killed).Seconds())
	until("the tone is heard again", func() bool { return heard() > -30 })
	b.stop()
}
