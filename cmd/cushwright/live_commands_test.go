//go:build linux

package main

import (
	"bytes"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"cushwright/dsp"
	"cushwright/dsp/testrun"
	"cushwright/engine/control"
	"cushwright/platform/soundtest"
)

func TestLiveWearAndBypass(t *testing.T) {
	onBoth(t, func(t *testing.T, kind string) {
		const rate = 48000
		r := newRig(t, kind, rate)
		r.write("settings.toml", "[sound]\nshare_level = false\n[guard]\nenabled = false\n")
		r.write("corrections/wipe-clean.toml", tone(-6))
		r.write("corrections/deep-foam.toml", tone(0))
		r.start()
		r.must("wear", "wipe-clean")
		p := r.PlayFunc("", rate, soundtest.Sine(1000, rate, 0.5))
		defer p.Stop()
		time.Sleep(1500 * time.Millisecond)
		rec := r.Record("phones.monitor", rate)
		time.Sleep(300 * time.Millisecond)
		added := r.status().DelayMS
		socket := ""
		for _, e := range r.Env() {
			if v, ok := strings.CutPrefix(e, "XDG_RUNTIME_DIR="); ok {
				socket = filepath.Join(v, "cushwright", "engine.sock")
			}
		}
		cl := control.NewClient(socket)
		base := dsp.DB(0.5) - 6
		var wear, bypass []float64
		for i := range 20 {
			name, a, b := "deep-foam", base-6, base
			if i%2 == 1 {
				name, a, b = "wipe-clean", base, base-6
			}
			at := time.Now()
			if _, err := cl.Wear(t.Context(), name); err != nil {
				t.Fatal(err)
			}
			time.Sleep(400 * time.Millisecond)
			d, ok := changeAfter(rec, rate, at, a, b)
			if !ok {
				t.Fatal("a change of cushion was never heard")
			}
			wear = append(wear, d.Seconds()*1e3)
		}
		for i := range 20 { // wipe-clean: -12 dB at 1 kHz; bypass: -7, for it is as loud
			a, b := base-6, base-1
			if i%2 == 1 {
				a, b = b, a
			}
			at := time.Now()
			if _, err := cl.Bypass(t.Context(), "toggle", ""); err != nil {
				t.Fatal(err)
			}
			time.Sleep(300 * time.Millisecond)
			d, ok := changeAfter(rec, rate, at, a, b)
			if !ok {
				t.Fatal("a bypass was never heard")
			}
			bypass = append(bypass, d.Seconds()*1e3)
		}
		t.Logf("command to audible: wear median %.0f ms, bypass median %.0f ms, of it %.0f ms added latency by status", median(wear), median(bypass), added)
		if median(wear) > 50+added || median(bypass) > 50+added {
			t.Errorf("wear %.0f ms, bypass %.0f ms, allowed: 50 + %.0f", median(wear), median(bypass), added)
		}
		r.stop()
	})
}

func TestLiveKill(t *testing.T) {
	onBoth(t, func(t *testing.T, kind string) {
		const rate = 48000
		r := newRig(t, kind, rate)
		r.write("corrections/wipe-clean.toml", tone(-3))
		p := r.PlayFunc("phones", rate, soundtest.Sine(1000, rate, 0.5))
		defer p.Stop()
		rnd := rand.New(rand.NewPCG(5, 5))
		var took []float64
		for range testrun.Pick(6, 20) {
			r.start()
			time.Sleep(time.Duration(rnd.IntN(300)) * time.Millisecond)
			start := time.Now()
			if err := r.run.Process.Signal(syscall.SIGKILL); err != nil {
				t.Fatal(err)
			}
			for r.DefaultSink() != "phones" && time.Since(start) < 5*time.Second {
				time.Sleep(time.Millisecond)
			}
			took = append(took, time.Since(start).Seconds()*1e3)
			for end := time.Now().Add(2 * time.Second); slices.Contains(r.SinkNames(), "cushwright") && time.Now().Before(end); {
				time.Sleep(5 * time.Millisecond)
			}
			if slices.Contains(r.SinkNames(), "cushwright") {
				t.Fatal("our sink is left")
			}
			for _, in := range r.SinkInputs() {
				if in.Index == p.Index() && in.Sink != "phones" {
					t.Error("the stream does not play on the real output")
				}
			}
		}
		t.Logf("SIGKILL to the old default being back: median %.0f ms, largest %.0f", median(took), slices.Max(took))
		if slices.Max(took) > 200 {
			t.Errorf("the old default was back after %.0f ms, allowed: 200", slices.Max(took))
		}
	})
}

func TestLiveBadInput(t *testing.T) {
	exe, err := program()
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	os.MkdirAll(filepath.Join(dir, "bench", "corrections"), 0o755)
	os.WriteFile(filepath.Join(dir, "bench", "corrections", "wipe-clean.toml"), []byte("headroom_db = 3\n"), 0o644)
	os.WriteFile(filepath.Join(dir, "file"), nil, 0o644)
	env := []string{"PATH=" + os.Getenv("PATH"), "HOME=" + dir, "XDG_RUNTIME_DIR=" + dir, "PULSE_SERVER=unix:" + dir + "/none"}
	for _, c := range []struct {
		args string
		code int
		want string
	}{
		{"--bench BENCH run", 2, "headroom_db"},
		{"--bench BENCH check", 1, "corrections/wipe-clean.toml"},
		{"--bench FILE run", 2, "file"},
		{"--bench NEW run", 2, "server"},
		{"--bench NEW show nothing", 2, "unknown cushion"},
		{"--bench NEW render a.wav b.wav --cushion wipe-clean", 2, "a.wav"},
		{"status", 1, "No engine is running"},
		{"wear", 2, "Write: cushwright wear NAME"},
		{"blah", 2, "There is no command"},
	} {
		args := strings.Fields(strings.NewReplacer("BENCH", filepath.Join(dir, "bench"), "FILE", filepath.Join(dir, "file"), "NEW", filepath.Join(dir, "new")).Replace(c.args))
		cmd := exec.Command(exe, args...)
		cmd.Env, cmd.Dir = env, dir
		var out bytes.Buffer
		cmd.Stdout, cmd.Stderr = &out, &out
		start := time.Now()
		cmd.Run()
		lines := strings.Split(strings.TrimSpace(out.String()), "\n")
		if cmd.ProcessState.ExitCode() != c.code || !strings.Contains(out.String(), c.want) {
			t.Errorf("%s: exit %d (want %d): %s", c.args, cmd.ProcessState.ExitCode(), c.code, out.String())
		}
		t.Logf("%s: exit %d after %.1f s: %s", c.args, cmd.ProcessState.ExitCode(), time.Since(start).Seconds(), lines[len(lines)-1])
	}
}
