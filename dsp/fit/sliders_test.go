package fit

import (
	"errors"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"

	"cushwright/dsp"
	"cushwright/dsp/curve"
	"cushwright/dsp/fit/invented"

	"gonum.org/v1/gonum/mat"
)

// TestSlidersBeatNaiveReading: at least 30 % lower weighted RMS than reading the difference off at the centres. Where
// the level is free and any kind of bells may be at hand, the naive reading has its best level too: 30 % on average, 20
// % always.
func TestSlidersBeatNaiveReading(t *testing.T) {
	for name, hz := range map[string][]float64{"ten": TenSliders, "thirty-one": ThirtyOneSliders} {
		cases := uint64(20)
		if len(hz) > 10 && !long() {
			cases = 4
		}
		for _, spec := range []SliderSpec{{Kinds: Analog}, {FreeLevel: true}} {
			spec.FreqHz, spec.StepDB = hz, 0.5
			mean, most := 0.0, 0.7
			if spec.FreeLevel {
				most = 0.8
			}
			for seed := range cases {
				r, err := Sliders(pairTarget(t, invented.NewPair(seed+300), 5), spec)
				if err != nil {
					t.Fatal(err)
				}
				mean += r.ResidualRMS / r.NaiveRMS / float64(cases)
				if r.ResidualRMS > most*r.NaiveRMS || r.ResidualRMS > r.BeforeRMS {
					t.Errorf("%s sliders, level free %v, pair %d: %.3f dB left, naive reading %.3f, before %.3f", name,
						spec.FreeLevel, seed, r.ResidualRMS,
						r.NaiveRMS, r.BeforeRMS)
				}
				for _, g := range r.GainDB {
					if math.Abs(math.Remainder(g, 0.5)) > 1e-9 || math.Abs(g) > 12 {
						t.Errorf("%s sliders, pair %d: %g dB is not on the step or in the range", name, seed, g)
					}
				}
				if r.PeakDB > 6+1e-9 {
					t.Errorf("%s sliders, pair %d: boosts by %.2f dB", name, seed, r.PeakDB)
				}
			}
			t.Logf("%s sliders, level free %v: %.2f of the naive reading's error on average", name, spec.FreeLevel,
				mean)
			if mean > 0.7 {
				t.Errorf("%s sliders, level free %v: %.2f of the naive reading's error on average", name,
					spec.FreeLevel, mean)
			}
		}
	}
}

// paddedCushion are the settings common practice names for a porous fabric cushion replaced by a sealed one about 3 mm
// thicker (no source), 31 Hz to 16 kHz; what practice does not name stands at zero.
var paddedCushion = []float64{-4.5, -5, -6, -7.5, 0, 3.5, -2.5, 3.5, 0, 0}

// TestSlidersGiveBackTheirOwnSettings builds seats from slider settings and finds the settings again.
func TestSlidersGiveBackTheirOwnSettings(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 11))
	sets := [][]float64{paddedCushion}
	for range 10 {
		s := make([]float64, 10)
		for i := range s {
			s[i] = math.Round(2*(rng.Float64()*8-5)) / 2
		}
		sets = append(sets, s)
	}
	for _, bilinear := range []bool{false, true} {
		for _, set := range sets {
			spec := SliderSpec{FreqHz: TenSliders, Q: 1.2, StepDB: 0.5, Kinds: Analog, MaxBoostDB: 24, FullTreble: true}
			if bilinear {
				spec.Kinds = []Kind{{RateHz: 48000}}
			}
			change := curve.FromFunc(func(f float64) float64 {
				sum := 0.0
				for i, g := range set {
					b := dsp.Band{Shape: dsp.Bell, FreqHz: TenSliders[i], GainDB: g, Q: spec.Q}
					if bilinear {
						s, err := dsp.Bilinear(b, 48000)
						if err != nil {
							t.Fatal(err)
						}
						sum += s.DB(f, 48000)
					} else {
						sum += b.AnalogDB(f)
					}
				}
				return sum
			})
			ref := curve.FromFunc(func(f float64) float64 { return 85 + 4*math.Sin(2*math.Log(f)) })
			new := ref.Minus(change)
			d := curve.Difference(mustMean(t, ref, ref, ref), mustMean(t, new, new, new))
			r, err := Sliders(TargetOf(dsp.Both, d), spec)
			if err != nil {
				t.Fatal(err)
			}
			for i, g := range r.GainDB {
				if math.Abs(g-set[i]) > 0.5 {
					t.Errorf("bilinear %v: built from %v, found %v", bilinear, set, r.GainDB)
					break
				}
			}
		}
	}
}

