package sweep

import (
	"fmt"
	"math"
	"math/bits"
	"math/rand/v2"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"cushwright/dsp/interval"
)

// Outcome is the verdict of Prove.
type Outcome string

// The outcomes.
const (
	Proven    Outcome = "proven"
	NotProven Outcome = "not proven"
	Missed    Outcome = "missed"
)

// OctaveResidual is what is left in one octave: corrected seats less the reference's, levels aligned.
type OctaveResidual struct {
	MidHz                  float64
	BeforeDB, BeforeHalfDB float64 // mean difference without correction and half-width of its 95 % interval; NaN if not given
	AfterDB, AfterHalfDB   float64 // the same with it
	ScatterDB              float64 // standard deviation of one seat
	Missed                 bool
}

// Proof is the answer of Prove.
type Proof struct {
	Outcome Outcome
	Octaves []OctaveResidual
	// Weighted RMS of the mean differences over third octaves, weights 1/(scatter² + 0.5²), in dB.
	BeforeRMSDB, AfterRMSDB float64
	// What that RMS stays below in 95 of 100 cases with nothing but scatter, for these numbers of seats.
	Band95DB      float64
	WithinScatter bool    // AfterRMSDB ≤ Band95DB
	P             float64 // chance of octaves and an RMS as far off where nothing is left, all judged together
	Shrink        float64 // 1 − after/before; NaN without before
	SeatsWanted   int     // how many seats on either side would make the intervals narrow enough
	Text          string
}

// ToleranceDB is the mean difference of an octave that counts as no miss whatever its interval. Common practice, no
// source.
const ToleranceDB = 1.0

// enoughScatter is how wide an interval may be, in units of the scatter of one seat, to prove anything: five seats on
// either side reach 1.46, four 1.73 (Student t). IEC 60268-7 wants an average of at least five reseats (from memory).
const enoughScatter = 1.5

// Prove sets seats through the correction against the reference's, all of one ear, levels in dB on freqHz with NaN
// where unusable; before, the new cushion without correction, may be nil. Levels are aligned between 200 Hz and 4 kHz,
// so the correction's headroom has no say.
//
// Intervals are those of interval.Difference. An octave is missed when its mean difference exceeds ToleranceDB and the
// interval that holds for all octaves together (Bonferroni). The band of the RMS comes from exchanging the seats'
// deviations between the two sides, which keeps their correlation over frequency: every exchange where there are no
// more than 1000, otherwise a fixed choice of 1000.
func Prove(freqHz []float64, reference, before, after [][]float64) (*Proof, error) {
	ref, err := group(freqHz, reference, "reference")
	if err != nil {
		return nil, err
	}
	aft, err := group(freqHz, after, "corrected")
	if err != nil {
		return nil, err
	}
	var bef [][]float64
	if len(before) > 0 {
		if bef, err = group(freqHz, before, "uncorrected"); err != nil {
			return nil, err
		}
	}
	p := &Proof{BeforeRMSDB: math.NaN(), Shrink: math.NaN()}
	weights := thirdWeights(ref, aft)
	p.AfterRMSDB = weightedRMS(meanOf(ref), meanOf(aft), weights)
	if bef != nil {
		p.BeforeRMSDB = weightedRMS(meanOf(ref), meanOf(bef), weights)
		p.Shrink = 1 - p.AfterRMSDB/p.BeforeRMSDB
	}
	chance := 0.0
	p.Band95DB, chance = scatterBand(ref, aft, weights, p.AfterRMSDB)
	p.WithinScatter = p.AfterRMSDB <= p.Band95DB
	chances := []float64{chance}

	enough := true
	var missed []string
	for o, midHz := range octaveMidHz {
		x, rest := residualOf(midHz, octave(ref, o), octave(aft, o))
		if bef != nil {
			was := between(octave(bef, o), octave(ref, o))
			x.BeforeDB, x.BeforeHalfDB = was.Value, was.Half95()
		}
		if x.Missed {
			missed = append(missed, fmt.Sprintf("%+.1f dB about %s", x.AfterDB, plainHz(midHz)))
		}
		chances, p.Octaves = append(chances, rest.P()), append(p.Octaves, x)
		wanted, narrow := x.narrows(len(octave(aft, o)), len(octave(ref, o)))
		p.SeatsWanted, enough = max(p.SeatsWanted, wanted), enough && narrow
	}
	p.P = interval.Together(chances)
	p.decide(missed, enough, min(len(ref), len(aft)), bef != nil)
	return p, nil
}

