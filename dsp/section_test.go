package dsp

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

func near(t *testing.T, what string, got, want Section, tol float64) {
	t.Helper()
	g, w := [5]float64{got.B0, got.B1, got.B2, got.A1, got.A2}, [5]float64{want.B0, want.B1, want.B2, want.A1, want.A2}
	for i := range g {
		if !(math.Abs(g[i]-w[i]) <= tol) {
			t.Errorf("%s: coefficient %d is %.15f, want %.15f", what, i, g[i], w[i])
		}
	}
}

func mustBilinear(t *testing.T, b Band, rateHz float64) Section {
	t.Helper()
	s, err := Bilinear(b, rateHz)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func mustMatched(t *testing.T, b Band, rateHz float64) Section {
	t.Helper()
	s, err := Matched(b, rateHz)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// Values computed from the formulas of R. Bristow-Johnson, "Audio EQ Cookbook", W3C Note, 8 June 2021, at 48 kHz.
func TestBilinearAgainstPublishedFormulas(t *testing.T) {
	for _, c := range []struct {
		b Band
		s Section
	}{
		{Band{Shape: Bell, FreqHz: 1000, GainDB: 6, Q: 1}, Section{1.043953086990, -1.895320723937, 0.867722284760, -1.895320723937, 0.911675371750}},
		{Band{Shape: Bell, FreqHz: 10000, GainDB: 6, Q: 2}, Section{1.145305098259, -0.442064593220, 0.562701331658, -0.442064593220, 0.708006429917}},
		{Band{Shape: LowShelf, FreqHz: 105, GainDB: 5.5, Q: math.Sqrt2 / 2}, Section{1.003094572414, -1.983348213284, 0.980510779106, -1.983408527057, 0.983545037746}},
		{Band{Shape: HighShelf, FreqHz: 8000, GainDB: -4, Q: math.Sqrt2 / 2}, Section{0.739665724473, -0.367563410894, 0.159448628069, -0.737999011332, 0.269549952980}},
		{Band{Shape: HighCut, FreqHz: 1000, Q: math.Sqrt2 / 2}, Section{0.003916126661, 0.007832253321, 0.003916126661, -1.815341082705, 0.831005589347}},
		{Band{Shape: LowCut, FreqHz: 20, Q: math.Sqrt2 / 2}, Section{0.998150511190, -1.996301022381, 0.998150511190, -1.996297601769, 0.996304442993}},
		{Band{Shape: Notch, FreqHz: 1000, Q: 10}, Section{0.993516006935, -1.970032679537, 0.993516006935, -1.970032679537, 0.987032013871}},
	} {
		// The values stand with 12 decimals; half of the last one is allowed for besides 1e-12.
		near(t, fmt.Sprint(c.b), mustBilinear(t, c.b, 48000), c.s, 1.5e-12)
	}
}

func bilinearCases() (bands []Band, rates []float64) {
	for _, rate := range []float64{44100, 48000, 96000, 192000} {
		for _, sh := range Shapes {
			for _, f := range []float64{25, 105, 1000, 10000, 18000} {
				for _, q := range []float64{0.3, 0.7071, 2, 10} {
					for _, g := range []float64{-12, 5.5} {
						b := Band{Shape: sh, FreqHz: f, Q: q}
						if sh.HasGain() {
							b.GainDB = g
						}
						bands, rates = append(bands, b), append(rates, rate)
					}
				}
			}
		}
	}
	return bands, rates
}

// The cookbook's sections are the bilinear transform of its prototypes, so scipy's transform must give them.
func TestBilinearAgainstScipy(t *testing.T) {
	bands, rates := bilinearCases()
	type in struct {
		Shape         string
		F, G, Q, Rate float64
	}
	var ins []in
	for i, b := range bands {
		ins = append(ins, in{b.Shape.String(), b.FreqHz, b.GainDB, b.Q, rates[i]})
	}
	const script = `
import json, sys, math
from scipy.signal import bilinear
out = []
for c in json.load(sys.stdin):
    A, q, k = 10 ** (c["G"] / 40), c["Q"], math.tan(math.pi * c["F"] / c["Rate"])
    r = math.sqrt(A) / q
    n, d = {"bell": ([1, A / q, 1], [1, 1 / (A * q), 1]),
            "low-shelf": ([A, A * r, A * A], [A, r, 1]),
            "high-shelf": ([A * A, A * r, A], [1, r, A]),
            "low-cut": ([1, 0, 0], [1, 1 / q, 1]),
            "high-cut": ([0, 0, 1], [1, 1 / q, 1]),
            "notch": ([1, 0, 1], [1, 1 / q, 1])}[c["Shape"]]
    pre = lambda p: [p[0], p[1] * k, p[2] * k * k]
    b, a = bilinear(pre(n), pre(d), fs=0.5)
    b = [0] * (3 - len(b)) + list(b)
    out.append([b[0], b[1], b[2], a[1], a[2]])
json.dump(out, sys.stdout)
`
	data, _ := json.Marshal(ins)
	cmd := exec.Command("/usr/bin/python3", "-c", script)
	cmd.Stdin = bytes.NewReader(data)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	raw, err := cmd.Output()
	if err != nil {
		t.Fatalf("scipy: %v\n%s", err, stderr.String())
	}
	var outs [][5]float64
	if err := json.Unmarshal(raw, &outs); err != nil || len(outs) != len(bands) {
		t.Fatal(err, len(outs))
	}
	for i, o := range outs {
		near(t, fmt.Sprint(bands[i], rates[i]), mustBilinear(t, bands[i], rates[i]), Section{o[0], o[1], o[2], o[3], o[4]}, 1e-12)
	}
}

func TestBilinearAgainstSox(t *testing.T) {
	re := regexp.MustCompile(`freqz\(\[(.*?)\],\[(.*?)\]`)
	for _, c := range []struct {
		b    Band
		args string
	}{
		{Band{Shape: Bell, FreqHz: 1000, GainDB: 6, Q: 1}, "equalizer 1000 1q 6"},
		{Band{Shape: Bell, FreqHz: 10000, GainDB: -9, Q: 2}, "equalizer 10000 2q -9"},
		{Band{Shape: LowShelf, FreqHz: 105, GainDB: 5.5, Q: 0.7071}, "bass 5.5 105 0.7071q"},
		{Band{Shape: HighShelf, FreqHz: 8000, GainDB: -4, Q: 0.7071}, "treble -4 8000 0.7071q"},
		{Band{Shape: HighCut, FreqHz: 1000, Q: 0.7071}, "lowpass -2 1000 0.7071q"},
		{Band{Shape: LowCut, FreqHz: 20, Q: 0.7071}, "highpass -2 20 0.7071q"},
		{Band{Shape: Notch, FreqHz: 1000, Q: 10}, "bandreject 1000 10q"},
	} {
		raw, err := exec.Command("sox", append(strings.Fields("--plot octave -r 48000 -n -n"), strings.Fields(c.args)...)...).Output()
		var exit *exec.ExitError
		if err != nil && !errors.As(err, &exit) { // sox always reports failure after a plot
			t.Fatalf("sox: %v", err)
		}
		m := re.FindSubmatch(raw)
		if m == nil {
			t.Fatalf("sox %s: no coefficients in %q", c.args, raw)
		}
		var v []float64
		for _, f := range strings.Fields(string(m[1]) + " " + string(m[2])) {
			x, err := strconv.ParseFloat(f, 64)
			if err != nil {
				t.Fatal(err)
			}
			v = append(v, x)
		}
		if len(v) != 6 {
			t.Fatalf("sox %s: %v", c.args, v)
		}
		near(t, c.args, mustBilinear(t, c.b, 48000), Section{v[0], v[1], v[2], v[4], v[5]}, 1e-12)
	}
}