// TestBoothSigns: the invented demonstration pair shows what common practice expects of such a swap.
func TestBoothSigns(t *testing.T) {
	c := invented.Booth(5)
	ref, new := mustMean(t, c[0].Left...), mustMean(t, c[1].Left...)
	r, err := Sliders(TargetOf(dsp.Left, curve.Difference(ref, new)), SliderSpec{FreqHz: TenSliders, StepDB: 0.5})
	if err != nil {
		t.Fatal(err)
	}
	t.Log(r.GainDB)
	for i, w := range paddedCushion {
		if w != 0 && w*r.GainDB[i] <= 0 {
			t.Errorf("%g Hz: %g dB, common practice %g", TenSliders[i], r.GainDB[i], w)
		}
	}
	if slices.Min(r.GainDB) != r.GainDB[3] {
		t.Errorf("most is not taken off at 250 Hz: %v", r.GainDB)
	}
}

// TestGentleSliders: the largest move is kept, at some cost.
func TestGentleSliders(t *testing.T) {
	tg := pairTarget(t, invented.NewPair(1), 5)
	free, err := Sliders(tg, SliderSpec{FreqHz: TenSliders, StepDB: 0.5})
	if err != nil {
		t.Fatal(err)
	}
	r, err := Sliders(tg, SliderSpec{FreqHz: TenSliders, StepDB: 0.5, MaxMoveDB: 3})
	if err != nil {
		t.Fatal(err)
	}
	for _, g := range r.GainDB {
		if math.Abs(g) > 3 {
			t.Errorf("a slider moves by %g dB", g)
		}
	}
	if !(slices.Max(free.GainDB) > 3 || slices.Min(free.GainDB) < -3) {
		t.Fatal("the case does not need more than 3 dB")
	}
	if r.ResidualRMS <= free.ResidualRMS || r.ResidualRMS >= r.BeforeRMS {
		t.Errorf("gentle leaves %.3f dB, free %.3f, before %.3f", r.ResidualRMS, free.ResidualRMS, r.BeforeRMS)
	}
}

