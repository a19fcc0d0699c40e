package fit

import (
	"fmt"
	"math"
	"slices"

	"cushwright/dsp"
	"cushwright/dsp/curve"
)

// Target is the response wanted of a correction, for one ear or for both.
type Target struct {
	Ear      dsp.Ear   // taken over into the bands
	FreqHz   []float64 // ascending; nil stands for curve.Grid
	WantDB   []float64 // same length: reference − new
	SpreadDB []float64 // seat-to-seat standard deviation of the difference; nil: no scatter known, all weights equal
	Half95DB []float64 // half-width of the 95 % band of WantDB, level aside; nil: unknown

	// BelievedDB is what the seats make believable of WantDB (curve.Believe); nil: the same as WantDB. It is what is
	// fitted, while WantDB is what the result is judged by.
	BelievedDB []float64
	// UnsureDB is the standard deviation that BelievedDB is known with, level aside; nil: nothing is known of the scatter.
	UnsureDB []float64
	Seats    int // of the cushion and ear with the fewest; 0: unknown

	LowHz, HighHz float64 // range that was measured; 0: all of FreqHz. Outside, nothing is asked for

	diff *curve.Diff // what it comes from, if from seats
	own  []float64   // BelievedDB as this ear alone has it
}

// TargetOf makes the target that takes a new cushion's sound back to the reference's.
func TargetOf(ear dsp.Ear, d curve.Diff) Target {
	t := Target{Ear: ear, WantDB: d.WantDB(), LowHz: d.LowHz, HighHz: d.HighHz, diff: &d}
	b := curve.Believe(d)
	t.BelievedDB = wanted(b, t.WantDB)
	t.own = slices.Clone(t.BelievedDB)
	t.know(b)
	return t
}

// giveBack is the share of what the seats do not make believable that is asked of the bands all the same, once it is clear that
// the cushions differ. A few bands follow no fine detail anyway, so that less must be taken off for them than off a curve.
const giveBack = 0.3

// wanted is what a belief asks of a correction, where measured is what the mean of the seats asks.
func wanted(b curve.Belief, measured []float64) []float64 {
	out := make([]float64, len(measured))
	for i, v := range b.LevelDB {
		out[i] = -v + giveBack*b.Real*(measured[i]+v)
	}
	return out
}

// know sets how well it is known.
func (t *Target) know(b curve.Belief) {
	t.UnsureDB, t.SpreadDB, t.Half95DB, t.Seats = b.SDDB, b.SpreadDB, nil, b.Seats
	if b.NoiseDB != nil {
		t.Half95DB = make([]float64, len(b.NoiseDB))
		for i, v := range b.NoiseDB {
			t.Half95DB[i] = normal95 * v
		}
	}
}

const normal95 = 1.959964 // two-sided 95 % of a normal deviate

// believeTogether lets each of two ears' targets lean on the other's seats, and returns what they have in common; false
// where one of them does not come from seats. What was added to a target since TargetOf stays in it.
func believeTogether(l, r *Target) (both Target, ok bool) {
	if l.diff == nil || r.diff == nil {
		return Target{}, false
	}
	bl, br, bb := curve.BelieveEars(*l.diff, *r.diff)
	both = Target{BelievedDB: make([]float64, curve.Points)}
	both.know(bb)
	wl, wr := l.diff.WantDB(), r.diff.WantDB()
	mean := make([]float64, curve.Points)
	for i := range mean {
		mean[i] = (wl[i] + wr[i]) / 2
	}
	common := wanted(bb, mean)
	for _, t := range []struct {
		*Target
		b    curve.Belief
		want []float64
	}{{l, bl, wl}, {r, br, wr}} {
		was, own := t.BelievedDB, t.own
		t.own = wanted(t.b, t.want)
		t.know(t.b)
		t.BelievedDB = slices.Clone(t.own)
		for i := range was {
			t.BelievedDB[i] += was[i] - own[i]
			both.BelievedDB[i] += (was[i] - own[i]) / 2
		}
	}
	for i, v := range common {
		both.BelievedDB[i] += v
	}
	return both, true
}

