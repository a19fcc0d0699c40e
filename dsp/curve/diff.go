package curve

import (
	"fmt"
	"math"
	"slices"
)

// Diff is what a swap from a reference to a new cushion changes: new − ref. Slices have Points values.
// The response a correction must have is its negative, WantDB.
type Diff struct {
	Curve                   // new − ref, on the range both cover
	SpreadDB      []float64 // both cushions' seat-to-seat spreads, root of the sum of squares
	Half95DB      []float64 // half-width of the 95 % band of the difference; nil if either has a single seat
	OffsetDB      float64   // robust level of the difference: how much more sensitive the new cushion is
	Ref, New      Average
	AlignedBothDB float64 // what Aligned has taken off, otherwise 0
}

// Difference compares two averages as measured, which presumes one gain of the rig for both; see Diff.Aligned.
// The band of the difference is Welch's: t of the effective degrees of freedom times √(s1²/n1 + s2²/n2).
// Source: B. L. Welch, Biometrika 34 (1947); degrees of freedom after Satterthwaite (both from memory).
func Difference(ref, new Average) Diff {
	d := Diff{Curve: new.Minus(ref.Curve), SpreadDB: make([]float64, Points), Ref: ref, New: new}
	n1, n2 := float64(len(ref.Seats)), float64(len(new.Seats))
	if n1 > 1 && n2 > 1 {
		d.Half95DB = make([]float64, Points)
	}
	for k := range Points {
		s1, s2 := ref.SpreadDB[k], new.SpreadDB[k]
		d.SpreadDB[k] = math.Hypot(s1, s2)
		if d.Half95DB != nil {
			d.Half95DB[k] = welch(s1*s1, n1, s2*s2, n2)
		}
	}
	d.OffsetDB = AlignDB(new.Curve, ref.Curve)
	return d
}

// welch returns the 95 % half-width of a difference of means from the variances and counts.
func welch(v1, n1, v2, n2 float64) float64 {
	a, b := v1/n1, v2/n2
	if a+b == 0 {
		return 0
	}
	nu := (a + b) * (a + b) / (a*a/(n1-1) + b*b/(n2-1))
	return t95(nu) * math.Sqrt(a+b)
}

// Aligned returns the difference with its robust level, OffsetDB, taken off: for seats measured at different gains.
func (d Diff) Aligned() Diff {
	out := d
	out.Curve = d.Shift(-d.OffsetDB)
	out.New.Curve = d.New.Shift(-d.OffsetDB)
	out.New.Seats = slices.Clone(d.New.Seats)
	for i := range out.New.Seats {
		out.New.Seats[i] = out.New.Seats[i].Shift(-d.OffsetDB)
	}
	out.AlignedBothDB = d.AlignedBothDB + d.OffsetDB
	out.OffsetDB = 0
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

// Band is one row of a comparison. The level of a band is the mean of the dB values over log frequency.
type Band struct {
	Label         string  // nominal mid-band frequency (ISO 266) or the range's name
	LowHz, HighHz float64 // edges
	RefDB, NewDB  float64
	DiffDB        float64 // new − ref
	Half95DB      float64 // half-width of the 95 % band of DiffDB; 0 and HasHalf false if unknown
	HasHalf       bool
	Verdict       string // Real, Scatter or Unknown; each band is judged alone, so about 1 in 20 "real" is by chance
	Caution       string // empty, or why the rig is no ear here
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
	b := Band{Label: label, LowHz: lowHz, HighHz: highHz, Verdict: Unknown}
	var v, n [2]float64
	for i, a := range []Average{d.Ref, d.New} {
		m, sq := 0.0, 0.0
		levels := make([]float64, len(a.Seats))
		for k, s := range a.Seats {
			levels[k] = meanBetween(s.LevelDB, lo, hi)
			m += levels[k] / float64(len(levels))
		}
		for _, l := range levels {
			sq += (l - m) * (l - m)
		}
		n[i] = float64(len(levels))
		v[i] = sq / max(1, n[i]-1)
		if i == 0 {
			b.RefDB = m
		} else {
			b.NewDB = m
		}
	}
	b.DiffDB = b.NewDB - b.RefDB
	if n[0] > 1 && n[1] > 1 {
		b.HasHalf, b.Half95DB = true, welch(v[0], n[0], v[1], n[1])
		if b.Verdict = Scatter; math.Abs(b.DiffDB) > b.Half95DB {
			b.Verdict = Real
		}
	}
	if lowHz < 0.9*CouplerLowHz/math.Sqrt2 {
		b.Caution = "below 100 Hz a coupler is no ear: no leak is simulated"
	} else if highHz > 1.15*CouplerHighHz {
		b.Caution = "above 10 kHz a coupler is no ear"
	}
	return b, true
}

func meanBetween(v []float64, lo, hi float64) float64 {
	a, b := Index(lo), Index(hi)
	sum := 0.0
	for _, x := range v[a : b+1] {
		sum += x
	}
	return sum / float64(b-a+1)
}

// Summary is a difference in four lines. A range that was not measured has an empty Label.
type Summary struct {
	Bass, Middle, Treble Band    // 20–250 Hz, 250 Hz–2 kHz, 2–10 kHz
	SensitivityDB        float64 // robust level of new − ref, 200 Hz to 4 kHz, before any alignment
}

// Summary sums the difference up.
func (d Diff) Summary() (s Summary) {
	s.Bass, _ = d.Range("bass", 20, 250)
	s.Middle, _ = d.Range("middle", 250, 2000)
	s.Treble, _ = d.Range("treble", 2000, 10000)
	s.SensitivityDB = d.OffsetDB + d.AlignedBothDB
	return s
}

// Imbalance compares the ears of one cushion: right − left, in octave bands, with the robust level of the difference.
func Imbalance(left, right Average) (bands []Band, levelDB float64) {
	d := Difference(left, right)
	return d.Octaves(), d.OffsetDB
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

// SmoothedHalf95DB returns the 95 % half-width with its square averaged over about an octave; nil if unknown.
func (d Diff) SmoothedHalf95DB() []float64 {
	if d.Half95DB == nil {
		return nil
	}
	v := make([]float64, Points)
	for i, s := range d.Half95DB {
		v[i] = s * s
	}
	v = smooth(v, 1)
	for i := range v {
		v[i] = math.Sqrt(v[i])
	}
	return v
}
