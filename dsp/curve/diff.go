package curve

import (
	"fmt"
	"math"

	"cushwright/dsp/interval"
)

// Diff is what a swap from a reference to a new cushion changes: new − ref. Slices have Points values.
// The response a correction must have is its negative, WantDB.
type Diff struct {
	Curve                       // new − ref, on the range both cover
	SpreadDB  []float64         // scatter of a seat's shape, levels taken out: of both cushions, root of the sum of squares
	Half95DB  []float64         // half-width of the 95 % interval of Curve, at each point; nil if either has a single seat
	Level     interval.Estimate // by how much the new cushion is louder, 200 Hz to 4 kHz, in dB; 0 once aligned
	AlignedDB float64           // what Aligned has taken off, otherwise 0
	Ref, New  Average
}

// Difference compares two averages as measured, which presumes one gain of the rig for both; see Diff.Aligned.
// Intervals are those of interval.Difference.
func Difference(ref, new Average) Diff {
	d := Diff{Curve: new.Minus(ref.Curve), SpreadDB: make([]float64, Points), Ref: ref, New: new}
	for k := range Points {
		d.SpreadDB[k] = math.Hypot(ref.SpreadDB[k], new.SpreadDB[k])
	}
	d.Half95DB = halves(ref.Seats, new.Seats)
	l := levelOver(d.LowHz, d.HighHz)
	d.Level = interval.Sum(new.mean(l), ref.mean(l).Scaled(-1))
	return d
}

// halves is the half-width of the 95 % interval of the difference of two groups at each point; nil if one is of a single seat.
func halves(ref, new []Curve) []float64 {
	if len(ref) < 2 || len(new) < 2 {
		return nil
	}
	out, a, b := make([]float64, Points), make([]float64, len(ref)), make([]float64, len(new))
	for k := range out {
		for i := range ref {
			a[i] = ref[i].LevelDB[k]
		}
		for i := range new {
			b[i] = new[i].LevelDB[k]
		}
		out[k] = interval.Difference(b, a).Half95()
	}
	return out
}

// Aligned compares shapes: each seat's own level is taken out, that of 200 Hz to 4 kHz, for seats measured at different
// gains. Since it is taken out of every seat, the intervals hold the uncertainty of the levels too.
func (d Diff) Aligned() Diff {
	l := levelOver(d.LowHz, d.HighHz)
	level := d.Ref.mean(l).Value
	out := Difference(d.Ref.levelled(l, level), d.New.levelled(l, level))
	out.AlignedDB = d.AlignedDB + d.Level.Value
	return out
}

// WantDB returns the response a correction should have: ref − new.
func (d Diff) WantDB() []float64 {
	w := make([]float64, Points)
	for i, v := range d.LevelDB {
		w[i] = -v
	}
	return w
}

// The verdicts of a band.
const (
	Real    = "real"
	Scatter = "within seating scatter"
	Unknown = "unknown: one seat tells nothing of the scatter"
)

// LeastDB is the least difference of a band that can be called real: responses are written to about as many decimals.
const LeastDB = 0.01

// Band is one row of a comparison. The level of a band is the mean of the dB values over log frequency.
type Band struct {
	Label         string  // nominal mid-band frequency (ISO 266) or the range's name
	LowHz, HighHz float64 // edges
	RefDB, NewDB  float64
	DiffDB        float64 // new − ref
	Half95DB      float64 // half-width of the 95 % band of DiffDB; 0 and HasHalf false if unknown
	HasHalf       bool
	P             float64 // chance of a difference as large where there is none; 1 if unknown
	Verdict       string  // Real, Scatter or Unknown; each band is judged alone, so 1 in 20 equal ones is "real" by chance
	Caution       string  // empty, or why the rig is no ear here
}

// Octaves returns the ten octave bands of IEC 61260-1:2014 from 31.5 Hz to 16 kHz: exact mid-bands 1000·G^k Hz with
// G = 10^0.3, edges a factor G^½ = 1.412538 away, labels nominal. Bands of which less than half was measured are left out.
func (d Diff) Octaves() []Band {
	labels := []string{"31.5", "63", "125", "250", "500", "1k", "2k", "4k", "8k", "16k"}
	var out []Band
	for i, l := range labels {
		mid := 1000 * math.Pow(10, 0.3*float64(i-5))
		if b, ok := d.Range(l, mid/math.Pow(10, 0.15), mid*math.Pow(10, 0.15)); ok {
			out = append(out, b)
		}
	}
	return out
}

