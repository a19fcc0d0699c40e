package curve

import (
	"math"
	"slices"
)

// Belief is what the seats of two cushions make believable of the difference between them. Slices have Points values.
type Belief struct {
	LevelDB  []float64 // new − ref: the posterior mean, at the level that was measured
	SDDB     []float64 // posterior standard deviation of LevelDB, level aside; nil: nothing is known of the scatter
	SpreadDB []float64 // seat-to-seat standard deviation of the difference, seats' levels aside, moderated; nil: unknown
	NoiseDB  []float64 // standard deviation of the measured difference, level aside, moderated; nil: unknown
	Real     float64   // 0 to 1: how far it is believed that there is a difference at all; 1 if nothing is known of the scatter
	Seats    int       // of the cushion and ear with the fewest
}

// Believable returns the difference (new − ref) as far as the seats make it believable; see Believe. With a single seat on
// either side nothing is known of the scatter, and everything is believed.
func (d Diff) Believable() []float64 { return Believe(d).LevelDB }

// Believe estimates the true difference on one ear. Measured difference and scatter are split into details of ten scales;
// what the seats differ by in a detail gives the noise of its mean, moderated by the noise around it as seats are few. How
// many details of a scale are real, and how large those are, is learned from all of them; each is then given its posterior
// mean: close to itself where it stands out of the noise, close to nothing where it does not. The broadest course is judged
// like any detail. Only the level is taken as it was measured.
// Sources: I. M. Johnstone, B. W. Silverman, "Empirical Bayes selection of wavelet thresholds", Annals of Statistics 33
// (2005); G. K. Smyth, "Linear models and empirical Bayes methods", SAGMB 3 (2004), for the moderated variance. Both from
// memory; here the hyperparameters are averaged over and not maximised.
func Believe(d Diff) Belief {
	e, ok := evidenceOf(d)
	if !ok {
		return Belief{LevelDB: slices.Clone(d.LevelDB), Real: 1, Seats: e.seats}
	}
	return e.belief(e.estimate())
}

// BelieveEars estimates both ears at once: what they have in common from the mean of the two, and what they differ by from
// half their difference, which shrinks to nothing where the ears agree within the scatter. both is the common part. Where
// one ear's scatter is unknown, each ear stands alone.
func BelieveEars(l, r Diff) (left, right, both Belief) {
	el, ok1 := evidenceOf(l)
	er, ok2 := evidenceOf(r)
	if !ok1 || !ok2 {
		left, right = Believe(l), Believe(r)
		both = Belief{LevelDB: mix(left.LevelDB, right.LevelDB, 0.5, 0.5), Real: 1, Seats: min(left.Seats, right.Seats)}
		return left, right, both
	}
	groups := slices.Concat(el.groups, er.groups)
	common := evidence{shape: mix(el.shape, er.shape, 0.5, 0.5), level: (el.level + er.level) / 2, groups: groups, share: 0.25,
		seats: min(el.seats, er.seats), differ: differing(l, r)}
	apart := evidence{shape: mix(el.shape, er.shape, 0.5, -0.5), groups: groups, share: 0.25, seats: common.seats,
		differ: common.differ}
	c, a := common.estimate(), apart.estimate()
	ear := func(e evidence, sign float64) Belief {
		x := posterior{mix(c.mean, a.mean, 1, sign), mix(c.variance, a.variance, 1, 1), max(c.real, a.real)}
		return e.belief(x)
	}
	return ear(el, 1), ear(er, -1), common.belief(c)
}

func mix(a, b []float64, wa, wb float64) []float64 {
	out := make([]float64, len(a))
	for i := range a {
		out[i] = wa*a[i] + wb*b[i]
	}
	return out
}

// group is the seats of one cushion on one ear, as departures from their mean with the seats' levels taken out.
type group struct {
	n       float64
	power   [levels][]float64 // variance of a seat's details, on the ring
	pointDB []float64         // variance of a seat at each point
}

// evidence is a measured difference and what is known of its noise.
type evidence struct {
	shape  []float64 // the difference less its level
	level  float64
	groups []*group
	share  float64 // of the groups' noise, in power: 1 for one ear, 1/4 for the mean of two
	seats  int
	differ float64 // how far the octave bands, level aside, let it be said that anything differs: 0 to 1
}

func evidenceOf(d Diff) (evidence, bool) {
	e := evidence{level: middle(d.LevelDB), share: 1, seats: min(len(d.Ref.Seats), len(d.New.Seats)), differ: differing(d)}
	if e.seats < 2 {
		return e, false
	}
	e.shape = mix(d.LevelDB, d.LevelDB, 1, 0)
	for i := range e.shape {
		e.shape[i] -= e.level
	}
	for _, a := range []Average{d.Ref, d.New} {
		e.groups = append(e.groups, groupOf(a.Seats))
	}
	return e, true
}

