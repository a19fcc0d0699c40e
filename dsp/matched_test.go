package dsp

import (
	"math"
	"math/rand/v2"
	"testing"

	"cushwright/dsp/testrun"
)

// scale lengthens random tests: CUSHWRIGHT_LONG=1 runs ten times as many cases.
func scale(n int) int {
	if testrun.Long() {
		return 10 * n
	}
	return n
}

func randomBand(r *rand.Rand, sh Shape) Band {
	b := Band{Shape: sh, FreqHz: MinFreqHz * math.Pow(MaxFreqHz/MinFreqHz, r.Float64()), Q: MinQ * math.Pow(MaxQ/MinQ, r.Float64())}
	if r.IntN(3) == 0 { // the top decade is where designs differ
		b.FreqHz = 2000 * math.Pow(10, r.Float64())
	}
	if sh.HasGain() {
		b.GainDB = MaxGainDB * (2*r.Float64() - 1)
	}
	return b
}

func geometric(lo, hi float64, n int) []float64 {
	g := make([]float64, n)
	for i := range g {
		g[i] = lo * math.Pow(hi/lo, float64(i)/float64(n-1))
	}
	g[n-1] = hi
	return g
}

// worstDB is the largest difference to the analog prototype from 20 Hz to topHz, where that is above -60 dB.
func worstDB(ss []Section, b Band, rateHz, topHz float64) float64 {
	w := 0.0
	for f := 20.0; f <= topHz; f *= 1.02 {
		if a := b.AnalogDB(f); a > -60 {
			e := -a
			for _, s := range ss {
				e += s.DB(f, rateHz)
			}
			if e = math.Abs(e); !(e <= w) {
				w = e
			}
		}
	}
	return w
}

// Poles within the unit circle (the stability triangle of a quadratic), zeros within or on it.
func soundSection(s Section) bool {
	tri := func(p1, p2, slack float64) bool { return math.Abs(p2) < 1+slack && math.Abs(p1) < 1+p2+slack }
	for _, c := range []float64{s.B0, s.B1, s.B2, s.A1, s.A2} {
		if math.IsNaN(c) || math.IsInf(c, 0) {
			return false
		}
	}
	return s.B0 > 0 && tri(s.A1, s.A2, 0) && tri(s.B1/s.B0, s.B2/s.B0, 1e-12)
}

var testRates = []float64{44100, 48000, 88200, 96000, 176400, 192000, 384000}

// Every section of the permitted range is stable and minimum phase: a grid over all of it with its corners, and random
// bands. Its level at 0 Hz is exact.
func TestMatchedStableMinimumPhase(t *testing.T) {
	check := func(b Band, rate float64) {
		t.Helper()
		s := mustMatched(t, b, rate)
		if !soundSection(s) {
			t.Errorf("%+v at %g Hz: %+v", b, rate, s)
		}
		if dc := 0.0; b.Shape != LowCut {
			if b.Shape == LowShelf {
				dc = b.GainDB
			}
			if g := s.DB(0, rate); math.Abs(g-dc) > 1e-5 {
				t.Errorf("%+v at %g Hz: %g dB at 0 Hz, want %g", b, rate, g, dc)
			}
		}
		if bl := mustBilinear(t, b, rate); !soundSection(bl) {
			t.Errorf("bilinear %+v at %g Hz: %+v", b, rate, bl)
		}
	}
	for _, rate := range testRates {
		for _, sh := range Shapes {
			for _, f := range geometric(MinFreqHz, MaxFreqHz, scale(6)) {
				for _, q := range geometric(MinQ, MaxQ, scale(3)/3+2) {
					if !sh.HasGain() {
						check(Band{Shape: sh, FreqHz: f, Q: q}, rate)
						continue
					}
					for _, g := range []float64{-24, -0.01, 0, 6, 24} {
						check(Band{Shape: sh, FreqHz: f, Q: q, GainDB: g}, rate)
					}
				}
			}
		}
	}
	r := rand.New(rand.NewPCG(1, 1))
	for range scale(600) {
		check(randomBand(r, Shapes[r.IntN(len(Shapes))]), MinRateHz+(MaxRateHz-MinRateHz)*r.Float64()*r.Float64())
	}
}

func TestMatchedCutInvertsBoost(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 1))
	for range 100 {
		b := randomBand(r, Shapes[r.IntN(3)])
		c := b
		c.GainDB = -b.GainDB
		x, y := mustMatched(t, b, 48000), mustMatched(t, c, 48000)
		for _, f := range []float64{30, 1000, 9000, 19000} {
			if d := x.DB(f, 48000) + y.DB(f, 48000); math.Abs(d) > 1e-9 {
				t.Fatalf("%+v and its inverse leave %g dB at %g Hz", b, d, f)
			}
		}
	}
}