// residualOf is what is left in an octave, from one level a seat of the reference and of the corrected cushion.
func residualOf(midHz float64, ref, after []float64) (OctaveResidual, interval.Estimate) {
	x := OctaveResidual{MidHz: midHz, BeforeDB: math.NaN(), BeforeHalfDB: math.NaN()}
	rest := between(after, ref)
	x.AfterDB, x.AfterHalfDB = rest.Value, rest.Half95()
	_, sa := meanSD(after)
	_, sr := meanSD(ref)
	x.ScatterDB = math.Sqrt((sa*sa*float64(len(after)-1) + sr*sr*float64(len(ref)-1)) / float64(len(after)+len(ref)-2))
	x.Missed = math.Abs(x.AfterDB) > max(ToleranceDB, rest.HalfOf(len(octaveMidHz)))
	return x, rest
}

// narrows says how many seats on either side make the octave's interval narrow enough, and whether so many are. It
// rests on the pooled scatter of equally many seats, which does not hang on the luck of Welch's degrees of freedom. An
// octave whose scatter is not known asks for none.
func (x OctaveResidual) narrows(after, ref int) (wanted int, narrow bool) {
	if math.IsNaN(x.ScatterDB) {
		return 0, true
	}
	limit := max(enoughScatter, ToleranceDB/x.ScatterDB)
	for n := 2; n <= 50; n++ {
		if pooledHalf(n, n) <= limit {
			wanted = n
			break
		}
	}
	return wanted, pooledHalf(after, ref) <= limit
}

// decide gives the outcome; have is the smaller number of seats.
func (p *Proof) decide(missed []string, enough bool, have int, before bool) {
	switch {
	case len(missed) > 0:
		p.Outcome = Missed
		p.Text = "missed: " + strings.Join(missed, ", ")
	case !enough:
		p.Outcome = NotProven
		p.Text = fmt.Sprintf("not proven: the seats scatter too much for their number; %d seats on either side are needed, there are %d",
			p.SeatsWanted, have)
	case !p.WithinScatter:
		p.Outcome, p.SeatsWanted = NotProven, max(p.SeatsWanted, 2*have)
		p.Text = fmt.Sprintf("not proven: %.1f dB RMS are left, scatter alone stays below %.1f; no octave stands out, more seats (%d) would tell",
			p.AfterRMSDB, p.Band95DB, p.SeatsWanted)
	case before && !(p.AfterRMSDB < p.BeforeRMSDB):
		p.Outcome, p.SeatsWanted = NotProven, max(p.SeatsWanted, 2*have)
		p.Text = fmt.Sprintf("not proven: the difference was %.1f dB RMS without the correction and is %.1f with it",
			p.BeforeRMSDB, p.AfterRMSDB)
	default:
		p.Outcome = Proven
		p.Text = fmt.Sprintf("proven: %.1f dB RMS are left, no more than the scatter of the seats gives (%.1f)", p.AfterRMSDB, p.Band95DB)
		if before {
			p.Text += fmt.Sprintf("; it was %.1f without the correction", p.BeforeRMSDB)
		}
	}
}

func group(freqHz []float64, seats [][]float64, what string) ([][]float64, error) {
	if len(seats) < 2 {
		return nil, fmt.Errorf("sweep: prove with %q seats: at least two are needed, there are %d", what, len(seats))
	}
	var out [][]float64
	for i, s := range seats {
		f, err := aligned(freqHz, s)
		if err != nil {
			return nil, fmt.Errorf("sweep: prove with %q seat %d: %w", what, i+1, err)
		}
		out = append(out, f)
	}
	return out, nil
}

// octave returns every seat's mean over the third octaves of one octave, seats without any left out.
func octave(seats [][]float64, o int) []float64 {
	var out []float64
	for _, s := range seats {
		sum, n := 0.0, 0.0
		for b, f := range bands {
			if octaveOf(f) == o && !math.IsNaN(s[b]) {
				sum += s[b]
				n++
			}
		}
		if n > 0 {
			out = append(out, sum/n)
		}
	}
	return out
}

