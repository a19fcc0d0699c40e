package fit

import (
	"fmt"
	"math"
	"slices"

	"cushwright/dsp"
	"cushwright/dsp/curve"
)

// ISO 266 preferred frequencies of the usual rows of sliders, in Hz.
var (
	FiveSliders      = []float64{63, 250, 1000, 4000, 16000}
	TenSliders       = []float64{31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000}
	ThirtyOneSliders = []float64{20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000,
		1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000, 20000}
)

// SliderSpec describes a row of sliders. Zero fields stand for their defaults.
type SliderSpec struct {
	FreqHz       []float64 // centre frequencies, ascending, 1 to 64
	Q            float64   // of each slider's bell; default: so wide that a neighbour's centre gets 30 % of a small move
	StepDB       float64   // 0: continuous
	MinDB, MaxDB float64   // default −12 to +12 dB
	MaxMoveDB    float64   // gentle: no slider moves further than this; 0: no such limit
	MaxBoostDB   float64   // limit of all sliders together; default +6 dB
	FloorDB      float64   // see Options; default 1 dB
	FullTreble   bool      // see Options
	EveryDetail  bool      // see Options
	FreeLevel    bool      // let the volume control take up a constant; otherwise the target's level is meant
	Bilinear     bool      // the sliders' bells come from the bilinear transform at RateHz, default 48 kHz
	RateHz       float64
}

// SliderResult holds positions and what they leave, each judged by the sliders' own overlapping response and weighted by
// 1/(spread² + floor²) against what the target asks.
type SliderResult struct {
	FreqHz      []float64
	GainDB      []float64
	Q           float64
	NaiveDB     []float64 // the naive reading: the target's level at each centre frequency, on the step
	BeforeRMS   float64   // all sliders at zero
	ResidualRMS float64
	NaiveRMS    float64
	LevelDB     float64 // with FreeLevel: left to the volume control
	PeakDB      float64 // highest level of the sliders together, ≥ 0
	Left        []Note
	Prepared    Prepared
}

// neighbourShare is what a small move of a slider does at its neighbour's centre, in parts of its own dB, when no width is
// given. Source: V. Välimäki, J. Liski, "Accurate Cascade Graphic Equalizer", IEEE SPL 24(2), 2017 (value from memory).
const neighbourShare = 0.3

// spacingQ is the Q that gives neighbourShare at the sliders' median spacing r: a cookbook bell of small gain has
// 1/(1 + Q²·(r − 1/r)²) of its level at r times its frequency.
func spacingQ(f []float64) float64 {
	if len(f) < 2 {
		return 1
	}
	var r []float64
	for i := 1; i < len(f); i++ {
		r = append(r, f[i]/f[i-1])
	}
	slices.Sort(r)
	m := r[len(r)/2]
	return math.Sqrt(1/neighbourShare-1) / (m - 1/m)
}

func (s SliderSpec) withDefaults() SliderSpec {
	if s.Q == 0 {
		s.Q = min(max(spacingQ(s.FreqHz), dsp.MinQ), dsp.MaxQ)
	}
	if s.MinDB == 0 && s.MaxDB == 0 {
		s.MinDB, s.MaxDB = -12, 12
	}
	if s.MaxMoveDB > 0 {
		s.MinDB, s.MaxDB = max(s.MinDB, -s.MaxMoveDB), min(s.MaxDB, s.MaxMoveDB)
	}
	return s
}

