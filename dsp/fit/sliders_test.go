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

// TestSlidersBeatNaiveReading: at least 30 % lower weighted RMS than reading the difference off at the centres.
func TestSlidersBeatNaiveReading(t *testing.T) {
	for name, hz := range map[string][]float64{"ten": TenSliders, "thirty-one": ThirtyOneSliders} {
		cases := uint64(20)
		if len(hz) > 10 && !long() {
			cases = 4
		}
		for seed := range cases {
			p := invented.NewPair(seed + 300)
			r, err := Sliders(pairTarget(t, p, 5), SliderSpec{FreqHz: hz, StepDB: 0.5})
			if err != nil {
				t.Fatal(err)
			}
			if r.ResidualRMS > 0.7*r.NaiveRMS || r.ResidualRMS > r.BeforeRMS {
				t.Errorf("%s sliders, pair %d: %.3f dB left, naive reading %.3f, before %.3f", name, seed, r.ResidualRMS, r.NaiveRMS, r.BeforeRMS)
			}
			for _, g := range r.GainDB {
				if math.Abs(math.Remainder(g, 0.5)) > 1e-9 || math.Abs(g) > 12 {
					t.Errorf("%s sliders, pair %d: %g dB is not on the step or in the range", name, seed, g)
				}
			}
			if r.PeakDB > 6+boostSlackDB {
				t.Errorf("%s sliders, pair %d: boosts by %.2f dB", name, seed, r.PeakDB)
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
			spec := SliderSpec{FreqHz: TenSliders, Q: 1.2, StepDB: 0.5, Bilinear: bilinear, RateHz: 48000, MaxBoostDB: 24, FullTreble: true}
			change := curve.FromFunc(func(f float64) float64 {
				sum := 0.0
				for i, g := range set {
					b := dsp.Band{Shape: dsp.Bell, FreqHz: TenSliders[i], GainDB: g, Q: spec.Q}
					if bilinear {
						s, err := dsp.Bilinear(b, spec.RateHz)
						if err != nil {
							t.Fatal(err)
						}
						sum += s.DB(f, spec.RateHz)
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
		"Q": {FreqHz: TenSliders, Q: 99}, "step": {FreqHz: TenSliders, StepDB: -1}, "rate": {FreqHz: TenSliders, Bilinear: true, RateHz: 8000},
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
		r, err := Sliders(tg, SliderSpec{FreqHz: fc, Q: 1.4, MinDB: -24, MaxDB: 24, MaxBoostDB: 24, Bilinear: true, RateHz: 44100,
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
