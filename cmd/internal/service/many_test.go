package service

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"cushwright/config"
	"cushwright/dsp"
	"cushwright/engine"
	"cushwright/engine/sim"
)

// TestStartCompilesFew: on a bench of 2,000 corrections a start compiles what is played and little more, whether the
// fitted cushion has a correction or all others are made towards it; and the flat one plays at the level of the lowest.
func TestStartCompilesFew(t *testing.T) {
	const n, few = 2000, 20
	dir := t.TempDir()
	if err := os.Mkdir(filepath.Join(dir, "corrections"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(dir, "cushions"), 0o755); err != nil {
		t.Fatal(err)
	}
	write := func(name, text string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	write("cushions/woven.toml", "label = \"woven\"\n")
	r := rand.New(rand.NewPCG(3, 4))
	for i := range n {
		text, f := "reference = \"woven\"\n", 40.0
		for range 8 {
			f *= 1.5 + r.Float64()/2
			text += fmt.Sprintf("\n[[band]]\nshape = \"bell\"\nfreq_hz = %.1f\ngain_db = %.2f\nq = %.2f\n", f, 2.5*r.NormFloat64(), 0.5+2*r.Float64())
		}
		write(fmt.Sprintf("corrections/c%04d.toml", i), text)
	}
	snap, err := config.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, fitted := range []string{"c0123", "woven", None} {
		before := dsp.Compilations()
		svc, err := New(Options{Dir: dir, Snap: snap, Fitted: fitted, Driver: &sim.Driver{},
			Fix: func(s engine.Settings) engine.Settings { s.Capture, s.Output = "in", "out"; return s }})
		if err != nil {
			t.Fatal(err)
		}
		if got := dsp.Compilations() - before; got > few {
			t.Errorf("%s: %d chains were compiled, allowed: %d", fitted, got, few)
		} else {
			t.Logf("%s: %d chains, headroom %.2f dB", fitted, got, svc.Status().HeadroomDB)
		}
	}
	// A small bench of the same kind, all compiled: none is lower than the flat one.
	sketched := 0.0
	lowest := 0.0
	for i := range 100 {
		c, ok := snap.Correction(fmt.Sprintf("c%04d", i))
		if !ok {
			t.Fatal(i)
		}
		ch, err := c.Correction.Compile(48000, dsp.Options{})
		if err != nil {
			t.Fatal(err)
		}
		lowest = min(lowest, ch.HeadroomDB())
		sketched = max(sketched, max(sketchHeadroomDB(c.Correction)-ch.HeadroomDB(), ch.HeadroomDB()-sketchHeadroomDB(c.Correction)))
	}
	if sketched > sketchErrDB {
		t.Errorf("a sketch is %.2f dB off, allowed: %g", sketched, sketchErrDB)
	}
	flat, err := flatCorrection(snap, "woven")
	if err != nil || flat.FixedHeadroomDB() > lowest {
		t.Errorf("the flat one has %.2f dB, a correction %.2f: %v", flat.FixedHeadroomDB(), lowest, err)
	}
}
