//go:build linux

package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"math/cmplx"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/dsp/fourier"

	"cushwright/config"
	"cushwright/dsp"
	"cushwright/platform/soundtest"
)

const earsApart = `reference = "woven"
headroom_db = "auto"

[[band]]
shape = "low-shelf"
freq_hz = 105
gain_db = 5.5
q = 0.7

[[band]]
shape = "bell"
ear = "left"
freq_hz = 240
gain_db = -7.5
q = 0.8

[[band]]
shape = "bell"
ear = "right"
freq_hz = 240
gain_db = -6.0
q = 0.9

[[band]]
shape = "bell"
ear = "left"
freq_hz = 1050
gain_db = 3.5
q = 1.4

[[band]]
shape = "bell"
ear = "right"
freq_hz = 4100
gain_db = 4.0
q = 2.5

[[band]]
shape = "high-shelf"
freq_hz = 9000
gain_db = -3.0
q = 0.7
`

// sweep is one period of an exponential sweep (A. Farina, AES 108, 2000) from 10 Hz to 0.48 of the rate, faded at its
// ends and followed by silence, and its spectrum. Its transfer is the same when clocks differ by some ppm: the engine's
// drift resampler may follow its servo while it is measured.
func sweep(n, rate int) (period []float64, spectrum []complex128) {
	period = make([]float64, n)
	m := n * 3 / 4
	f1, f2 := 10.0, 0.48*float64(rate)
	l := float64(m) / float64(rate) / math.Log(f2/f1)
	for i := range m {
		w := min(1, float64(i)/float64(m/40), float64(m-i)/float64(m/400))
		period[i] = 0.25 * (0.5 - 0.5*math.Cos(math.Pi*w)) * math.Sin(2*math.Pi*f1*l*(math.Exp(float64(i)/float64(rate)/l)-1))
	}
	return period, fourier.NewFFT(n).Coefficients(nil, period)
}

// sosfreqz is scipy's response, in dB, of sections b0 b1 b2 a1 a2 at the frequencies.
func sosfreqz(t *testing.T, sections [][5]float64, hz []float64, rateHz int) []float64 {
	t.Helper()
	in, err := json.Marshal(map[string]any{"sos": sections, "hz": hz, "rate": rateHz})
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command("/usr/bin/python3", "-c", `
import json, sys, numpy as np
from scipy.signal import sosfreqz
d = json.load(sys.stdin)
sos = np.array([[s[0], s[1], s[2], 1.0, s[3], s[4]] for s in d["sos"]])
w = 2*np.pi*np.array(d["hz"])/d["rate"]
print(json.dumps(list(20*np.log10(abs(sosfreqz(sos, w)[1])))))`)
	c.Stdin = bytes.NewReader(in)
	out, err := c.Output()
	if err != nil {
		t.Fatalf("scipy: %v", err)
	}
	var db []float64
	if err := json.Unmarshal(out, &db); err != nil {
		t.Fatal(err)
	}
	return db
}

// printed reads what "show --coefficients" prints.
func printed(t *testing.T, text string) (sections [2][][5]float64, headroomDB float64) {
	t.Helper()
	for _, line := range strings.Split(text, "\n") {
		if v, ok := strings.CutPrefix(line, "# headroom_db: "); ok {
			headroomDB, _ = strconv.ParseFloat(v, 64)
		}
		f := strings.Split(line, ",")
		if len(f) != 7 || f[0] == "ear" {
			continue
		}
		var s [5]float64
		for i := range s {
			v, err := strconv.ParseFloat(f[2+i], 64)
			if err != nil {
				t.Fatal(err)
			}
			s[i] = v
		}
		e := map[string]int{"left": 0, "right": 1}[f[0]]
		sections[e] = append(sections[e], s)
	}
	return sections, headroomDB
}