// differing is 0 where compare would not say that anything differs, level aside, and 1 where it surely does: Anything has its
// 5 in 100. It fades between the two, so that a correction does not come and go with a hundredth of a decibel.
func differing(ears ...Diff) float64 {
	aligned := make([]Diff, len(ears))
	for i, d := range ears {
		aligned[i] = d.Aligned()
	}
	return min(max((0.05-Anything(aligned...))/(0.05-0.03), 0), 1)
}

func groupOf(seats []Curve) *group {
	g := &group{n: float64(len(seats)), pointDB: make([]float64, Points)}
	for j := range g.power {
		g.power[j] = make([]float64, padded)
	}
	mean := make([]float64, Points)
	for _, s := range seats {
		for k, v := range s.LevelDB {
			mean[k] += v / g.n
		}
	}
	for _, s := range seats {
		dev := mix(s.LevelDB, mean, 1, -1)
		own := middle(dev)
		for k := range dev {
			dev[k] -= own
			g.pointDB[k] += dev[k] * dev[k] / (g.n - 1)
		}
		t := transform(dev)
		for j, d := range t.d {
			for k, x := range d {
				g.power[j][k] += x * x / (g.n - 1)
			}
		}
	}
	return g
}

// The range that a level is taken from.
const middleLowHz, middleHighHz = 200.0, 4000.0

func middle(v []float64) float64 {
	a, b := Index(middleLowHz), Index(middleHighHz)
	sum := 0.0
	for _, x := range v[a : b+1] {
		sum += x
	}
	return sum / float64(b-a+1)
}

// noise is the moderated variance of the mean difference at each of the values that power picks from a group, and the
// degrees of freedom that it is known with. near and wide are half widths in points.
func (e evidence) noise(power func(*group) []float64, near, wide int, ring bool) (variance, freedom []float64) {
	var num, den, broad []float64
	for _, g := range e.groups {
		p := power(g)
		local, around := average(p, near, ring), average(p, wide, ring)
		if num == nil {
			num, den, broad = make([]float64, len(p)), make([]float64, len(p)), make([]float64, len(p))
		}
		for k := range p {
			v := e.share * local[k] / g.n
			num[k] += v
			den[k] += v * v / (g.n - 1) // Satterthwaite
			broad[k] += e.share * around[k] / g.n
		}
	}
	freedom = make([]float64, len(num))
	for k, v := range num {
		if den[k] > 0 {
			freedom[k] = v * v / den[k]
		}
		b := min(1.5*freedom[k], borrowed)
		if den[k] == 0 {
			b = 1
		}
		num[k] = (freedom[k]*v + b*broad[k]) / (freedom[k] + b)
		freedom[k] += b
	}
	return num, freedom
}

// borrowed is how many degrees of freedom the noise around a detail is worth beside its own: as many as its own, since the
// seats are the same few, and no more than these.
const borrowed = 20.0

// average is the mean within half points on either side; on a ring, or cut off at the ends.
func average(v []float64, half int, ring bool) []float64 {
	n := len(v)
	sum := make([]float64, n+1)
	for i, x := range v {
		sum[i+1] = sum[i] + x
	}
	out := make([]float64, n)
	for i := range v {
		a, b := i-half, i+half+1
		if !ring {
			a, b = max(a, 0), min(b, n)
			out[i] = (sum[b] - sum[a]) / float64(b-a)
			continue
		}
		s := 0.0
		if b-a >= n {
			out[i] = sum[n] / float64(n)
			continue
		}
		if a < 0 {
			s += sum[n] - sum[n+a]
			a = 0
		}
		if b > n {
			s += sum[b-n]
			b = n
		}
		out[i] = (s + sum[b] - sum[a]) / float64(2*half+1)
	}
	return out
}

// belief puts an estimated shape on the level that was measured.
func (e evidence) belief(x posterior) Belief {
	b := Belief{LevelDB: x.mean, SDDB: make([]float64, Points), Real: x.real, Seats: e.seats}
	off := e.level - middle(x.mean)
	for k := range b.LevelDB {
		b.LevelDB[k] += off
		b.SDDB[k] = math.Sqrt(x.variance[k])
	}
	point := func(g *group) []float64 { return g.pointDB }
	b.NoiseDB, _ = e.noise(point, PointsPerOctave/6, PointsPerOctave/2, false)
	b.SpreadDB = make([]float64, Points)
	for k := range b.NoiseDB {
		b.NoiseDB[k] = math.Sqrt(b.NoiseDB[k])
	}
	for _, g := range e.groups {
		near, wide := average(g.pointDB, PointsPerOctave/2, false), average(g.pointDB, PointsPerOctave, false)
		f := g.n - 1
		h := min(f, borrowed)
		for k := range near {
			b.SpreadDB[k] += (f*near[k] + h*wide[k]) / (f + h)
		}
	}
	for k, v := range b.SpreadDB {
		// Two groups are one ear's difference; four are two of them.
		b.SpreadDB[k] = math.Sqrt(v * 2 / float64(len(e.groups)))
	}
	return b
}
