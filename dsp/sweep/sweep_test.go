package sweep

import (
	"encoding/json"
	"fmt"
	"math"
	"os/exec"
	"strings"
	"testing"

	"cushwright/dsp/testrun"
)

// worst is the largest difference between response and path from lo to hi, NaN points counted separately.
func worst(r *Response, want func(float64) float64, lo, hi float64) (db, at float64, unusable int) {
	for i, f := range r.FreqHz {
		if f < lo || f > hi {
			continue
		}
		if math.IsNaN(r.LevelDB[i]) {
			unusable++
			continue
		}
		if d := math.Abs(r.LevelDB[i] - want(f)); d > db {
			db, at = d, f
		}
	}
	return
}

func measure(t *testing.T, rec []float64, s Spec) *Response {
	t.Helper()
	r, err := Deconvolve(rec, s)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func near1(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: got %.9g, want %.9g ± %g", what, got, want, tol)
	}
}

// Sources: A. Farina, AES 108 (2000); A. Novak et al., JAES 63 (2015), figures computed from their formulas.
func TestGrowth(t *testing.T) {
	s := Spec{StartHz: 20, EndHz: 20000, Seconds: 10, RateHz: 48000, TrailSeconds: 1}
	near1(t, "L", s.GrowthSeconds(), 1.447648, 5e-7)
	for n, want := range map[int]float64{2: 1.003433, 3: 1.590404, 4: 2.006867, 5: 2.329900} {
		near1(t, fmt.Sprintf("lead of harmonic %d", n), s.HarmonicLeadSeconds(n), want, 5e-7)
	}
	s.Synchronised = true
	near1(t, "L synchronised", s.GrowthSeconds(), 1.45, 1e-12)
	near1(t, "T synchronised", s.DurationSeconds(), 10.016245, 5e-7)
}

// python runs a script and reads what it prints as JSON.
func python(t *testing.T, script string, into any) {
	t.Helper()
	out, err := exec.Command("/usr/bin/python3", "-c", script).Output()
	if err != nil {
		t.Fatalf("scipy is needed: %v", err)
	}
	if err := json.Unmarshal(out, into); err != nil {
		t.Fatal(err)
	}
}

// The signal against scipy.signal.chirp(method="logarithmic"), which is an independent implementation of Farina's sweep.
func TestSignalAgainstScipy(t *testing.T) {
	s := Spec{StartHz: 20, EndHz: 20000, Seconds: 2, RateHz: 48000, LevelDB: -6, LeadSeconds: 0.1, TrailSeconds: 0.2}
	var want []float64
	python(t, `
import numpy as np, scipy.signal as S, json
t = np.arange(96000)/48000
print(json.dumps(list((10**(-6/20)*S.chirp(t, 20, 2, 20000, method="logarithmic", phi=-90))[::97])))`, &want)
	x := s.Signal()
	if len(x) != 4800+96000+9600 {
		t.Fatalf("length %d", len(x))
	}
	for i, w := range want {
		if math.Abs(x[4800+97*i]-w) > 1e-8 {
			t.Fatalf("sample %d: %.12f, scipy %.12f", 97*i, x[4800+97*i], w)
		}
	}
	for _, i := range []int{0, 4799, 4800, 4800 + 96000, len(x) - 1} {
		near1(t, "silence", x[i], 0, 1e-12)
	}
}

// A synchronised sweep is, L·ln n later, the phase of its own harmonic n.
func TestSynchronised(t *testing.T) {
	s := Default(48000)
	l := s.GrowthSeconds()
	phase := func(t float64) float64 { return s.StartHz * l * math.Exp(t/l) } // turns
	for n := 2; n <= 5; n++ {
		for _, at := range []float64{0.1, 1, 2.5} {
			d := float64(n)*phase(at) - phase(at+s.HarmonicLeadSeconds(n))
			near1(t, "turns", d-math.Round(d), 0, 1e-7)
		}
	}
	near1(t, "whole turns at the start", s.StartHz*l, math.Round(s.StartHz*l), 1e-9)
}

