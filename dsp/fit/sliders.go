package fit

import (
	"cmp"
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

// Kind is how an equaliser makes a bell: as an analog one, or by the bilinear transform at RateHz, which narrows what
// lies near half the rate.
type Kind struct {
	RateHz float64 // 0: analog
}

func (k Kind) String() string {
	if k.RateHz == 0 {
		return "analog"
	}
	return fmt.Sprintf("bilinear at %g kHz", k.RateHz/1000)
}

// The kinds of bells that sliders are judged on: those at higher rates lie between these.
var (
	Analog   = []Kind{{}}
	Bilinear = []Kind{{RateHz: 44100}, {RateHz: 48000}}
	AnyKind  = []Kind{{}, {RateHz: 44100}, {RateHz: 48000}}
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
	Kinds        []Kind    // what the bells may be: the worst of them is made best; default AnyKind
}

// KindResult is what positions leave on one kind of bells.
type KindResult struct {
	Kind        Kind
	ResidualRMS float64
	NaiveRMS    float64
}

// SliderResult holds positions and what they leave, each judged by the sliders' own overlapping response and weighted by
// 1/(spread² + floor²) against what the target asks. The limits of the spec hold for both, on each of its kinds.
type SliderResult struct {
	FreqHz      []float64
	GainDB      []float64
	Q           float64
	NaiveDB     []float64    // the naive reading: the target's level at each centre, on the step, within the limits
	BeforeRMS   float64      // all sliders at zero
	ResidualRMS float64      // the most on any of the spec's kinds
	NaiveRMS    float64      // likewise
	Kinds       []KindResult // each kind of AnyKind, then others of the spec
	LevelDB     float64      // with FreeLevel: left to the volume control
	PeakDB      float64      // highest level of the sliders together, ≥ 0
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
	if s.MaxBoostDB == 0 {
		s.MaxBoostDB = 6
	}
	if len(s.Kinds) == 0 {
		s.Kinds = AnyKind
	}
	return s
}

// check says what of the spec is impossible.
func (s SliderSpec) check() error {
	bad := func(key, value, allowed string) error {
		return fmt.Errorf("fit: set sliders: %w", &dsp.RangeError{Key: key, Value: value, Allowed: allowed})
	}
	if len(s.FreqHz) == 0 || len(s.FreqHz) > dsp.MaxBands {
		return bad("number of sliders", fmt.Sprint(len(s.FreqHz)), fmt.Sprintf("1 to %d", dsp.MaxBands))
	}
	for i := range s.FreqHz {
		if !(s.FreqHz[i] > 0) || i > 0 && s.FreqHz[i] <= s.FreqHz[i-1] {
			return bad(fmt.Sprintf("slider %d", i+1), fmt.Sprintf("%g", s.FreqHz[i]), "frequencies in ascending order")
		}
	}
	if s.MaxMoveDB < 0 || math.IsNaN(s.MaxMoveDB) {
		return bad("largest move", fmt.Sprintf("%g", s.MaxMoveDB), "0 or more dB")
	}
	for _, k := range s.Kinds {
		if k.RateHz != 0 && !(k.RateHz >= dsp.MinRateHz && k.RateHz <= dsp.MaxRateHz) {
			return bad("rate_hz", fmt.Sprintf("%g", k.RateHz), "44100 to 384000 Hz")
		}
	}
	return nil
}

// Sliders finds the positions that together come closest to the target, by least squares over the sliders' own
// responses, because they overlap, and re-optimises them on the step. Where several kinds of bells are possible, the
// kind that is left with most is given the best.
func Sliders(t Target, s SliderSpec) (SliderResult, error) {
	if err := s.check(); err != nil {
		return SliderResult{}, err
	}
	s = s.withDefaults()
	o := Options{FloorDB: s.FloorDB, MaxBoostDB: s.MaxBoostDB, FixedLevel: !s.FreeLevel, FullTreble: s.FullTreble,
		EveryDetail: s.EveryDetail,
		For: &Equaliser{FixedFreqHz: s.FreqHz, FixedQ: s.Q, GainMinDB: s.MinDB, GainMaxDB: s.MaxDB,
			GainStepDB: s.StepDB}}.withDefaults()
	if err := o.check(); err != nil {
		return SliderResult{}, err
	}
	pr, err := Prepare(t, o)
	if err != nil {
		return SliderResult{}, err
	}
	w := newRow(pr, s)
	r := SliderResult{FreqHz: slices.Clone(s.FreqHz), Q: s.Q, Prepared: pr, GainDB: w.best(), NaiveDB: w.naive()}
	before, _ := residual(pr.AskedDB, make([]float64, curve.Points), pr.Weight, !s.FreeLevel)
	r.BeforeRMS = before.RMSDB
	r.PeakDB = max(0, w.peak(r.GainDB))
	var worst []float64
	for _, k := range append(slices.Clone(AnyKind), s.Kinds...) {
		if slices.ContainsFunc(r.Kinds, func(have KindResult) bool { return have.Kind == k }) {
			continue
		}
		b := newBells(k, s.FreqHz, s.Q, pr.FreqHz)
		resp := b.respond(r.GainDB)
		after, c := residual(pr.AskedDB, resp, pr.Weight, !s.FreeLevel)
		read, _ := residual(pr.AskedDB, b.respond(r.NaiveDB), pr.Weight, !s.FreeLevel)
		r.Kinds = append(r.Kinds, KindResult{k, after.RMSDB, read.RMSDB})
		if !slices.Contains(s.Kinds, k) {
			continue
		}
		r.NaiveRMS = max(r.NaiveRMS, read.RMSDB)
		if worst == nil || after.RMSDB > r.ResidualRMS {
			worst, r.ResidualRMS = resp, after.RMSDB
			if s.FreeLevel {
				r.LevelDB = pr.LevelDB + c
			}
		}
	}
	_, c := residual(pr.WantDB, worst, pr.Weight, !s.FreeLevel)
	for i := range worst {
		worst[i] += c
	}
	for _, n := range runs(pr.FreqHz, pr.WantDB, worst, pr.Weight, 1, WhySliders) {
		if curve.Index(n.HighHz)-curve.Index(n.LowHz) >= 3 {
			r.Left = append(r.Left, n)
		}
	}
	r.Left = append(r.Left, pr.Left...)
	slices.SortStableFunc(r.Left, func(a, b Note) int { return cmp.Compare(a.LowHz, b.LowHz) })
	return r, nil
}

// SlidersApart finds each ear's own positions. With FreeLevel both ears have one common level, so that the balance
// between them stays as it is; balanceDB is the level by which the left ear wants more than the right, see DeriveApart.
// Otherwise each ear's level is taken literally, and balanceDB is 0.
func SlidersApart(left, right Target, s SliderSpec) (l, r SliderResult, balanceDB float64, err error) {
	if !s.FreeLevel {
		if l, err = Sliders(left, s); err == nil {
			r, err = Sliders(right, s)
		}
		return l, r, 0, err
	}
	both, err := Together(left, right)
	if err != nil {
		return l, r, 0, err
	}
	common, err := Sliders(both, s)
	if err != nil {
		return l, r, 0, err
	}
	if left, err = left.onGrid(); err != nil {
		return l, r, 0, err
	}
	if right, err = right.onGrid(); err != nil {
		return l, r, 0, err
	}
	apart := make([]float64, len(left.WantDB))
	for i := range apart {
		apart[i] = left.WantDB[i] - right.WantDB[i]
	}
	balanceDB = levelOf(apart)
	s.FreeLevel = false
	one := func(t Target, level float64) (SliderResult, error) {
		t.WantDB, t.BelievedDB = lowered(t.WantDB, level), lowered(t.BelievedDB, level)
		res, err := Sliders(t, s)
		if err != nil {
			return res, err
		}
		res.LevelDB = level
		// What sliders at zero leave has its best level too.
		before, _ := residual(res.Prepared.AskedDB, make([]float64, len(t.WantDB)), res.Prepared.Weight, false)
		res.BeforeRMS = before.RMSDB
		return res, nil
	}
	if l, err = one(left, common.LevelDB+balanceDB/2); err == nil {
		r, err = one(right, common.LevelDB-balanceDB/2)
	}
	return l, r, balanceDB, err
}
