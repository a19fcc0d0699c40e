package fit

import (
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"cushwright/dsp"
	"cushwright/dsp/curve"
	"cushwright/dsp/fit/invented"
	"cushwright/dsp/testrun"
)

// randomBands is an invented correction of n bands, a shelf at each end.
func randomBands(rng *rand.Rand, n int) []dsp.Band {
	between := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	gain := func() float64 { return math.Copysign(between(1, 5), rng.Float64()-0.5) }
	bands := []dsp.Band{
		{Shape: dsp.LowShelf, FreqHz: between(60, 150), GainDB: gain(), Q: 0.7},
		{Shape: dsp.HighShelf, FreqHz: between(5000, 9000), GainDB: gain(), Q: 0.7},
	}
	for i := range n - 2 {
		f := 50 * math.Pow(200, (float64(i)+between(0.1, 0.9))/float64(n-2))
		bands = append(bands, dsp.Band{Shape: dsp.Bell, FreqHz: f, GainDB: gain(), Q: between(0.7, 4)})
	}
	return bands
}

func responseOf(bands []dsp.Band) curve.Curve {
	return curve.FromFunc(func(f float64) float64 {
		s := 0.0
		for _, b := range bands {
			s += b.AnalogDB(f)
		}
		return s
	})
}

func rmsDB(a, b []float64) float64 {
	m := 0.0
	for i := range a {
		m += (a[i] - b[i]) / float64(len(a))
	}
	s := 0.0
	for i := range a {
		d := a[i] - b[i] - m
		s += d * d
	}
	return math.Sqrt(s / float64(len(a)))
}