func TestSpecCheck(t *testing.T) {
	for _, s := range []Spec{Default(44100), Default(48000), Default(192000), Short(44100), Short(48000)} {
		if err := s.Check(); err != nil {
			t.Error(err)
		}
	}
	if s := Short(48000); float64(len(s.Signal())) > 1.5*48000 {
		t.Errorf("the short sweep takes %d frames", len(s.Signal()))
	}
	for want, change := range map[string]func(*Spec){
		`"rate"`: func(s *Spec) { s.RateHz = math.NaN() }, `"start"`: func(s *Spec) { s.StartHz = 0 },
		`"end"`: func(s *Spec) { s.EndHz = 24000 }, `"level"`: func(s *Spec) { s.LevelDB = 1 },
		`"length"`: func(s *Spec) { s.Seconds = math.Inf(1) }, `"fade"`: func(s *Spec) { s.FadeSeconds = 2 },
		`"trail"`: func(s *Spec) { s.TrailSeconds = 0 }, `"lead"`: func(s *Spec) { s.LeadSeconds = -1 },
	} {
		s := Default(48000)
		change(&s)
		if err := s.Check(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: got %v", want, err)
		}
		if s.Signal() != nil {
			t.Errorf("%s: a signal all the same", want)
		}
		if _, err := Deconvolve(make([]float64, 10), s); err == nil {
			t.Errorf("%s: deconvolved all the same", want)
		}
	}
}

func TestRecoversKnownResponse(t *testing.T) {
	if racing {
		testrun.LeftOut(t, "half of the known responses and up to three quarters of the random cases of dsp/sweep", "the race detector makes them slow")
	}
	for _, c := range []struct{ rate, snrDB, tolDB, seconds float64 }{
		{48000, 60, 0.1, 5}, {48000, 30, 0.5, 5}, {44100, 60, 0.1, 2}, {96000, 60, 0.1, 1.5}}[:count(2, 4, 4)] {
		s := Default(c.rate)
		s.Seconds = seconds(c.seconds)
		p := booth()
		r := measure(t, addNoise(p.play(s.Signal(), c.rate, int(c.rate/2)), c.snrDB, newRand(1)), s)
		db, at, bad := worst(r, p.db, 19.9, 20001)
		t.Logf("%g Hz, %g dB: worst %.4f dB at %.0f Hz; delay %.3f ms, clock %.2f ppm, window %.3f s, octaves %.0f dB",
			c.rate, c.snrDB, db, at, r.DelaySeconds*1e3, r.ClockPPM, r.WindowSeconds, r.OctaveSNRDB)
		if db > c.tolDB || bad > 0 {
			t.Errorf("%g Hz, %g dB: off by %.3f dB at %.0f Hz, %d points unusable", c.rate, c.snrDB, db, at, bad)
		}
		if len(r.Findings) > 0 {
			t.Errorf("findings in a good seat: %v", r.Findings)
		}
		near1(t, "delay", r.DelaySeconds, p.delay, 1e-4)
		// Same clock, so the phase too is right, counted from the frame that stands for the delay.
		for _, f := range []float64{500, 1000, 4000, 8000} {
			i := nearest(f)
			want := math.Atan2(imag(p.at(r.FreqHz[i])), real(p.at(r.FreqHz[i]))) - 2*math.Pi*r.FreqHz[i]*(p.delay-r.DelaySeconds)
			d := math.Remainder(r.PhaseDeg[i]*math.Pi/180-want, 2*math.Pi)
			near1(t, fmt.Sprintf("phase at %g Hz", f), d, 0, 0.03*math.Pow(10, (60-c.snrDB)/40))
		}
	}
}

// Sources: the amplitudes follow from sin² and sin³; end to end they were confirmed with scipy.
func TestHarmonics(t *testing.T) {
	s := Default(48000)
	s.Seconds = 2
	s.LevelDB = 0
	x := s.Signal()
	y := distort(x, 1)
	r := measure(t, addNoise(append(y, make([]float64, 24000)...), 80, newRand(2)), s)
	i := nearest(2000)
	near1(t, "fundamental at 2 kHz", math.Pow(10, r.LevelDB[i]/20), 1.0375, 0.001)
	near1(t, "second harmonic at 2 kHz", r.HarmonicRatio[0][i], 0.05, 0.0005)
	near1(t, "third harmonic at 2 kHz", r.HarmonicRatio[1][i], 0.0125, 0.0002)
	for n := 2; n < 4; n++ {
		if v := r.HarmonicRatio[n][i]; v > 0.0002 {
			t.Errorf("harmonic %d of nothing: %g", n+2, v)
		}
	}
	for _, f := range []float64{100, 500, 1000, 4000, 6000} {
		i := nearest(f)
		near1(t, fmt.Sprintf("second harmonic at %g Hz", f), r.HarmonicRatio[0][i], 0.05, 0.001)
		near1(t, fmt.Sprintf("third harmonic at %g Hz", f), r.HarmonicRatio[1][i], 0.0125, 0.0005)
	}
	db, at, bad := worst(r, func(float64) float64 { return 20 * math.Log10(1.0375) }, 19.9, 20001)
	t.Logf("linear response: worst %.4f dB at %.0f Hz", db, at)
	if db > 0.1 || bad > 0 {
		t.Errorf("linear response off by %.3f dB at %.0f Hz, %d unusable", db, at, bad)
	}
	d, floor := r.Distortion(1000)
	near1(t, "distortion at 1 kHz", d, math.Hypot(0.05, 0.0125)/1.0375, 0.001)
	if floor > 0.001 {
		t.Errorf("floor of the distortion %g", floor)
	}
}

