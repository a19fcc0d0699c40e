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

// TestStartCompilesFew: on a bench of 2,000 corrections a start compiles what is played and little more, whether they
// are much alike or not, and whether the fitted cushion has a correction or all others are made towards it. What the level
// that they share must be is tested in package engine.
func TestStartCompilesFew(t *testing.T) {
	const n, few = 2000, 24
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
				level, by := svc.shared.LevelDB(48000)
				got := dsp.Compilations() - before
				if t.Logf("%s: %d chains, level %.2f dB by %s", fitted, got, level, by); got > few || by == "" {
					t.Errorf("%s: %d chains were compiled, allowed: %d", fitted, got, few)
				}
			}
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