// Together is the target for one correction on both ears: what the seats of both make believable of the mean of what the
// two want. By how much the ears disagree has no say in the weights: whatever a common correction does, that part of the
// two ears' squared errors stays the same.
func Together(left, right Target) (Target, error) {
	both, joint := believeTogether(&left, &right)
	l, err := left.onGrid()
	if err != nil {
		return Target{}, err
	}
	r, err := right.onGrid()
	if err != nil {
		return Target{}, err
	}
	t := Target{Ear: dsp.Both, WantDB: make([]float64, curve.Points), SpreadDB: make([]float64, curve.Points),
		BelievedDB: make([]float64, curve.Points), LowHz: max(l.LowHz, r.LowHz), HighHz: min(l.HighHz, r.HighHz)}
	if l.Half95DB != nil && r.Half95DB != nil {
		t.Half95DB = make([]float64, curve.Points)
	}
	if l.Seats > 0 && r.Seats > 0 {
		t.Seats = min(l.Seats, r.Seats)
	}
	for i := range t.WantDB {
		t.WantDB[i] = (l.WantDB[i] + r.WantDB[i]) / 2
		t.BelievedDB[i] = (l.BelievedDB[i] + r.BelievedDB[i]) / 2
		t.SpreadDB[i] = math.Sqrt((l.SpreadDB[i]*l.SpreadDB[i] + r.SpreadDB[i]*r.SpreadDB[i]) / 2)
		if t.Half95DB != nil {
			t.Half95DB[i] = math.Hypot(l.Half95DB[i], r.Half95DB[i]) / 2
		}
	}
	if joint {
		t.BelievedDB, t.UnsureDB, t.Half95DB = both.BelievedDB, both.UnsureDB, both.Half95DB
	}
	return t, nil
}