// Behind a real path the harmonics made ahead of it, as by a driver, carry its response at their own frequency.
func TestDistortionThroughPath(t *testing.T) {
	s := Default(48000)
	s.Seconds = seconds(2)
	s.LevelDB = -20
	p := booth()
	r := measure(t, addNoise(p.play(distort(s.Signal(), 0.1), 48000, 24000), 80, newRand(3)), s)
	db, at, bad := worst(r, func(f float64) float64 { return p.db(f) + 20*math.Log10(1.0375) }, 19.9, 20001)
	if db > 0.1 || bad > 0 || len(r.Findings) > 0 {
		t.Errorf("off by %.3f dB at %.0f Hz, %d unusable, %v", db, at, bad, r.Findings)
	}
	for _, f := range []float64{200, 1000, 3000} {
		i := nearest(f)
		f = r.FreqHz[i]
		near1(t, "second harmonic dB", 20*math.Log10(r.HarmonicRatio[0][i]/0.05), p.db(2*f), 0.2)
		near1(t, "third harmonic dB", 20*math.Log10(r.HarmonicRatio[1][i]/0.0125), p.db(3*f), 0.3)
	}
}

func TestClockDifference(t *testing.T) {
	p := booth()
	for _, c := range []struct{ ppm, seconds float64 }{{200, 5}, {-300, 2}}[:count(1, 2, 2)] {
		s := Default(48000)
		s.Seconds = seconds(c.seconds)
		// Played by a faster clock: the same sweep in seconds, sampled in wider steps.
		fast := s
		fast.RateHz = s.RateHz / (1 + c.ppm*1e-6)
		rec := addNoise(p.play(fast.Signal(), 48000, 24000), 60, newRand(4))
		r := measure(t, rec, s)
		db, at, bad := worst(r, p.db, 19.9, 16000)
		t.Logf("%g ppm: found %.2f, worst %.4f dB at %.0f Hz", c.ppm, r.ClockPPM, db, at)
		if db > 0.1 || bad > 0 || len(r.Findings) > 0 {
			t.Errorf("%g ppm: off by %.3f dB at %.0f Hz, %d unusable, %v", c.ppm, db, at, bad, r.Findings)
		}
		near1(t, "clock", r.ClockPPM, c.ppm, s.sameClockPPM())
	}
	s := Default(48000)
	s.Seconds = seconds(2)
	fast := s
	fast.RateHz = s.RateHz / (1 + 400e-6)
	r := measure(t, p.play(fast.Signal(), 48000, 24000), s)
	if !has(r, ClockOff) {
		t.Errorf("400 ppm (%.1f found) pass without a word", r.ClockPPM)
	}
}

// The transform at one frequency, and its interpolation, against the sum as defined.
func TestSpectrum(t *testing.T) {
	x := make([]float64, 5000)
	for i := range x {
		x[i] = math.Exp(-math.Abs(float64(i-1000))/300) * math.Cos(float64(i)*0.3)
	}
	s := newSpectrum(x, 48000)
	for _, f := range []float64{20, 97, 1000, 2291, 7000} {
		var re, im float64
		for i, v := range x {
			sin, cos := math.Sincos(2 * math.Pi * f / 48000 * float64(i-1000))
			re, im = re+v*cos, im-v*sin
		}
		for name, got := range map[string]complex128{"at": s.at(f, 1000), "near": s.near(f, 1000)} {
			tol := 1e-7
			if name == "near" {
				tol = 0.01 * math.Hypot(re, im)
			}
			near1(t, name+" real", real(got), re, tol)
			near1(t, name+" imaginary", imag(got), im, tol)
		}
	}
}

