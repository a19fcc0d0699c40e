package main

import (
	"bytes"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"cushwright/cmd/internal/bench"
	"cushwright/config"
	"cushwright/dsp"
)

func TestDemo(t *testing.T) {
	home := t.TempDir()
	t.Setenv("HOME", home)
	t.Setenv("USERPROFILE", home)
	t.Setenv("XDG_CONFIG_HOME", "")
	if err := os.Mkdir(filepath.Join(home, "Pictures"), 0o755); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(home, "Pictures", "cushwright-demo.png")
	var out bytes.Buffer
	root := newRoot()
	root.SetArgs([]string{"demo"})
	root.SetOut(&out)
	if err := root.ExecuteContext(t.Context()); err != nil {
		t.Fatalf("%v\n%s", err, out.String())
	}
	text := out.String()
	number := func(pattern string) []float64 {
		var v []float64
		for _, m := range regexp.MustCompile(pattern).FindAllStringSubmatch(text, -1) {
			x, err := strconv.ParseFloat(m[1], 64)
			if err != nil {
				t.Fatal(err)
			}
			v = append(v, x)
		}
		return v
	}
	if dev := number(`largest deviation ([\d.]+) dB`); len(dev) != 3 || dev[0] > 0.2 || dev[1] > 0.2 || dev[2] > 0.2 {
		t.Errorf("deviations from the design %v, want three of at most 0.2 dB", dev)
	}
	if runs := number(`runs at full scale in the input (\d+)`); len(runs) != 1 || runs[0] == 0 {
		t.Errorf("clipped runs %v", runs)
	}
	if d := number(`difference (-?[\d.]+) LU`); len(d) != 1 || math.Abs(d[0]) > 0.1 {
		t.Errorf("bypass differs by %v LU", d)
	}
	was, now, held := number(`level at 1 kHz (-?[\d.]+) →`), number(`→ (-?[\d.]+) dB`), number(`goes on: level at 1 kHz (-?[\d.]+) dB`)
	if len(was) != 1 || len(now) != 1 || len(held) != 1 || was[0]-now[0] < 4 || math.Abs(held[0]-now[0]) > 0.05 {
		t.Errorf("1 kHz before, after and beside a bad edit: %v %v %v", was, now, held)
	}
	if !strings.Contains(text, "invented") || !strings.Contains(text, "Mind your ears") {
		t.Error("the demonstration does not say that its data is invented, or gives no caution")
	}
	if !strings.Contains(text, "plot written to "+file) {
		t.Error("where the plot went is not said")
	}
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := png.Decode(f); err != nil {
		t.Error(err)
	}
}

// The demonstration's corrections as the engine runs them, against their analog prototypes.
func TestDemoCorrectionsAtEveryRate(t *testing.T) {
	dir := t.TempDir()
	if _, err := config.FirstRun(dir); err != nil {
		t.Fatal(err)
	}
	snap, err := config.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"wipe-clean", "deep-foam"} {
		c, ok := snap.Correction(name)
		if !ok {
			t.Fatal("no correction ", name)
		}
		for _, r := range []struct{ rate, to16k, to20k float64 }{{44100, 0.2, 0.5}, {48000, 0.2, 0.5}, {96000, 0.02, 0.02}, {192000, 0.02, 0.02}} {
			ch, err := c.Correction.Compile(r.rate, dsp.Options{})
			if err != nil {
				t.Fatal(err)
			}
			var low, all float64
			for _, f := range bench.PlotHz() {
				for _, e := range []dsp.Ear{dsp.Left, dsp.Right} {
					d := math.Abs(ch.DB(e, f) - c.Correction.AnalogDB(e, f))
					all = max(all, d)
					if f <= 16000 {
						low = max(low, d)
					}
				}
			}
			t.Logf("%s at %g Hz: %.4f dB to 16 kHz, %.4f dB to 20 kHz", name, r.rate, low, all)
			if low > r.to16k || all > r.to20k {
				t.Errorf("%s at %g Hz: off by %.3f dB to 16 kHz (allowed %g), %.3f dB to 20 kHz (allowed %g)", name, r.rate, low, r.to16k, all, r.to20k)
			}
		}
	}
}