func TestLiveResponse(t *testing.T) {
	onBoth(t, func(t *testing.T, kind string) {
		for _, rate := range []int{44100, 48000, 96000} {
			t.Run(fmt.Sprint(rate), func(t *testing.T) {
				r := newRig(t, kind, rate)
				r.write("corrections/wipe-clean.toml", earsApart)
				r.start()
				const n = 1 << 17
				period, x := sweep(n, rate)
				i := 0
				p := r.PlayFunc("", rate, func() (float32, float32, bool) {
					v := float32(period[i%n])
					i++
					return v, v, true
				})
				defer p.Stop()
				rec := r.Record("phones.monitor", rate)
				settle := rate * 5 / 2
				sections, headroom := printed(t, r.must("show", "wipe-clean", "--coefficients", "--rate", fmt.Sprint(rate)))
				var hz []float64
				var bins []int
				for k := 1; k < n/2; k++ {
					if f := float64(k) * float64(rate) / n; f >= 20 && f <= 20000 {
						hz, bins = append(hz, f), append(bins, k)
					}
				}
				analog, err := config.ParseCorrection("wipe-clean.toml", "wipe-clean", []byte(earsApart))
				if err != nil {
					t.Fatal(err)
				}
				got, dirty := transfer(t, rec, settle, n, x, bins)
				rec.Stop()
				if dirty > 0 {
					t.Logf("%d pairs of periods did not agree: breaks, passed over", dirty)
				}
				for e := range 2 {
					want := sosfreqz(t, sections[e], hz, rate)
					worst, at, worstAnalog, atAnalog := 0.0, 0.0, 0.0, 0.0
					for j := range bins {
						got := got[e][j]
						if d := math.Abs(got - want[j] - headroom); d > worst {
							worst, at = d, hz[j]
						}
						if d := math.Abs(got - headroom - analog.Correction.AnalogDB([]dsp.Ear{dsp.Left, dsp.Right}[e], hz[j])); d > worstAnalog {
							worstAnalog, atAnalog = d, hz[j]
						}
					}
					t.Logf("%s ear: against scipy sosfreqz %.5f dB at %.0f Hz; against the analog prototypes %.4f dB at %.0f Hz",
						[]string{"left", "right"}[e], worst, at, worstAnalog, atAnalog)
					if worst > 0.05 {
						t.Errorf("the %d ear's response is off by %.4f dB at %.0f Hz, allowed: 0.05", e, worst, at)
					}
				}
				r.stop()
				if got := r.DefaultSink(); got != "phones" {
					t.Errorf("after stop the default is %q", got)
				}
			})
		}
	})
}

// transfer is the level of the steady signal's bins in a recording, both ears, from the first two successive periods
// that agree to 0.02 dB: a break in one of them (in the player, the server or the engine; continuity is another test's
// matter) would show as a difference.
func transfer(t *testing.T, rec *soundtest.Recording, settle, n int, x []complex128, bins []int) (db [2][]float64, dirty int) {
	t.Helper()
	fft := fourier.NewFFT(n)
	var last [2][]float64
	for at := settle; ; at += n {
		for end := time.Now().Add(10 * time.Second); rec.Frames() < at+n; time.Sleep(20 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatalf("the recording stopped at %d frames", rec.Frames())
			}
		}
		y := rec.Samples()[2*at : 2*(at+n)]
		worst := 0.0
		for e := range 2 {
			in := make([]float64, n)
			for i := range in {
				in[i] = float64(y[2*i+e])
			}
			out := fft.Coefficients(nil, in)
			db[e] = make([]float64, len(bins))
			for j, k := range bins {
				db[e][j] = dsp.DB(cmplx.Abs(out[k]) / cmplx.Abs(x[k]))
				if last[e] != nil {
					worst = max(worst, math.Abs(db[e][j]-last[e][j]))
				}
			}
		}
		if last[0] != nil {
			if worst < 0.02 {
				return db, dirty
			}
			if dirty++; dirty > 8 {
				t.Fatalf("no two undisturbed periods: the last two differ by %.2f dB", worst)
			}
		}
		last = db
	}
}
