package fit

import (
	"errors"
	"math"
	"reflect"
	"slices"
	"testing"

	"cushwright/dsp"
	"cushwright/dsp/curve"
	"cushwright/dsp/fit/invented"
)

// TestDescribedEqualisers fits in what listeners' equalisers can do; the printed numbers can be typed in as they are.
func TestDescribedEqualisers(t *testing.T) {
	tg := pairTarget(t, invented.NewPair(8), 5)
	all := []dsp.Shape{dsp.Bell, dsp.LowShelf, dsp.HighShelf}
	for name, e := range map[string]Equaliser{
		"five bands, whole decibels": {Bands: 5, Shapes: all, FreqMinHz: 30, FreqMaxHz: 16000, FreqStepHz: 1, GainMinDB: -12, GainMaxDB: 12,
			GainStepDB: 1, QMin: 0.4, QMax: 6, QStep: 0.1},
		"bells only, bilinear": {Bands: 4, FreqStepHz: 10, GainMinDB: -10, GainMaxDB: 10, GainStepDB: 0.5, QMin: 0.5, QMax: 4, QStep: 0.25,
			Bilinear: true, RateHz: 44100, FreqMinHz: 20, FreqMaxHz: 18000},
		"fixed Q":           {Bands: 6, FreqMinHz: 40, FreqMaxHz: 12000, FreqStepHz: 5, GainMinDB: -12, GainMaxDB: 6, GainStepDB: 1, FixedQ: 1.4},
		"fixed frequencies": {Shapes: all, FixedFreqHz: []float64{60, 230, 910, 3600, 14000}, GainMinDB: -12, GainMaxDB: 12, GainStepDB: 0.5, QMin: 0.5, QMax: 2, QStep: 0.5},
		"a choice of fixed frequencies": {Bands: 3, FixedFreqHz: ThirtyOneSliders, GainMinDB: -6, GainMaxDB: 6, GainStepDB: 0.5, FixedQ: 1,
			Bilinear: true},
		"shelves only": {Bands: 2, Shapes: all[1:], GainMinDB: -12, GainMaxDB: 12, GainStepDB: 1, FreqStepHz: 1, FreqMinHz: 50, FreqMaxHz: 15000, FixedQ: 0.7},
		"one band":     {Bands: 1, Shapes: all, GainMinDB: -12, GainMaxDB: 12},
	} {
		r, err := Derive(tg, Options{For: &e})
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		want := e.Bands
		if want == 0 {
			want = len(e.FixedFreqHz)
		}
		if len(r.Bands) == 0 || len(r.Bands) > want {
			t.Errorf("%s: %d bands", name, len(r.Bands))
		}
		onSteps(t, r.Bands, 0, e.GainStepDB, e.QStep)
		seen := map[float64]bool{}
		for _, b := range r.Bands {
			ok := b.GainDB >= e.GainMinDB && b.GainDB <= e.GainMaxDB
			if e.FreqMinHz > 0 {
				ok = ok && b.FreqHz >= e.FreqMinHz && b.FreqHz <= e.FreqMaxHz
			}
			if e.FreqStepHz > 0 {
				ok = ok && math.Abs(math.Remainder(b.FreqHz-e.FreqMinHz, e.FreqStepHz)) < 1e-8
			}
			if e.QMin > 0 {
				ok = ok && b.Q >= e.QMin && b.Q <= e.QMax
			}
			if e.FixedQ > 0 {
				ok = ok && b.Q == e.FixedQ
			}
			if e.FixedFreqHz != nil {
				ok = ok && slices.Contains(e.FixedFreqHz, b.FreqHz) && !seen[b.FreqHz]
				seen[b.FreqHz] = true
			}
			if len(e.Shapes) > 0 {
				ok = ok && slices.Contains(e.Shapes, b.Shape)
			} else {
				ok = ok && b.Shape == dsp.Bell
			}
			if !ok {
				t.Errorf("%s: %v cannot be typed in", name, b)
			}
		}
		if r.After.RMSDB >= r.Before.RMSDB {
			t.Errorf("%s: %.2f dB before, %.2f after", name, r.Before.RMSDB, r.After.RMSDB)
		}
		// What is reported is what that equaliser does with the printed numbers.
		at := func(f float64) float64 {
			sum := 0.0
			for _, b := range r.Bands {
				if !e.Bilinear {
					sum += b.AnalogDB(f)
					continue
				}
				rate := e.RateHz
				if rate == 0 {
					rate = 48000
				}
				s, err := dsp.Bilinear(b, rate)
				if err != nil {
					t.Fatal(err)
				}
				sum += s.DB(f, rate)
			}
			return sum
		}
		got, _ := residual(r.Prepared.AskedDB, curve.FromFunc(at).LevelDB, r.Prepared.Weight, false)
		top := 0.0 // between the points of the fit, too
		for f := 20.0; f <= 20000; f *= 1.0002 {
			top = max(top, at(f))
		}
		for _, b := range r.Bands {
			top = max(top, at(b.FreqHz))
		}
		if math.Abs(got.RMSDB-r.After.RMSDB) > 1e-6 || math.Abs(top-r.PeakDB) > 1e-3 {
			t.Errorf("%s: reported %.6f dB RMS and %.4f dB peak, typed in %.6f and %.4f", name, r.After.RMSDB, r.PeakDB,
				got.RMSDB, top)
		}
		if r.PeakDB > 6+1e-9 {
			t.Errorf("%s: boosts by %.2f dB", name, r.PeakDB)
		}
	}
}

