package service

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/testrun"
	"cushwright/engine"
	"cushwright/engine/sim"
)

// TestStartCompilesFew: on a bench of 2,000 corrections a start compiles what is played and little more, whether they
// are much alike or not, and whether the fitted cushion has a correction or all others are made towards it. The flat one
// plays at the level of the lowest, all compiled.
func TestStartCompilesFew(t *testing.T) {
	const n, few = 2000, 10
	for name, gain := range map[string]func(r *rand.Rand, band int) float64{
		"apart": func(r *rand.Rand, _ int) float64 { return 2.5 * r.NormFloat64() },
		"alike": func(r *rand.Rand, band int) float64 { return 4 - float64(band) + r.Float64()/4 },
	} {
		t.Run(name, func(t *testing.T) {
			snap := manyCorrections(t, n, gain)
			for _, fitted := range []string{"c0123", "woven", None} {
				before := dsp.Compilations()
				svc, err := New(Options{Dir: snap.Dir, Snap: snap, Fitted: fitted, Driver: &sim.Driver{},
					Fix: func(s engine.Settings) engine.Settings { s.Capture, s.Output = "in", "out"; return s }})
				if err != nil {
					t.Fatal(err)
				}
				got := dsp.Compilations() - before
				if t.Logf("%s: %d chains, headroom %.2f dB", fitted, got, svc.Status().HeadroomDB); got > few {
					t.Errorf("%s: %d chains were compiled, allowed: %d", fitted, got, few)
				}
			}
			lowest, off := 0.0, 0.0
			for i := range n {
				if i%10 != 0 && testrun.Pick(true, false) {
					continue
				}
				c, _ := snap.Correction(fmt.Sprintf("c%04d", i))
				ch, err := c.Correction.Compile(48000, dsp.Options{})
				if err != nil {
					t.Fatal(err)
				}
				lowest = min(lowest, ch.HeadroomDB())
				off = max(off, math.Abs(ch.HeadroomDB()-sketchHeadroomDB(c.Correction)))
			}
			flat, err := flatCorrection(snap, "woven")
			if err != nil || flat.FixedHeadroomDB() > lowest+0.3 || off > 0.3 {
				t.Errorf("the flat one has %.2f dB, the lowest correction %.2f; a sketch is %.2f dB off: %v",
					flat.FixedHeadroomDB(), lowest, off, err)
			}
			t.Logf("a sketch is %.3f dB off at most", off)
		})
	}
}

// manyCorrections is a bench of so many corrections of eight bells towards woven, which has none.
func manyCorrections(t *testing.T, n int, gain func(r *rand.Rand, band int) float64) *config.Snapshot {
	t.Helper()
	dir := t.TempDir()
	write := func(name, text string) {
		t.Helper()
		file := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	write("cushions/woven.toml", "label = \"woven\"\n")
	r := rand.New(rand.NewPCG(3, 4))
	for i := range n {
		text, f := "reference = \"woven\"\n", 40.0
		for b := range 8 {
			f *= 1.5 + r.Float64()/2
			text += fmt.Sprintf("\n[[band]]\nshape = \"bell\"\nfreq_hz = %.1f\ngain_db = %.2f\nq = %.2f\n", f, gain(r, b), 0.5+2*r.Float64())
		}
		write(fmt.Sprintf("corrections/c%04d.toml", i), text)
	}
	snap, err := config.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	return snap
}