// Every band of the permitted range against the analog prototype of the Audio EQ Cookbook. The bounds are this design's
// own. Half the cases lie high in the band, where the transform to discrete time is hard.
func TestRealise(t *testing.T) {
	for _, c := range []struct {
		rate, bound float64
	}{{44100, 0.5}, {48000, 0.5}, {96000, 0.3}, {192000, 0.03}} {
		r := rand.New(rand.NewPCG(3, 1))
		for _, sh := range Shapes {
			worst, at, pairs := 0.0, Band{}, 0
			check := func(b Band) {
				ss, err := Realise(b, c.rate)
				if err != nil {
					t.Fatal(err)
				}
				for _, s := range ss {
					if !soundSection(s) {
						t.Errorf("%+v at %g Hz: %+v", b, c.rate, s)
					}
				}
				if len(ss) > 1 {
					pairs++
				}
				if e := worstDB(ss, b, c.rate, 20000); !(e <= worst) {
					worst, at = e, b
				}
			}
			n := scale(40)
			for range n {
				check(randomBand(r, sh))
			}
			for _, f := range []float64{20, 5000, 8000, 12000, 16000, 20000} { // the corners
				for _, q := range []float64{0.1, 1, 5, 20} {
					check(Band{Shape: sh, FreqHz: f, Q: q, GainDB: -24})
				}
			}
			t.Logf("%g Hz %v: worst %.3f dB; %d of %d by two sections", c.rate, sh, worst, pairs, n+24)
			if !(worst <= c.bound) {
				t.Errorf("%g Hz %v: %.3f dB with %+v, allowed %g", c.rate, sh, worst, at, c.bound)
			}
		}
	}
}

// One section is enough for everything but what withinSingle leaves out.
func TestMatchedSingleSection(t *testing.T) {
	for _, rate := range []float64{44100, 48000} {
		r := rand.New(rand.NewPCG(3, 2))
		for range scale(200) {
			b := randomBand(r, Shapes[r.IntN(len(Shapes))])
			if !withinSingle(b) {
				continue
			}
			if e := worstDB([]Section{mustMatched(t, b, rate)}, b, rate, 20000); !(e <= 0.5) {
				t.Errorf("%+v at %g Hz: %.3f dB", b, rate, e)
			}
		}
	}
}

func withinSingle(b Band) bool {
	switch b.Shape {
	case LowShelf, HighShelf, LowCut:
		return b.Q <= 2.5 || b.FreqHz < 3000
	case Notch:
		return b.FreqHz < 18500
	}
	return true
}

func randomCorrection(r *rand.Rand, bands int) []Band {
	bs := []Band{
		{Shape: LowShelf, FreqHz: 60 + 120*r.Float64(), GainDB: 12*r.Float64() - 6, Q: 0.5 + 0.5*r.Float64()},
		{Shape: HighShelf, FreqHz: 5000 + 7000*r.Float64(), GainDB: 12*r.Float64() - 6, Q: 0.5 + 0.5*r.Float64()},
	}
	for len(bs) < bands {
		bs = append(bs, Band{Shape: Bell, Ear: Ear(r.IntN(3)), FreqHz: 30 * math.Pow(18000.0/30, r.Float64()),
			GainDB: 20*r.Float64() - 10, Q: 0.5 * math.Pow(12, r.Float64())})
	}
	return bs
}

func TestMatchedWholeCorrection(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 1))
	for n := range 20 {
		bs := randomCorrection(r, 10)
		c, err := NewCorrection(bs, AutoHeadroom)
		if err != nil {
			t.Fatal(err)
		}
		for _, k := range []struct{ rate, to16, to20 float64 }{
			{44100, 0.2, 0.5}, {48000, 0.2, 0.5}, {96000, 0.02, 0.02}, {192000, 0.02, 0.02}} {
			ch, err := c.Compile(k.rate, Options{})
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range []Ear{Left, Right} {
				var w16, w20 float64
				for f := 20.0; f <= 20000; f *= 1.01 {
					d := math.Abs(ch.DB(e, f) - c.AnalogDB(e, f))
					w20 = max(w20, d)
					if f <= 16000 {
						w16 = max(w16, d)
					}
				}
				if w16 > k.to16 || w20 > k.to20 {
					t.Errorf("correction %d, %v ear at %g Hz: %.3f dB to 16 kHz, %.3f dB to 20 kHz", n, e, k.rate, w16, w20)
				}
			}
		}
	}
}