// TestBilinearFitKnowsTheCramp: fitted in its own response, a bilinear equaliser follows a treble target better than the
// analog fit's numbers typed into it.
func TestBilinearFitKnowsTheCramp(t *testing.T) {
	want := responseOf([]dsp.Band{{Shape: dsp.Bell, FreqHz: 12000, GainDB: -8, Q: 1}, {Shape: dsp.Bell, FreqHz: 400, GainDB: 3, Q: 1}}).LevelDB
	o := everything(4)
	e := Equaliser{Bands: 4, Bilinear: true, RateHz: 44100}
	typed := func(r Result) float64 {
		resp := curve.FromFunc(func(f float64) float64 {
			sum := 0.0
			for _, b := range r.Bands {
				s, err := dsp.Bilinear(b, e.RateHz)
				if err != nil {
					t.Fatal(err)
				}
				sum += s.DB(f, e.RateHz)
			}
			return sum
		}).LevelDB
		return rmsDB(resp, want)
	}
	analog, err := Derive(Target{WantDB: want}, o)
	if err != nil {
		t.Fatal(err)
	}
	o.For = &e
	own, err := Derive(Target{WantDB: want}, o)
	if err != nil {
		t.Fatal(err)
	}
	a, b := typed(analog), typed(own)
	t.Logf("analog numbers %.3f dB, own response %.3f dB", a, b)
	if b > a/2 {
		t.Errorf("fitted in its own response it leaves %.3f dB, the analog numbers typed in %.3f", b, a)
	}
}