// onGrid checks the target and resamples it onto the grid of package curve.
func (t Target) onGrid() (Target, error) {
	f := t.FreqHz
	if f == nil {
		f = curve.Grid()
	}
	if len(f) != len(t.WantDB) || t.SpreadDB != nil && len(t.SpreadDB) != len(f) || t.Half95DB != nil && len(t.Half95DB) != len(f) ||
		t.BelievedDB != nil && len(t.BelievedDB) != len(f) || t.UnsureDB != nil && len(t.UnsureDB) != len(f) {
		return t, fmt.Errorf("fit: read target: %d frequencies, %d levels, %d spreads, %d bands, %d believed levels, %d standard deviations do not belong together",
			len(f), len(t.WantDB), len(t.SpreadDB), len(t.Half95DB), len(t.BelievedDB), len(t.UnsureDB))
	}
	if len(f) < 2 {
		return t, fmt.Errorf("fit: read target: %d points, at least 2 are needed", len(f))
	}
	for i := range f {
		ok := f[i] > 0 && !math.IsInf(f[i], 0) && finite(t.WantDB[i]) && (i == 0 || f[i] > f[i-1])
		if t.SpreadDB != nil {
			ok = ok && t.SpreadDB[i] >= 0 // +Inf is fine: no weight
		}
		if t.Half95DB != nil {
			ok = ok && t.Half95DB[i] >= 0
		}
		if t.BelievedDB != nil {
			ok = ok && finite(t.BelievedDB[i])
		}
		if t.UnsureDB != nil {
			ok = ok && t.UnsureDB[i] >= 0
		}
		if !ok {
			return t, fmt.Errorf("fit: read target: point %d (%g Hz, %g dB) is not finite, not ascending or has a negative spread", i+1, f[i], t.WantDB[i])
		}
	}
	out := t
	if t.LowHz == 0 {
		out.LowHz = f[0]
	}
	if t.HighHz == 0 {
		out.HighHz = f[len(f)-1]
	}
	out.LowHz, out.HighHz = max(out.LowHz, f[0]), min(out.HighHz, f[len(f)-1])
	// The grid's own ends may differ from the target's by rounding only; such a point still counts as measured.
	out.LowHz, out.HighHz = out.LowHz*(1-1e-9), out.HighHz*(1+1e-9)
	g := curve.Grid()
	out.FreqHz = g
	out.WantDB = resample(f, t.WantDB, g)
	out.BelievedDB = out.WantDB
	if t.BelievedDB != nil {
		out.BelievedDB = resample(f, t.BelievedDB, g)
	}
	out.SpreadDB = make([]float64, len(g))
	if t.SpreadDB != nil {
		out.SpreadDB = resample(f, t.SpreadDB, g)
	}
	if t.Half95DB != nil {
		out.Half95DB = resample(f, t.Half95DB, g)
	}
	if t.UnsureDB != nil {
		out.UnsureDB = resample(f, t.UnsureDB, g)
	}
	return out, nil
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

func resample(f, v, g []float64) []float64 {
	out := make([]float64, len(g))
	k := 0
	for i, x := range g {
		for k < len(f) && f[k] < x*(1-1e-12) {
			k++
		}
		switch {
		case k < len(f) && math.Abs(f[k]/x-1) < 1e-9:
			out[i] = v[k]
		case k == 0:
			out[i] = v[0]
		case k == len(f):
			out[i] = v[len(v)-1]
		default:
			t := math.Log(x/f[k-1]) / math.Log(f[k]/f[k-1])
			out[i] = v[k-1] + t*(v[k]-v[k-1])
		}
	}
	return out
}

// levelOf is the level of a wanted response, by curve.Level.
func levelOf(want []float64) float64 {
	return curve.Level(curve.Curve{LevelDB: want, LowHz: curve.LowHz, HighHz: curve.HighHz})
}

// Note says what was left uncorrected, and why.
type Note struct {
	LowHz, HighHz float64
	RestDB        float64 // the largest departure there from what was wanted; + means level is missing
	Why           string
}

// The reasons for leaving something uncorrected.
const (
	WhyNull     = "a deep narrow null that nothing proves to stand still: filling it costs headroom"
	WhyMoves    = "a deep narrow null that moves with the seats: filling it costs headroom and serves no other seat"
	WhyFew      = "not proven by so few seats"
	WhyBoost    = "the boost of all bands together is limited"
	WhyTreble   = "above 10 kHz the rig is no ear: boost is held to 3 dB, and without proof only the broad course is followed"
	WhyScatter  = "within the scatter of the seats: the detail may not be there next time"
	WhyBands    = "more bands would be needed"
	WhySettings = "the equaliser's ranges and steps do not reach it"
	WhySliders  = "between the sliders, or beyond their range and step"
)

// fewSeats is below how many seats of a cushion their scatter is hardly known.
const fewSeats = 3

// Prepared is what the bands are fitted to, on the grid of package curve, after everything has been taken out of the
// wanted response that should not be corrected.
type Prepared struct {
	FreqHz  []float64
	AskedDB []float64 // the target less its level
	WantDB  []float64 // what of it the bands are to reach
	Weight  []float64 // sums to 1
	LevelDB float64   // robust level taken off; 0 with Options.FixedLevel
	Left    []Note

	enough float64   // weighted RMS in dB that is as good as none
	meanDB []float64 // what the plain mean asks for within the limits; nil where it is what WantDB follows
}

// leastEnough is the least Prepared.enough.
const leastEnough = 0.005

const (
	nullOctave  = 1.0 / 3 // a null narrower than this …
	nullDB      = 4.0     // … and deeper than this is left alone; both common practice, no source
	nullHalf    = 8       // half of nullOctave in points
	proof       = 3.0     // standard deviations by which a null must stand out to be taken for one that stands still
	trebleHz    = 10000.0 // IEC 60318-4:2010: the occluded-ear simulator is no ear above
	trebleBoost = 3.0
)

// Prepare weighs the target and removes what the options forbid to correct.
func Prepare(t Target, o Options) (Prepared, error) {
	o = o.withDefaults()
	t, err := t.onGrid()
	if err != nil {
		return Prepared{}, err
	}
	p := Prepared{FreqHz: t.FreqHz, Weight: make([]float64, curve.Points)}
	sum := 0.0
	for i, f := range p.FreqHz {
		if f >= t.LowHz && f <= t.HighHz {
			p.Weight[i] = 1 / (t.SpreadDB[i]*t.SpreadDB[i] + o.FloorDB*o.FloorDB)
			sum += p.Weight[i]
		}
	}
	if !(sum > 0) {
		return Prepared{}, fmt.Errorf("fit: weigh target: nothing of it lies between %g and %g Hz with a finite spread", t.LowHz, t.HighHz)
	}
	for i := range p.Weight {
		p.Weight[i] /= sum
	}
	// Nothing is gained by following the target closer than a few hundredths of what the seats can prove.
	p.enough = leastEnough
	if t.Half95DB != nil && !o.EveryDetail {
		sq := 0.0
		for i, h := range t.Half95DB {
			if p.Weight[i] > 0 {
				sq += p.Weight[i] * min(h, 10) * min(h, 10)
			}
		}
		p.enough = min(max(0.05*math.Sqrt(sq), leastEnough), 0.1)
	}
	if !o.FixedLevel {
		p.LevelDB = levelOf(t.WantDB)
	}
	p.AskedDB = make([]float64, curve.Points)
	for i, v := range t.WantDB {
		p.AskedDB[i] = v - p.LevelDB
	}
	want := slices.Clone(p.AskedDB)
	note := func(next []float64, threshold float64, why string) {
		p.Left = append(p.Left, runs(p.FreqHz, want, next, p.Weight, threshold, why)...)
		want = next
	}
	if !o.EveryDetail {
		next := make([]float64, len(want))
		for i := range next {
			next[i] = t.BelievedDB[i] - p.LevelDB
		}
		p.Left = append(p.Left, disbelieved(t, want, next, p.Weight)...)
		want = next
		why := WhyNull
		switch {
		case t.UnsureDB == nil:
		case t.Seats < fewSeats:
			why = WhyFew
		default:
			why = WhyMoves
		}
		note(spared(want, t.UnsureDB), 1, why)
	}
	if !o.FullTreble {
		note(heldTreble(want, t.UnsureDB != nil && !o.EveryDetail), 1, WhyTreble)
	}
	next := lowest(want, o.MaxBoostDB)
	if !o.EveryDetail && t.UnsureDB != nil {
		p.meanDB = p.AskedDB
		if !o.FullTreble {
			p.meanDB = heldTreble(p.meanDB, true)
		}
		p.meanDB = lowest(p.meanDB, o.MaxBoostDB)
	}
	note(next, 0.1, fmt.Sprintf("%s to %.3g dB", WhyBoost, o.MaxBoostDB))
	p.WantDB = want
	return p, nil
}

// lowest is v where it is below limit, and limit elsewhere.
func lowest(v []float64, limit float64) []float64 {
	out := slices.Clone(v)
	for i := range out {
		out[i] = min(out[i], limit)
	}
	return out
}

// disbelieved says what of the wanted response the seats do not make believable, and why.
func disbelieved(t Target, want, believed, weight []float64) []Note {
	notes := runs(t.FreqHz, want, believed, weight, 1.5, WhyScatter)
	open := opening(want, nullHalf)
	for i := range notes {
		n := &notes[i]
		if t.UnsureDB != nil && t.Seats < fewSeats {
			n.Why = WhyFew
			continue
		}
		for k := curve.Index(n.LowHz); k <= curve.Index(n.HighHz); k++ {
			if want[k]-open[k] > nullDB && want[k]-believed[k] > 1.5 {
				n.Why = WhyMoves
			}
		}
	}
	return notes
}

// spared returns what is wanted without the narrow peaks that would fill deep nulls, save those that the seats prove to stand
// still: what is wanted is then known with the standard deviation unsure, and the peak stands out of it.
func spared(want, unsure []float64) []float64 {
	open := opening(want, nullHalf)
	next := slices.Clone(want)
	for i := range next {
		if want[i]-open[i] <= nullDB || unsure != nil && want[i]-open[i] >= proof*unsure[i] {
			continue
		}
		// All of the null's flanks go with its floor, or a narrower null would remain.
		for k := i; k >= 0 && want[k] > open[k]+0.05; k-- {
			next[k] = open[k]
		}
		for k := i; k < len(next) && want[k] > open[k]+0.05; k++ {
			next[k] = open[k]
		}
	}
	return next
}

// heldTreble limits what is wanted above 10 kHz. Without proof only the broad course is followed there.
func heldTreble(want []float64, proven bool) []float64 {
	k := curve.Index(trebleHz)
	course := want
	if !proven {
		course = curve.Curve{LevelDB: want}.Smooth(1).LevelDB
	}
	next := slices.Clone(want)
	for i := k; i < len(next); i++ {
		// Fades in over a third of an octave, so that no edge arises that bands would be spent on.
		x := min(1, float64(i-k)/16)
		next[i] += x * (min(course[i], trebleBoost) - next[i])
	}
	return next
}

// opening removes peaks narrower than 2·half+1 points (morphological opening: the smallest, then the largest value).
func opening(v []float64, half int) []float64 {
	pick := func(v []float64, f func(a, b float64) float64) []float64 {
		out := make([]float64, len(v))
		for i := range v {
			m := v[i]
			for k := max(0, i-half); k <= min(len(v)-1, i+half); k++ {
				m = f(m, v[k])
			}
			out[i] = m
		}
		return out
	}
	return pick(pick(v, math.Min), math.Max)
}

// runs lists the ranges in which next departs from was by more than threshold, joining what is less than
// half an octave apart.
func runs(f, was, next, weight []float64, threshold float64, why string) (out []Note) {
	const gap = curve.PointsPerOctave / 2
	last := -2 * gap
	for i := range f {
		d := was[i] - next[i]
		if math.Abs(d) <= threshold || weight[i] == 0 {
			continue
		}
		if i-last > gap {
			out = append(out, Note{LowHz: f[i], HighHz: f[i], RestDB: d, Why: why})
		}
		n := &out[len(out)-1]
		n.HighHz = f[i]
		if math.Abs(d) > math.Abs(n.RestDB) {
			n.RestDB = d
		}
		last = i
	}
	return out
}