// Range compares the two cushions over one range of frequencies; false if less than half of it (in octaves) was measured.
// The seats' own band levels give the confidence, so no assumption about how scatter hangs together over frequency enters.
func (d Diff) Range(label string, lowHz, highHz float64) (Band, bool) {
	lo, hi := max(lowHz, d.LowHz), min(highHz, d.HighHz)
	if hi <= lo || math.Log(hi/lo) < 0.5*math.Log(highHz/lowHz) {
		return Band{}, false
	}
	b := Band{Label: label, LowHz: lowHz, HighHz: highHz, P: 1, Verdict: Unknown}
	band := meanFrom(Index(lo), Index(hi))
	ref, new := d.Ref.mean(band), d.New.mean(band)
	e := interval.Sum(new, ref.Scaled(-1))
	b.RefDB, b.NewDB, b.DiffDB = ref.Value, new.Value, e.Value
	if ref.N > 1 && new.N > 1 {
		b.HasHalf, b.Half95DB, b.P, b.Verdict = true, e.Half95(), 1, Scatter
		if math.Abs(e.Value) >= LeastDB {
			if b.P = e.P(); e.Real() {
				b.Verdict = Real
			}
		}
	}
	if lowHz < 0.9*CouplerLowHz/math.Sqrt2 {
		b.Caution = "below 100 Hz a coupler is no ear: no leak is simulated"
	} else if highHz > 1.15*CouplerHighHz {
		b.Caution = "above 10 kHz a coupler is no ear"
	}
	return b, true
}

// Ranges returns bass, middle and treble: 20 to 250 Hz, 250 Hz to 2 kHz, 2 to 10 kHz, of which at least half was measured.
func (d Diff) Ranges() (out []Band) {
	for _, r := range []struct {
		label         string
		lowHz, highHz float64
	}{{"bass", 20, 250}, {"middle", 250, 2000}, {"treble", 2000, 10000}} {
		if b, ok := d.Range(r.label, r.lowHz, r.highHz); ok {
			out = append(out, b)
		}
	}
	return out
}

// Sensitivity is by how much the new cushion is louder, decided for all ears together: the mean of the ears' levels of
// difference, each by the same range of frequencies. Where both ears have equally many seats, the seats of the same number
// are taken as one placement of both ears, whose levels may move together.
func Sensitivity(ears ...Diff) interval.Estimate {
	lo, hi := LowHz, HighHz
	for _, d := range ears {
		lo, hi = max(lo, d.LowHz), min(hi, d.HighHz)
	}
	if lo >= hi {
		lo, hi = LowHz, HighHz
	}
	level := levelOver(lo, hi)
	side := func(of func(Diff) Average) (out []interval.Mean) {
		var levels [][]float64
		paired := true
		for _, d := range ears {
			levels = append(levels, of(d).values(level))
			paired = paired && len(levels[0]) == len(levels[len(levels)-1])
		}
		share := 1 / float64(len(ears))
		if !paired {
			for _, l := range levels {
				out = append(out, interval.MeanOf(l).Scaled(share))
			}
			return out
		}
		both := make([]float64, len(levels[0]))
		for _, l := range levels {
			for i := range both {
				both[i] += l[i] * share
			}
		}
		return []interval.Mean{interval.MeanOf(both)}
	}
	means := side(func(d Diff) Average { return d.New })
	for _, m := range side(func(d Diff) Average { return d.Ref }) {
		means = append(means, m.Scaled(-1))
	}
	return interval.Sum(means...)
}

// Anything is the chance of octave bands as far apart as those of these ears where nothing differs at all: below 0.05, some
// difference is real, although no single band need be sure. It is 1 where no scatter is known.
func Anything(ears ...Diff) float64 {
	var p []float64
	for _, d := range ears {
		for _, b := range d.Octaves() {
			if b.HasHalf {
				p = append(p, b.P)
			}
		}
	}
	return interval.Together(p)
}

// An occluded-ear simulator stands for an ear from 100 Hz to 10 kHz only; beyond, to 20 Hz and 16 kHz, it is a mere
// coupler and simulates no leakage. Source: IEC 60318-4:2010, scope.
const CouplerLowHz, CouplerHighHz, CouplerEndHz = 100.0, 10000.0, 16000.0

// CouplerWarnings says what of a measured range must not be taken for what an ear hears.
func (c Curve) CouplerWarnings() (w []string) {
	if c.LowHz < CouplerLowHz {
		w = append(w, fmt.Sprintf("%.0f to 100 Hz: the rig is only a coupler and simulates no leak, so bass on a head may be less (IEC 60318-4)", c.LowHz))
	}
	if c.HighHz > CouplerHighHz {
		w = append(w, fmt.Sprintf("10 kHz to %.4g kHz: the rig is only a coupler, not an ear (IEC 60318-4)", min(c.HighHz, CouplerEndHz)/1000))
	}
	if c.HighHz > CouplerEndHz {
		w = append(w, "above 16 kHz: outside what a coupler is made for (IEC 60318-4)")
	}
	return w
}

// SmoothedSpreadDB returns the spread with its variance averaged over about an octave (Hann): the spread of a handful of
// seats is itself uncertain, by a third for five of them, and weights should not follow its chance dips.
func (d Diff) SmoothedSpreadDB() []float64 {
	v := make([]float64, Points)
	for i, s := range d.SpreadDB {
		v[i] = s * s
	}
	v = smooth(v, 1)
	for i := range v {
		v[i] = math.Sqrt(v[i])
	}
	return v
}

// SmoothedHalf95DB returns the half-width of the 95 % interval of the difference smoothed to 1/fraction octave. It is nil if
// unknown.
func (d Diff) SmoothedHalf95DB(fraction float64) []float64 {
	smoothed := func(seats []Curve) (out []Curve) {
		for _, c := range seats {
			out = append(out, c.Smooth(fraction))
		}
		return out
	}
	return halves(smoothed(d.Ref.Seats), smoothed(d.New.Seats))
}
