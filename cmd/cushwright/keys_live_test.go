//go:build linux

package main

import (
	"bufio"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jezek/xgb"
	"github.com/jezek/xgb/xproto"

	"cushwright/dsp"
	"cushwright/dsp/testrun"
	"cushwright/engine"
	"cushwright/platform/soundtest"
)

// virtualDisplay starts an X server without a screen, which ends with the test, and returns its name.
func virtualDisplay(t *testing.T) string {
	t.Helper()
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command("Xvfb", "-displayfd", "3", "-screen", "0", "640x480x24", "-nolisten", "tcp", "-noreset")
	c.ExtraFiles = []*os.File{w}
	if err := c.Start(); err != nil {
		t.Fatalf("the virtual X server is needed: %v", err)
	}
	w.Close()
	t.Cleanup(func() { c.Process.Kill(); c.Wait(); r.Close() })
	line, err := bufio.NewReader(r).ReadString('\n')
	if err != nil {
		t.Fatalf("the X server named no display: %v", err)
	}
	return ":" + strings.TrimSpace(line)
}

// TestLiveKeys presses the bypass key at random intervals, with no lock key, with Num Lock and with Caps Lock on: every
// press is heard as one switch, soon, and without a click.
func TestLiveKeys(t *testing.T) {
	onBoth(t, func(t *testing.T, kind string) {
		const rate = 48000
		display := virtualDisplay(t)
		r := newRig(t, kind, rate)
		r.write("settings.toml", "notify = false\n[guard]\nenabled = false\n[keys]\nbypass = \"ctrl+alt+b\"\n")
		r.write("corrections/wipe-clean.toml", tone(-6))
		r.run = exec.Command(r.exe, "--bench", r.bench, "run")
		r.run.Env, r.run.Stderr = append(r.Env(), "DISPLAY="+display), &r.log
		if err := r.run.Start(); err != nil {
			t.Fatal(err)
		}
		r.ended = make(chan error, 1)
		go func() { r.ended <- r.run.Wait() }()
		t.Cleanup(func() { r.run.Process.Kill() })
		for end := time.Now().Add(15 * time.Second); ; time.Sleep(20 * time.Millisecond) {
			if _, _, code := r.command("status"); code == 0 && r.status().State == engine.Running {
				break
			}
			if time.Now().After(end) {
				t.Fatalf("the engine does not run: %s", r.log.String())
			}
		}
		if st := r.status(); len(st.KeysTaken) != 0 {
			t.Fatalf("keys not available: %q", st.KeysTaken)
		}
		xdo := func(args ...string) {
			t.Helper()
			c := exec.Command("xdotool", args...)
			c.Env = append(os.Environ(), "DISPLAY="+display)
			if out, err := c.CombinedOutput(); err != nil {
				t.Fatalf("xdotool %v: %v: %s", args, err, out)
			}
		}
		x, err := xgb.NewConnDisplay(display)
		if err != nil {
			t.Fatal(err)
		}
		defer x.Close()
		locks := func() uint16 {
			q, err := xproto.QueryPointer(x, xproto.Setup(x).DefaultScreen(x).Root).Reply()
			if err != nil {
				t.Fatal(err)
			}
			return q.Mask & (xproto.ModMaskLock | xproto.ModMask2)
		}
		p := r.PlayFunc("", rate, soundtest.Sine(1000, rate, 0.5))
		defer p.Stop()
		time.Sleep(1500 * time.Millisecond)
		input := r.Record("cushwright.monitor", rate)
		rec := r.Record("phones.monitor", rate)
		time.Sleep(500 * time.Millisecond)
		added := r.status().DelayMS
		low, high := dsp.DB(0.5)-12, dsp.DB(0.5)-7 // the corrected side, and bypass, as loud
		rnd := rand.New(rand.NewPCG(9, 9))
		from := rec.Frames()
		var pressed []time.Time
		for _, lock := range []struct {
			key   string
			mask  uint16
			count int
		}{{"", 0, testrun.Pick(10, 66)}, {"Num_Lock", xproto.ModMask2, testrun.Pick(10, 67)}, {"Caps_Lock", xproto.ModMaskLock, testrun.Pick(10, 67)}} {
			if lock.key != "" {
				xdo("key", lock.key)
			}
			for end := time.Now().Add(5 * time.Second); locks() != lock.mask; time.Sleep(5 * time.Millisecond) {
				if time.Now().After(end) {
					t.Fatalf("the lock keys are %#x", locks())
				}
			}
			for range lock.count {
				pressed = append(pressed, time.Now()) // the press comes later by as long as xdotool takes to start
				xdo("key", "--delay", "2", "ctrl+alt+b")
				time.Sleep(time.Duration(250+rnd.IntN(250)) * time.Millisecond)
			}
			if lock.key != "" {
				xdo("key", lock.key)
			}
		}
		time.Sleep(300 * time.Millisecond)
		var took []float64
		for i, at := range pressed {
			a, b := low, high
			if i%2 == 1 {
				a, b = high, low
			}
			d, ok := changeAfter(rec, rate, at, a, b)
			if !ok {
				t.Fatalf("press %d was never heard", i+1)
			}
			took = append(took, d.Seconds()*1e3)
		}
		fed, y := input.Stop(), rec.Stop()
		switches := switchesIn(y[2*from:], rate, (low+high)/2)
		sp, loud := splatter(y, rate, 1000)
		_, loudIn := splatter(fed, rate, 1000)
		lost := 0
		for _, at := range loud {
			if brokenSine(y, rate, 1000, at-2048, at+3*2048) || slices.Contains(loudIn, at) {
				lost++
			} else {
				t.Errorf("splatter of the engine's own above -80 dBFS at frame %d", at)
			}
		}
		t.Logf("%d presses, %d switches heard; key to audible median %.0f ms, largest %.0f, of it %.0f ms added latency by status and the start of xdotool; largest splatter %.1f dBFS, %d windows left out for breaks in the sound",
			len(pressed), switches, median(took), slices.Max(took), added, sp, lost)
		if switches != len(pressed) {
			t.Errorf("%d presses, %d switches", len(pressed), switches)
		}
		if median(took) > 60+added {
			t.Errorf("key to audible took %.0f ms, allowed: 60 + %.0f", median(took), added)
		}
		r.stop()
	})
}

// switchesIn counts how often the level of a steady sine goes from one side of a level to the other and stays there for
// 50 ms: the gap that a break leaves is shorter or is followed by the same side again.
func switchesIn(y []float32, rate int, middleDB float64) (n int) {
	piece := rate / 100
	var above []bool
	for at := 0; at+piece <= len(y)/2; at += piece {
		l, _ := soundtest.LevelDB(y[2*at : 2*(at+piece)])
		if math.IsInf(l, -1) || l+3.01 < middleDB-20 { // silence: no side
			continue
		}
		above = append(above, l+3.01 > middleDB)
	}
	side, run := false, 0
	for i, a := range above {
		if i == 0 {
			side = a
		}
		if a == side {
			run = 0
			continue
		}
		if run++; run == 5 {
			side, run = a, 0
			n++
		}
	}
	return n
}