// TestLimits: what must not be corrected is not, and the notes say so.
func TestLimits(t *testing.T) {
	has := func(r Result, hz float64, why string) bool {
		return slices.ContainsFunc(r.Left, func(n Note) bool {
			return n.LowHz <= hz*1.03 && n.HighHz >= hz/1.03 && len(n.Why) >= len(why) && n.Why[:len(why)] == why
		})
	}
	at := func(r Result, hz float64) float64 {
		sum := 0.0
		for _, b := range r.Bands {
			sum += b.AnalogDB(hz)
		}
		return sum
	}
	derive := func(want curve.Curve, o Options) Result {
		t.Helper()
		r, err := Derive(Target{WantDB: want.LevelDB}, o)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	bells := func(b ...dsp.Band) curve.Curve { return responseOf(b) }

	null := bells(dsp.Band{Shape: dsp.Bell, FreqHz: 3000, GainDB: 15, Q: 12}, dsp.Band{Shape: dsp.Bell, FreqHz: 200, GainDB: -5, Q: 1})
	if r := derive(null, Options{}); at(r, 3000) > 3 || !has(r, 3000, WhyNull) || at(r, 200) > -4 {
		t.Errorf("a null is filled by %.1f dB, notes %v", at(r, 3000), r.Left)
	}
	if r := derive(null, Options{EveryDetail: true, MaxBoostDB: 20, QMax: 20}); at(r, 3000) < 12 {
		t.Errorf("on demand the null is filled by %.1f dB only", at(r, 3000))
	}

	boost := bells(dsp.Band{Shape: dsp.Bell, FreqHz: 60, GainDB: 14, Q: 0.7})
	for _, limit := range []float64{0, 0.01, 3, 9} {
		r := derive(boost, Options{MaxBoostDB: limit})
		if limit == 0 {
			limit = 6
		}
		if r.PeakDB > limit+1e-9 || at(r, 60)-at(r, 5000) < limit-0.6 || !has(r, 60, WhyBoost) {
			t.Errorf("limit %g dB: peak of %.2f dB, 60 Hz %.2f dB above 5 kHz, notes %v", limit, r.PeakDB, at(r, 60)-at(r, 5000), r.Left)
		}
		steps := derive(boost, Options{MaxBoostDB: limit, GainStepDB: 0.5, QStep: 0.1})
		if steps.PeakDB > limit+1e-9 {
			t.Errorf("limit %g dB: on steps the boost is %.2f dB", limit, steps.PeakDB)
		}
	}

	treble := bells(dsp.Band{Shape: dsp.HighShelf, FreqHz: 11000, GainDB: 8, Q: 0.7})
	if r := derive(treble, Options{MaxBoostDB: 12}); at(r, 18000) > 4 || !has(r, 18000, WhyTreble) {
		t.Errorf("treble is boosted by %.1f dB, notes %v", at(r, 18000), r.Left)
	}
	if r := derive(treble, Options{MaxBoostDB: 12, FullTreble: true}); at(r, 18000) < 6 {
		t.Errorf("on demand treble is boosted by %.1f dB only", at(r, 18000))
	}
	if r := derive(treble.Minus(treble).Minus(treble), Options{}); at(r, 18000) > -5 {
		t.Errorf("a broad cut above 10 kHz is left at %.1f dB", at(r, 18000))
	}
}

// TestScatterIsNotCorrected: two sets of seats of the same cushion want next to nothing.
func TestScatterIsNotCorrected(t *testing.T) {
	p := invented.NewPair(21)
	p.New = p.Ref
	tg := pairTarget(t, p, 5)
	r, err := Derive(tg, Options{Bands: 5})
	if err != nil {
		t.Fatal(err)
	}
	e, err := Derive(Target{WantDB: tg.WantDB}, everything(5))
	if err != nil {
		t.Fatal(err)
	}
	zero := make([]float64, curve.Points)
	ours, all := rmsDB(responseOf(r.Bands).LevelDB, zero), rmsDB(responseOf(e.Bands).LevelDB, zero)
	t.Logf("%.2f dB RMS, believing everything %.2f", ours, all)
	if ours > 0.6*all {
		t.Errorf("a cushion against itself is corrected by %.2f dB RMS, believing everything %.2f", ours, all)
	}
}

// TestDeterminism: same input, same output, whatever runs beside.
func TestDeterminism(t *testing.T) {
	tg := pairTarget(t, invented.NewPair(2), 5)
	o := Options{Bands: 5, GainStepDB: 0.5, QStep: 0.1}
	out := make(chan Result, 4)
	for range 4 {
		go func() {
			r, err := Derive(tg, o)
			if err != nil {
				t.Error(err)
			}
			out <- r
		}()
	}
	first := <-out
	for range 3 {
		if r := <-out; !reflect.DeepEqual(r, first) {
			t.Errorf("two runs differ:\n%v\n%v", r.Bands, first.Bands)
		}
	}
}

func TestRefusals(t *testing.T) {
	good := make([]float64, curve.Points)
	bad := slices.Clone(good)
	bad[7] = math.NaN()
	inf := slices.Repeat([]float64{math.Inf(1)}, curve.Points)
	negative := slices.Clone(good)
	negative[3] = -1
	for name, tg := range map[string]Target{"nothing": {}, "length": {WantDB: good[1:]}, "NaN": {WantDB: bad}, "no weight": {WantDB: good, SpreadDB: inf},
		"negative spread": {WantDB: good, SpreadDB: negative}, "NaN believed": {WantDB: good, BelievedDB: bad},
		"order": {FreqHz: []float64{100, 50}, WantDB: []float64{0, 0}}, "one point": {FreqHz: []float64{100}, WantDB: []float64{0}}} {
		if _, err := Derive(tg, Options{}); err == nil {
			t.Errorf("target %q is taken", name)
		}
	}
	for name, o := range map[string]Options{"bands": {Bands: 65}, "boost": {MaxBoostDB: -1}, "floor": {FloorDB: -1}, "q": {QMin: 5, QMax: 1},
		"frequency": {FreqMinHz: 1}, "gain": {GainMinDB: 1, GainMaxDB: 2}, "step": {GainStepDB: math.NaN()},
		"shape": {For: &Equaliser{Shapes: []dsp.Shape{dsp.Notch}}}, "rate": {For: &Equaliser{Bilinear: true, RateHz: 1}},
		"fixed": {For: &Equaliser{FixedFreqHz: []float64{5}}}} {
		var re *dsp.RangeError
		if _, err := Derive(Target{WantDB: good}, o); !errors.As(err, &re) {
			t.Errorf("options %q: %v", name, err)
		}
	}
	r, err := Derive(Target{WantDB: good}, Options{})
	if err != nil || len(r.Bands) != 0 || r.After.RMSDB != 0 {
		t.Errorf("nothing wanted gives %v, %v", r.Bands, err)
	}
}

// TestTogether: one correction for both ears wants the mean, and trusts less what the ears disagree on.
func TestTogether(t *testing.T) {
	even := func(db float64) []float64 {
		out := make([]float64, curve.Points)
		for i := range out {
			out[i] = db
		}
		return out
	}
	l := Target{WantDB: responseOf([]dsp.Band{{Shape: dsp.Bell, FreqHz: 5000, GainDB: 4, Q: 1}}).LevelDB, SpreadDB: even(1)}
	r := Target{WantDB: make([]float64, curve.Points), SpreadDB: even(7)}
	tg, err := Together(l, r)
	if err != nil {
		t.Fatal(err)
	}
	for _, hz := range []float64{50, 5000} { // where the ears agree, and where they do not
		i := curve.Index(hz)
		if math.Abs(tg.WantDB[i]-l.WantDB[i]/2) > 1e-12 || math.Abs(tg.SpreadDB[i]-5) > 1e-12 || tg.Ear != dsp.Both {
			t.Errorf("together: %.2f dB ± %.2f at %g Hz", tg.WantDB[i], tg.SpreadDB[i], hz)
		}
	}
}

// TestGradient checks the analytic derivatives against differences of the response.
func TestGradient(t *testing.T) {
	for _, s := range []dsp.Shape{dsp.Bell, dsp.LowShelf, dsp.HighShelf} {
		for _, rate := range []float64{0, 48000} {
			o := Options{For: &Equaliser{Bilinear: rate > 0, RateHz: rate}}.withDefaults()
			pr, err := Prepare(Target{WantDB: make([]float64, curve.Points)}, o)
			if err != nil {
				t.Fatal(err)
			}
			f := newFitter(pr, o)
			p := f.fine
			u := unit{shape: s, p: [3]float64{f.warp(1500), math.Log(0.9), -5.5}}
			var an [3][]float64
			for j := range an {
				an[j] = make([]float64, curve.Points)
			}
			p.gradient(&u, an[0], an[1], an[2])
			for j := range 3 {
				const h = 1e-5
				lo, hi := make([]float64, curve.Points), make([]float64, curve.Points)
				a, b := u, u
				a.p[j] -= h
				b.p[j] += h
				p.db(&a, lo)
				p.db(&b, hi)
				for i := range lo {
					if d := (hi[i] - lo[i]) / (2 * h); math.Abs(d-an[j][i]) > 1e-5 {
						t.Fatalf("%v, parameter %d, %g Hz: derivative %g, by difference %g", s, j, pr.FreqHz[i], an[j][i], d)
					}
				}
			}
			// And the response itself against the package that defines the prototypes.
			own := make([]float64, curve.Points)
			p.db(&u, own)
			b := dsp.Band{Shape: s, FreqHz: 1500, GainDB: -5.5, Q: 0.9}
			for i, hz := range pr.FreqHz {
				want := b.AnalogDB(hz)
				if rate > 0 {
					sec, err := dsp.Bilinear(b, rate)
					if err != nil {
						t.Fatal(err)
					}
					want = sec.DB(hz, rate)
				}
				if math.Abs(own[i]-want) > 1e-9 {
					t.Fatalf("%v at %g Hz: %g dB, not %g", s, hz, own[i], want)
				}
			}
		}
	}
}