func mustMean(t testing.TB, c ...curve.Curve) curve.Average {
	t.Helper()
	a, err := curve.Mean(c)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// TestRoundTrip gives corrections' own responses as seats, at gains of their own, and finds them again.
func TestRoundTrip(t *testing.T) {
	if racing {
		testrun.LeftOut(t, "up to three quarters of the random cases of dsp/fit", "the race detector makes a fit ten times slower")
	}
	for seed := range count(1, 4, 40) {
		rng := rand.New(rand.NewPCG(seed, 7))
		bands := randomBands(rng, 10)
		want := responseOf(bands)
		ref := curve.FromFunc(func(f float64) float64 { return 90 + 5*math.Sin(math.Log(f)) })
		new := ref.Minus(want)
		d := curve.Difference(mustMean(t, ref, ref.Shift(3), ref.Shift(-2)), mustMean(t, new.Shift(1), new, new.Shift(7)))
		o := Options{Bands: 10, MaxBoostDB: 24, FullTreble: true}
		r, err := Derive(TargetOf(dsp.Both, d), o)
		if err != nil {
			t.Fatal(err)
		}
		got := rmsDB(responseOf(r.Bands).LevelDB, want.LevelDB)
		t.Logf("seed %d: %.4f dB RMS, %d bands", seed, got, len(r.Bands))
		if got > 0.02 || len(r.Bands) > 10 {
			t.Errorf("seed %d: found again to %.4f dB RMS with %d bands", seed, got, len(r.Bands))
		}
	}
}

// TestSeatGainChangesNothing: the gain of one seat has no say in the bands.
func TestSeatGainChangesNothing(t *testing.T) {
	ref, new := invented.NewPair(5).Seats(5)
	derive := func() Result {
		r, err := Derive(TargetOf(dsp.Left, curve.Difference(mustMean(t, ref...), mustMean(t, new...))), Options{Bands: 8, GainStepDB: 0.1, QStep: 0.01, FreqStepHz: 1})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	a := derive()
	ref[2] = ref[2].Shift(6)
	new[0] = new[0].Shift(-11.3)
	b := derive()
	if !reflect.DeepEqual(a.Bands, b.Bands) {
		t.Errorf("bands changed with a seat's gain:\n%v\n%v", a.Bands, b.Bands)
	}
	if len(a.Bands) == 0 || a.Bands[0].Ear != dsp.Left {
		t.Errorf("no bands for the left ear: %v", a.Bands)
	}
}

// TestAgainstTheTruth derives from five noisy seats each and judges by the difference without noise: lower error than an
// unweighted fit and than a fit of the plain average that believes every detail, on at least 18 of 20 cases. The error
// is the RMS over log frequency to 16 kHz, where couplers end (IEC 60318-4), levels aside.
func TestAgainstTheTruth(t *testing.T) {
	bands := 6
	if long() {
		bands = 10
	}
	even := make([]float64, curve.Points)
	for i := range curve.Index(16000) {
		even[i] = 1 / float64(curve.Index(16000))
	}
	cases := count(5, 20, 20)
	unweighted, plain := uint64(0), uint64(0)
	var sums [3]float64
	for seed := range cases {
		p := invented.NewPair(seed + 300)
		tg := pairTarget(t, p, 5)
		truth := p.WantDB()
		fitError := func(tg Target, o Options) float64 {
			o.Bands = bands
			r, err := Derive(tg, o)
			if err != nil {
				t.Fatal(err)
			}
			e, _ := residual(truth, responseOf(r.Bands).LevelDB, even, false)
			return e.RMSDB
		}
		a := fitError(tg, Options{})
		b := fitError(Target{WantDB: tg.WantDB}, Options{})
		c := fitError(Target{WantDB: tg.WantDB, SpreadDB: tg.SpreadDB}, Options{EveryDetail: true, FullTreble: true, MaxBoostDB: 24})
		for i, e := range []float64{a, b, c} {
			sums[i] += e / float64(cases)
		}
		if a < b {
			unweighted++
		}
		if a < c {
			plain++
		}
	}
	t.Logf("%d bands: better than an unweighted fit on %d of %d, than the plain average on %d; mean errors %.2f, %.2f, %.2f dB",
		bands, unweighted, cases, plain, sums[0], sums[1], sums[2])
	if least := cases - cases/10 - min(1, cases%10); unweighted < least || plain < least {
		t.Errorf("better than an unweighted fit on %d of %d, than the plain average on %d; at least %d are asked", unweighted, cases, plain, least)
	}
}

// TestRoundingLoss: half decibels and tenths of Q cost at most 8 %, whole decibels at most 18 %.
func TestRoundingLoss(t *testing.T) {
	for seed := range count(1, 3, 20) {
		tg := pairTarget(t, invented.NewPair(seed+40), 5)
		free, err := Derive(tg, everything(10))
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct{ gain, q, allowed float64 }{{0.5, 0.1, 1.08}, {1, 0.1, 1.18}} {
			o := everything(10)
			o.FreqStepHz, o.GainStepDB, o.QStep = 1, c.gain, c.q
			r, err := Derive(tg, o)
			if err != nil {
				t.Fatal(err)
			}
			t.Logf("pair %d: free %.4f dB, steps of %g dB %.4f", seed, free.TargetRMS, c.gain, r.TargetRMS)
			if r.TargetRMS > c.allowed*free.TargetRMS {
				t.Errorf("pair %d: steps of %g dB leave %.4f dB, free %.4f: more than a factor of %g", seed, c.gain, r.TargetRMS, free.TargetRMS, c.allowed)
			}
			onSteps(t, r.Bands, o.FreqStepHz, o.GainStepDB, o.QStep)
		}
	}
}

func onSteps(t *testing.T, bands []dsp.Band, freq, gain, q float64) {
	t.Helper()
	off := func(v, step float64) bool {
		return step > 0 && math.Abs(math.Remainder(v, step)) > 1e-8
	}
	for _, b := range bands {
		if off(b.FreqHz, freq) || off(b.GainDB, gain) || off(b.Q, q) {
			t.Errorf("%v is not on the steps %g Hz, %g dB, %g", b, freq, gain, q)
		}
	}
}