func TestSlidersRefuse(t *testing.T) {
	tg := Target{WantDB: make([]float64, curve.Points)}
	for name, s := range map[string]SliderSpec{
		"none": {}, "descending": {FreqHz: []float64{100, 50}}, "twice": {FreqHz: []float64{100, 100}}, "too low": {FreqHz: []float64{1, 100}},
		"negative move": {FreqHz: TenSliders, MaxMoveDB: -1}, "NaN move": {FreqHz: TenSliders, MaxMoveDB: math.NaN()},
		"range without zero": {FreqHz: TenSliders, MinDB: 2, MaxDB: 5}, "too many": {FreqHz: make([]float64, 65)},
		"Q": {FreqHz: TenSliders, Q: 99}, "step": {FreqHz: TenSliders, StepDB: -1}, "rate": {FreqHz: TenSliders,
			Kinds: []Kind{{RateHz: 8000}}},
	} {
		var re *dsp.RangeError
		if _, err := Sliders(tg, s); !errors.As(err, &re) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// published is the ten-octave design of V. Välimäki, J. Liski, "Accurate Cascade Graphic Equalizer", IEEE SPL 24(2), 2017, at
// 44.1 kHz with one iteration; its constants are from memory, the figures it must reproduce are not. It returns the largest
// error at the command points in dB.
func published(command []float64) float64 {
	const rate = 44100.0
	var fc, wc, bw []float64
	for i := range 10 {
		fc = append(fc, 16000/math.Pow(2, float64(9-i)))
		wc = append(wc, 2*math.Pi*fc[i]/rate)
		bw = append(bw, 1.5*wc[i])
	}
	bw[7], bw[8], bw[9] = 0.93*bw[7], 0.78*bw[8], 0.76*wc[9]
	points := []float64{wc[0]}
	target := []float64{command[0]}
	for i := 1; i < 10; i++ {
		points = append(points, math.Sqrt(wc[i-1]*wc[i]), wc[i])
		target = append(target, (command[i-1]+command[i])/2, command[i])
	}
	level := func(i int, g, w float64) float64 {
		if g == 0 {
			return 0
		}
		gain, gb := dsp.Ratio(g), dsp.Ratio(neighbourShare*g)
		beta := math.Tan(bw[i]/2) * math.Sqrt(math.Abs(gb*gb-1)/math.Abs(gain*gain-gb*gb))
		z := cmplx.Exp(complex(0, -w))
		c := complex(-2*math.Cos(wc[i]), 0)
		return dsp.DB(cmplx.Abs((complex(1+gain*beta, 0) + c*z + complex(1-gain*beta, 0)*z*z) /
			(complex(1+beta, 0) + c*z + complex(1-beta, 0)*z*z)))
	}
	solve := func(g []float64) []float64 {
		b := mat.NewDense(len(points), 10, nil)
		for i := range 10 {
			gi := g[i]
			if math.Abs(gi) < 1e-6 {
				gi = 1e-3
			}
			for j, w := range points {
				b.Set(j, i, level(i, gi, w)/gi)
			}
		}
		var x mat.VecDense
		if err := x.SolveVec(b, mat.NewVecDense(len(target), target)); err != nil {
			return g
		}
		return x.RawVector().Data
	}
	g := solve(slices.Repeat([]float64{17}, 10))
	g = solve(g)
	worst := 0.0
	for k := range 10 {
		sum := 0.0
		for i := range 10 {
			sum += level(i, g[i], wc[k])
		}
		worst = max(worst, math.Abs(sum-command[k]))
	}
	return worst
}

// TestSliderModelAgainstPublishedDesign: the joint optimum over overlapping bells reaches commands as closely as the published
// design says is possible. Figures reproduced from that paper: all +12 dB 0.63 dB, worst of 500 random ±12 dB vectors
// 0.58 dB at the command points; ten octaves stay within 1 dB of their commands.
func TestSliderModelAgainstPublishedDesign(t *testing.T) {
	if got := published(slices.Repeat([]float64{12}, 10)); math.Abs(got-0.63) > 0.01 {
		t.Errorf("published design, all +12 dB: %.3f dB, figure 0.63", got)
	}
	var commands [][]float64
	for _, run := range []int{1, 2, 3, 5, 10} {
		c := make([]float64, 10)
		for i := range c {
			c[i] = 12
			if i/run%2 == 1 {
				c[i] = -12
			}
		}
		commands = append(commands, c)
	}
	rng := rand.New(rand.NewPCG(1, 1))
	for range 500 {
		c := make([]float64, 10)
		for i := range c {
			c[i] = rng.Float64()*24 - 12
		}
		commands = append(commands, c)
	}
	fc := make([]float64, 10)
	for i := range fc {
		fc[i] = 16000 / math.Pow(2, float64(9-i))
	}
	worstPublished, worst := 0.0, 0.0
	for k, c := range commands {
		worstPublished = max(worstPublished, published(c))
		// The commands and, with a fifth of their weight, the points halfway between them; nothing is asked for elsewhere.
		// (The paper weighs them alike, but its bells keep their width, in dB at the neighbour, whatever the gain.)
		line, err := curve.FromPoints(fc, c)
		if err != nil {
			t.Fatal(err)
		}
		tg := Target{WantDB: line.LevelDB, SpreadDB: slices.Repeat([]float64{math.Inf(1)}, curve.Points)}
		at := func(hz, db, spread float64) {
			i := curve.Index(hz)
			tg.WantDB[i], tg.SpreadDB[i] = db, spread
		}
		for i := range c {
			at(fc[i], c[i], 0)
			if i > 0 {
				at(math.Sqrt(fc[i-1]*fc[i]), (c[i-1]+c[i])/2, 2)
			}
		}
		if k >= 25 && !long() {
			continue // the paper's own figure above still takes all of them
		}
		r, err := Sliders(tg, SliderSpec{FreqHz: fc, Q: 1.4, MinDB: -24, MaxDB: 24, MaxBoostDB: 24,
			Kinds:      []Kind{{RateHz: 44100}},
			FullTreble: true, EveryDetail: true})
		if err != nil {
			t.Fatal(err)
		}
		for i := range c {
			sum := 0.0
			for j, g := range r.GainDB {
				s, err := dsp.Bilinear(dsp.Band{Shape: dsp.Bell, FreqHz: fc[j], GainDB: g, Q: r.Q}, 44100)
				if err != nil {
					t.Fatal(err)
				}
				sum += s.DB(fc[i], 44100)
			}
			worst = max(worst, math.Abs(sum-c[i]))
		}
	}
	t.Logf("worst: published design %.2f dB, ours %.2f dB", worstPublished, worst)
	if worstPublished > 0.68 {
		t.Errorf("published design: worst %.3f dB, figures 0.63 and 0.58", worstPublished)
	}
	if worst > 1 {
		t.Errorf("sliders miss their commands by %.2f dB, allowed 1", worst)
	}
}

// playedBy is the level of a row of sliders by the sections an equaliser runs: the analog prototypes, or the cookbook's
// sections at a rate.
func playedBy(t *testing.T, k Kind, hz, gains []float64, q, at float64) (db float64) {
	t.Helper()
	for i, g := range gains {
		b := dsp.Band{Shape: dsp.Bell, FreqHz: hz[i], GainDB: g, Q: q}
		if k.RateHz == 0 {
			db += b.AnalogDB(at)
			continue
		}
		s, err := dsp.Bilinear(b, k.RateHz)
		if err != nil {
			t.Fatal(err)
		}
		db += s.DB(at, k.RateHz)
	}
	return db
}

// leftBy is what positions leave of a result's target on one kind of bells, weighted, in dB RMS.
func leftBy(t *testing.T, k Kind, r SliderResult, gains []float64, free bool) float64 {
	t.Helper()
	sq, mean := 0.0, 0.0
	for i, f := range r.Prepared.FreqHz {
		e := playedBy(t, k, r.FreqHz, gains, r.Q, f) - r.Prepared.AskedDB[i]
		sq += r.Prepared.Weight[i] * e * e
		mean += r.Prepared.Weight[i] * e
	}
	if free {
		sq -= mean * mean
	}
	return math.Sqrt(sq)
}

// TestSlidersOnEachKindOfBells: what is said to be left over is what the sections of each kind of equaliser leave;
// fitted for any kind, the worst is no worse than where one kind was fitted for and another is at hand.
func TestSlidersOnEachKindOfBells(t *testing.T) {
	most := 0.0
	for seed := range count(2, 6, 20) {
		tg := pairTarget(t, invented.NewPair(seed+300), 5)
		for _, hz := range [][]float64{FiveSliders, TenSliders, ThirtyOneSliders} {
			for _, c := range []struct {
				step float64
				free bool
			}{{0.5, true}, {0, true}, {0.5, false}} {
				worst := func(r SliderResult) (w float64) {
					for _, k := range r.Kinds {
						w = max(w, k.ResidualRMS)
					}
					return w
				}
				// Nothing prepared away: what is judged is what is fitted.
				spec := SliderSpec{FreqHz: hz, StepDB: c.step, FreeLevel: c.free, FullTreble: true, EveryDetail: true,
					MaxBoostDB: 24}
				any, err := Sliders(tg, spec)
				if err != nil {
					t.Fatal(err)
				}
				for _, k := range any.Kinds {
					a, b := leftBy(t, k.Kind, any, any.GainDB, c.free), leftBy(t, k.Kind, any, any.NaiveDB, c.free)
					if math.Abs(a-k.ResidualRMS) > 1e-6 || math.Abs(b-k.NaiveRMS) > 1e-6 {
						t.Errorf("pair %d, %d sliders, %v: %.4f dB are left, said %.4f; naive %.4f, said %.4f", seed,
							len(hz), k.Kind, a, k.ResidualRMS, b, k.NaiveRMS)
					}
				}
				if len(any.Kinds) != 3 || worst(any) != any.ResidualRMS {
					t.Errorf("pair %d, %d sliders: %.4f dB said, of %+v", seed, len(hz), any.ResidualRMS, any.Kinds)
				}
				for _, kinds := range [][]Kind{Analog, Bilinear, {{RateHz: 48000}}} {
					spec.Kinds = kinds
					one, err := Sliders(tg, spec)
					if err != nil {
						t.Fatal(err)
					}
					if any.ResidualRMS > 1.01*worst(one)+0.001 {
						t.Errorf("pair %d, %d sliders, step %g, free %v: fitted for any kind %.4f dB are left at worst, for %v %.4f", seed, len(hz), c.step, c.free,
							any.ResidualRMS, kinds, worst(one))
					}
					if len(kinds) == 1 && kinds[0].RateHz == 0 {
						most = max(most, worst(one)-one.ResidualRMS)
					}
				}
			}
		}
	}
	t.Logf("fitted for analog bells alone, others leave up to %.2f dB more than said", most)
}

// TestSliderLimitsHoldForBothRows: no more boost than allowed, on any kind of bells, of the positions and of the naive
// reading.
func TestSliderLimitsHoldForBothRows(t *testing.T) {
	for seed := range count(2, 4, 20) {
		l, r := pairTarget(t, invented.NewPair(seed+300), 5), pairTarget(t, invented.NewPair(seed+700), 5)
		for _, limit := range []float64{0.01, 1, 3} {
			for _, step := range []float64{0, 0.5} {
				for _, free := range []bool{true, false} {
					spec := SliderSpec{FreqHz: TenSliders, StepDB: step, MaxBoostDB: limit, FreeLevel: free,
						MaxMoveDB: 4}
					a, b, _, err := SlidersApart(l, r, spec)
					if err != nil {
						t.Fatal(err)
					}
					for _, res := range []SliderResult{a, b} {
						for what, gains := range map[string][]float64{"set": res.GainDB, "naive": res.NaiveDB} {
							top := 0.0
							for _, k := range AnyKind {
								for hz := 20.0; hz <= 20000; hz *= 1.004 {
									top = max(top, playedBy(t, k, TenSliders, gains, res.Q, hz))
								}
							}
							if top > limit+0.002 || what == "set" && top > res.PeakDB+0.002 {
								t.Errorf("pair %d, limit %g dB, step %g: %s boosts by %.3f dB, said %.3f", seed, limit,
									step, what, top, res.PeakDB)
							}
							for _, g := range gains {
								if math.Abs(g) > 4 || step > 0 && math.Abs(math.Remainder(g, step)) > 1e-9 {
									t.Errorf("pair %d: %s moves by %g dB", seed, what, g)
								}
							}
						}
					}
				}
			}
		}
	}
}

// TestSlidersLeaveLevelAlone: with the level free, a level added to the target changes no position; with the ears
// apart, a level added to one ear is told as balance and moves no slider.
func TestSlidersLeaveLevelAlone(t *testing.T) {
	l, r := pairTarget(t, invented.NewPair(301), 5), pairTarget(t, invented.NewPair(302), 5)
	up := func(t Target, by float64) Target {
		t.WantDB, t.BelievedDB = lowered(t.WantDB, -by), lowered(t.BelievedDB, -by)
		return t
	}
	spec := SliderSpec{FreqHz: TenSliders, StepDB: 0.5, FreeLevel: true}
	one, err := Sliders(l, spec)
	if err != nil {
		t.Fatal(err)
	}
	other, err := Sliders(up(l, 9), spec)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(one.GainDB, other.GainDB) || !slices.Equal(one.NaiveDB, other.NaiveDB) ||
		math.Abs(other.LevelDB-one.LevelDB-9) > 1e-6 {
		t.Errorf("9 dB more of level: %v, level %.2f dB, before %v, %.2f dB", other.GainDB, other.LevelDB, one.GainDB,
			one.LevelDB)
	}
	a, b, balance, err := SlidersApart(l, r, spec)
	if err != nil {
		t.Fatal(err)
	}
	c, d, balance2, err := SlidersApart(up(l, 4), r, spec)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(a.GainDB, c.GainDB) || !slices.Equal(b.GainDB, d.GainDB) || math.Abs(balance2-balance-4) > 1e-6 {
		t.Errorf("4 dB more on the left: %v and %v, balance %.2f dB; before %v and %v, %.2f dB", c.GainDB, d.GainDB,
			balance2, a.GainDB, b.GainDB, balance)
	}
	// Literally taken, the level is in the sliders.
	spec.FreeLevel = false
	lit, err := Sliders(up(l, -6), spec)
	if err != nil {
		t.Fatal(err)
	}
	if lit.LevelDB != 0 || slices.Equal(lit.GainDB, one.GainDB) {
		t.Errorf("level taken literally: %+v", lit.GainDB)
	}
}