// The interpolation against sines whose values are known.
func TestResample(t *testing.T) {
	for _, f := range []float64{100, 5000, 20000} {
		x := make([]float64, 8000)
		for i := range x {
			x[i] = math.Sin(2 * math.Pi * f / 48000 * float64(i))
		}
		for _, ratio := range []float64{1.0003, 0.9998, 1} {
			for i, v := range resample(x, ratio) {
				if i < 60 || i > 7900 {
					continue
				}
				if want := math.Sin(2 * math.Pi * f / 48000 * float64(i) * ratio); math.Abs(v-want) > 1e-5 {
					t.Fatalf("%g Hz, ratio %g, frame %d: %g, want %g", f, ratio, i, v, want)
				}
			}
		}
	}
}

// Where the noise is louder than the sweep there is no level; where it is not, there is.
func TestUnusablePointsAreNotGuessed(t *testing.T) {
	s := Default(48000)
	s.Seconds = seconds(2)
	p := booth()
	p.sections = append(p.sections, second{6000, 0, 0, 1, 1, 0.1, 1}, second{6000, 0, 0, 1, 1, 0.1, 1}, second{6000, 0, 0, 1, 1, 0.1, 1})
	r := measure(t, addNoise(p.play(s.Signal(), 48000, 24000), 40, newRand(11)), s)
	if i := nearest(40); !math.IsNaN(r.LevelDB[i]) || r.SNRDB[i] >= UsableSNRDB {
		t.Errorf("40 Hz, far below the noise: %.1f dB with %.1f dB to noise", r.LevelDB[i], r.SNRDB[i])
	}
	if i := nearest(6000); math.IsNaN(r.LevelDB[i]) {
		t.Errorf("6 kHz, far above the noise, unusable: %.1f", r.SNRDB[i])
	}
	for i, f := range r.FreqHz {
		// The error that noise of that ratio gives: 6.14 dB·(noise/signal amplitude) standard deviation.
		if d, sd := math.Abs(r.LevelDB[i]-p.db(f)), 6.14*math.Pow(10, -r.SNRDB[i]/20); d > 0.4+4*sd {
			t.Errorf("%.0f Hz counts as usable with %.1f dB to noise and is off by %.1f dB", f, r.SNRDB[i], d)
		}
	}
	if !has(r, Noisy) && !has(r, Unusable) {
		t.Error("not a word about it")
	}
}

func TestNotFinite(t *testing.T) {
	s := Short(48000)
	x := s.Signal()
	for _, v := range []float64{math.NaN(), math.Inf(-1)} {
		x[3000] = v
		if _, err := Deconvolve(x, s); err == nil || !strings.Contains(err.Error(), "sample 3000") {
			t.Errorf("%g: %v", v, err)
		}
	}
}

func TestSameRecordingSameAnswer(t *testing.T) {
	s := Short(48000)
	rec := addNoise(booth().play(s.Signal(), 48000, 12000), 40, newRand(12))
	a, b := measure(t, rec, s), measure(t, rec, s)
	if fmt.Sprint(*a) != fmt.Sprint(*b) {
		t.Error("two answers")
	}
	db, at, _ := worst(a, booth().db, 30, 16000)
	t.Logf("short sweep at 40 dB: worst %.3f dB at %.0f Hz, clock %.1f", db, at, a.ClockPPM)
	if db > 0.5 {
		t.Errorf("short sweep off by %.2f dB at %.0f Hz", db, at)
	}
}

func FuzzDeconvolve(f *testing.F) {
	s := Spec{StartHz: 50, EndHz: 3900, Seconds: 0.1, RateHz: 8000, TrailSeconds: 0.1, FadeSeconds: 0.005}
	x := s.Signal()
	raw := make([]byte, len(x))
	for i, v := range x {
		raw[i] = byte(int8(100 * v))
	}
	f.Add(raw)
	f.Add([]byte{})
	f.Add(raw[:900])
	f.Fuzz(func(t *testing.T, raw []byte) {
		rec := make([]float64, len(raw))
		for i, b := range raw {
			rec[i] = float64(int8(b)) / 128
		}
		if r, err := Deconvolve(rec, s); err == nil && len(r.LevelDB) != gridPoints {
			t.Fatal("a response without its points")
		}
	})
}