// between returns mean(a) − mean(b); not a number and unknown without any values.
func between(a, b []float64) interval.Estimate {
	if len(a) == 0 || len(b) == 0 {
		return interval.Estimate{Value: math.NaN(), SE: math.NaN()}
	}
	return interval.Difference(a, b)
}

// pooledHalf is the half-width of the 95 % interval of a difference of two means in units of the scatter.
func pooledHalf(n, m int) float64 {
	if n < 2 || m < 2 {
		return math.Inf(1)
	}
	return interval.T95(float64(n+m-2)) * math.Sqrt(1/float64(n)+1/float64(m))
}

// thirdWeights are 1/(scatter² + 0.5²) by third octave. An invented scatter counts for eight degrees of freedom: a band
// whose few seats agree by chance would otherwise outweigh all others.
func thirdWeights(groups ...[][]float64) []float64 {
	w := make([]float64, len(bands))
	for b := range w {
		prior := 2 * scatterDB(bands[b])
		sum, dof := 8*prior*prior, 8.0
		for _, g := range groups {
			if _, sd := bandStats(g, b); !math.IsNaN(sd) {
				sum += sd * sd * float64(len(g)-1)
				dof += float64(len(g) - 1)
			}
		}
		w[b] = 1 / (sum/dof + 0.25)
	}
	return w
}

func weightedRMS(a, b, w []float64) float64 {
	sum, norm := 0.0, 0.0
	for i := range w {
		if d := a[i] - b[i]; !math.IsNaN(d) {
			sum += w[i] * d * d
			norm += w[i]
		}
	}
	return math.Sqrt(sum / norm)
}

// scatterBand is the 95 % point of the weighted RMS between two groups that differ by nothing but scatter, and the
// chance that they are rmsDB apart or more.
func scatterBand(a, b [][]float64, w []float64, rmsDB float64) (band95DB, chance float64) {
	var dev [][]float64
	for _, g := range [][][]float64{a, b} {
		mean := meanOf(g)
		// Deviations from a mean of n are too small by this.
		k := math.Sqrt(float64(len(g)) / float64(len(g)-1))
		for _, s := range g {
			d := make([]float64, len(s))
			for i := range s {
				d[i] = (s[i] - mean[i]) * k
			}
			dev = append(dev, d)
		}
	}
	n, m := len(dev), len(a)
	var values []float64
	side := func(first func(i int) bool) {
		var l, r [][]float64
		for i, d := range dev {
			if first(i) {
				l = append(l, d)
			} else {
				r = append(r, d)
			}
		}
		values = append(values, weightedRMS(meanOf(l), meanOf(r), w))
	}
	if n <= 20 && binomial(n, m) <= 1000 {
		for mask := range uint32(1) << n {
			if bits.OnesCount32(mask) == m {
				side(func(i int) bool { return mask>>i&1 == 1 })
			}
		}
	} else {
		rng := rand.New(rand.NewPCG(1, 2))
		for range 1000 {
			order := rng.Perm(n)
			rank := make([]int, n)
			for pos, i := range order {
				rank[i] = pos
			}
			side(func(i int) bool { return rank[i] < m })
		}
	}
	// Few exchanges of few seats take no more than a few values, and the scatter is itself known from n − 2 deviations
	// only. So instead of counting, the squares are given the F distribution of that mean and spread; its second number
	// of degrees of freedom takes half of each deviation's, because the weights were estimated from them too.
	sq := make([]float64, len(values))
	for i, v := range values {
		sq[i] = v * v
	}
	mean, sd := meanSD(sq)
	if !(mean > 0) {
		if rmsDB > 0 {
			return 0, 0
		}
		return 0, 1
	}
	d1 := 2 * mean * mean / (sd * sd)
	d1 = min(d1, 12) // the invented scatter has no more independent parts than that
	d2 := d1 * float64(n-2) / 2
	f := distuv.F{D1: d1, D2: d2}
	return math.Sqrt(mean * f.Quantile(0.95)), f.Survival(rmsDB * rmsDB / mean)
}

func binomial(n, k int) int {
	v := 1
	for i := range k {
		v = v * (n - i) / (i + 1)
	}
	return v
}