// Sliders finds the positions that together come closest to the target, by least squares over the sliders' own
// responses, because they overlap, and re-optimises them on the step.
func Sliders(t Target, s SliderSpec) (SliderResult, error) {
	if len(s.FreqHz) == 0 || len(s.FreqHz) > dsp.MaxBands {
		return SliderResult{}, fmt.Errorf("fit: set sliders: %w", &dsp.RangeError{Key: "number of sliders",
			Value: fmt.Sprint(len(s.FreqHz)), Allowed: fmt.Sprintf("1 to %d", dsp.MaxBands)})
	}
	for i := range s.FreqHz {
		if !(s.FreqHz[i] > 0) || i > 0 && s.FreqHz[i] <= s.FreqHz[i-1] {
			return SliderResult{}, fmt.Errorf("fit: set sliders: %w", &dsp.RangeError{Key: fmt.Sprintf("slider %d", i+1),
				Value: fmt.Sprintf("%g", s.FreqHz[i]), Allowed: "frequencies in ascending order"})
		}
	}
	if s.MaxMoveDB < 0 || math.IsNaN(s.MaxMoveDB) {
		return SliderResult{}, fmt.Errorf("fit: set sliders: %w", &dsp.RangeError{Key: "largest move",
			Value: fmt.Sprintf("%g", s.MaxMoveDB), Allowed: "0 or more dB"})
	}
	s = s.withDefaults()
	o := Options{FloorDB: s.FloorDB, MaxBoostDB: s.MaxBoostDB, FixedLevel: !s.FreeLevel, FullTreble: s.FullTreble, EveryDetail: s.EveryDetail, For: &Equaliser{
		FixedFreqHz: s.FreqHz, FixedQ: s.Q, GainMinDB: s.MinDB, GainMaxDB: s.MaxDB, GainStepDB: s.StepDB,
		Bilinear: s.Bilinear, RateHz: s.RateHz}}.withDefaults()
	if err := o.check(); err != nil {
		return SliderResult{}, err
	}
	pr, err := Prepare(t, o)
	if err != nil {
		return SliderResult{}, err
	}
	f := newFitter(pr, o)
	p := f.fine
	for _, u := range f.fixed {
		p.units = append(p.units, unit{dsp.Bell, [3]float64{u, math.Log(s.Q), 0}, [3]bool{true, true, false}})
	}
	p.kappa = 300 / float64(len(p.x2))
	p.ridge = 1e-5 // sliders where nothing was measured stay at zero
	p.solve(40, 1e-9)
	l := f.steps()
	l.origin[pGain] = 0 // a slider has a middle
	if s.StepDB > 0 {
		for k := range p.units {
			p.units[k].p[pGain] = f.snap(l, pGain, p.units[k].p[pGain], 0)
		}
		f.walk(p, l, 8)
		f.holdBoostOnSteps(p, l)
	} else {
		f.holdBoost(p)
	}
	r := SliderResult{FreqHz: slices.Clone(s.FreqHz), Q: s.Q, Prepared: pr}
	naive := p.clone()
	want := curve.Curve{LevelDB: pr.AskedDB}
	for k := range p.units {
		r.GainDB = append(r.GainDB, p.units[k].p[pGain])
		g := min(max(want.At(s.FreqHz[k]), s.MinDB), s.MaxDB)
		if s.StepDB > 0 {
			g = f.snap(l, pGain, g, 0)
		}
		r.NaiveDB = append(r.NaiveDB, g)
		naive.units[k].p[pGain] = g
	}
	p.respond()
	naive.respond()
	zero := make([]float64, curve.Points)
	before, _ := residual(pr.AskedDB, zero, pr.Weight, !s.FreeLevel)
	after, c := residual(pr.AskedDB, p.resp, pr.Weight, !s.FreeLevel)
	_, cw := residual(pr.WantDB, p.resp, pr.Weight, !s.FreeLevel)
	read, _ := residual(pr.AskedDB, naive.resp, pr.Weight, !s.FreeLevel)
	r.BeforeRMS, r.ResidualRMS, r.NaiveRMS = before.RMSDB, after.RMSDB, read.RMSDB
	if s.FreeLevel {
		r.LevelDB = pr.LevelDB + c
	}
	rest := make([]float64, curve.Points)
	for i, v := range p.resp {
		r.PeakDB = max(r.PeakDB, v)
		rest[i] = v + cw
	}
	for _, n := range runs(pr.FreqHz, pr.WantDB, rest, pr.Weight, 1, WhySliders) {
		if curve.Index(n.HighHz)-curve.Index(n.LowHz) >= 3 {
			r.Left = append(r.Left, n)
		}
	}
	r.Left = append(r.Left, pr.Left...)
	slices.SortStableFunc(r.Left, func(a, b Note) int {
		switch {
		case a.LowHz < b.LowHz:
			return -1
		case a.LowHz > b.LowHz:
			return 1
		}
		return 0
	})
	return r, nil
}
