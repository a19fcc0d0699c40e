package curve

import "math"

// posterior is what is believed of a shape.
type posterior struct {
	mean, variance []float64 // dB, dB²
	real           float64
}

// What the details of a scale may be like before the seats have spoken: a share of them is real, and those are Gaussian
// with a standard deviation. Every pair of the two is a hypothesis; its prior goes with powers of the two. Once it is clear
// that the cushions differ at all, most details do, and broad ones by more than a trifle: a cushion changes the whole bass.
var (
	shares  = []float64{0.01, 0.05, 0.2, 0.6, 0.95}
	sizesDB = []float64{0.06, 0.13, 0.27, 0.55, 1.1, 2.3, 4.6}
)

const (
	sharePower = 4.0
	sizePower  = 2.0
	broadLevel = 4 // from there on the size's power counts: details of a third of an octave and more
)

func logPrior(h, level int) float64 {
	p := sharePower * math.Log(shares[h%len(shares)])
	if level >= broadLevel {
		p += sizePower * math.Log(sizesDB[h/len(shares)])
	}
	return p
}

// What a hypothesis explains counts around a point, over a window of so many points on either side, and a little over the
// whole range; and that of the next finer and coarser scale counts too, for details of one place come in several scales.
const (
	windowPoints = PointsPerOctave
	wholeRange   = 0.2
	nextScale    = 0.5
	stride       = 8 // points between those at which hypotheses are weighed
)

// layer is the details of one scale, on the ring.
type layer struct {
	level       int
	d, variance []float64
	factor      [][]float64 // by size: how much likelier each detail is if it is real
	total       []float64   // by hypothesis: log likelihood against nothing at all
	around      [][]float64 // by hypothesis: the same around every stride-th point of the curve
}

// estimate shrinks each detail to what is believable of it.
func (e evidence) estimate() posterior {
	t := transform(e.shape)
	var ls [levels]*layer
	for j := range levels {
		long := 1 << j
		near, wide := max(4, long), max(PointsPerOctave/2, 2*long)
		variance, freedom := e.noise(func(g *group) []float64 { return g.power[j] }, near, wide, true)
		ls[j] = newLayer(j, t.d[j], variance, freedom)
	}
	any := anything(ls[:], e.differ, e.seats)
	p := posterior{variance: make([]float64, Points), real: any}
	for j := range ls {
		left := shrink(ls[:], j, any)
		for k := range Points {
			p.variance[k] += left[place(j, k)]
		}
	}
	clear(t.rest) // the level
	p.mean = t.restore()
	return p
}

func newLayer(level int, d, variance, freedom []float64) *layer {
	l := &layer{level: level, d: d, variance: variance}
	z2, s2 := make([]float64, padded), make([]float64, padded) // squared normal score, and the variance it corresponds to
	for k, x := range d {
		v := max(variance[k], 1e-12)
		variance[k], s2[k] = v, v
		if z2[k] = normalScore2(x*x/v, freedom[k]); z2[k] > 0 {
			s2[k] = x * x / z2[k]
		}
	}
	each := 1 / float64(int(2)<<level) // the details of a long scale overlap: each counts for the less
	half := max(windowPoints, 2<<level)
	term := make([]float64, Points)
	doubt := make([]float64, padded) // for the question whether there is anything at all, borrowed freedom counts for less
	d2 := make([]float64, padded)
	for k, x := range d {
		v := variance[k]
		d2[k] = v
		if doubt[k] = normalScore2(x*x/v, doubtful*freedom[k]); doubt[k] > 0 {
			d2[k] = x * x / doubt[k]
		}
	}
	g := make([]float64, Points)
	for _, size := range sizesDB {
		f := make([]float64, padded)
		for k := range f {
			f[k] = bayesFactor(z2[k], s2[k], size*size)
		}
		l.factor = append(l.factor, f)
		for k := range g {
			i := place(level, k)
			g[k] = bayesFactor(doubt[i], d2[i], size*size)
		}
		for _, share := range shares {
			sum, all := 0.0, 0.0
			for k := range term {
				term[k] = each * math.Log1p(share*(f[place(level, k)]-1))
				sum += term[k]
				all += each * math.Log1p(share*(g[k]-1))
			}
			l.total = append(l.total, all)
			l.around = append(l.around, windows(term, half, sum))
		}
	}
	return l
}

// windows sums term around every stride-th point and adds the share of the whole.
func windows(term []float64, half int, whole float64) []float64 {
	sum := make([]float64, len(term)+1)
	for i, x := range term {
		sum[i+1] = sum[i] + x
	}
	var out []float64
	for k := 0; k < len(term); k += stride {
		a, b := max(k-half, 0), min(k+half+1, len(term))
		mean := (sum[b] - sum[a]) / float64(b-a) // at the ends, as much counts as elsewhere
		out = append(out, (1-wholeRange)*mean*float64(min(2*half+1, len(term)))+wholeRange*whole)
	}
	return out
}

// anything is how far it is believed that the cushions differ at all. Of each scale, one half of the prior says that nothing
// in it is real. That the seats are few is in the scores already. The odds must be higher where the octave bands do not show
// a difference (differ, 0 to 1), and may be lower where three seats or more show one. The constants are set so that two sets
// of seats of one cushion pass in fewer than 5 of 100 cases (TestNoDifferenceNoCorrection), and that as good as every true
// difference does (TestADifferenceIsCorrected).
func anything(ls []*layer, differ float64, seats int) float64 {
	odds := 0.0
	for _, l := range ls {
		best := 0.0
		for _, x := range l.total {
			best = max(best, x)
		}
		sum, norm := 0.0, 0.0
		for h, x := range l.total {
			p := math.Sqrt(shares[h%len(shares)])
			sum += p * math.Exp(x-best)
			norm += p
		}
		odds += best + math.Log((math.Exp(-best)+sum/norm)/2)
	}
	even := evens + unseen*(1-differ)
	if seats >= enoughSeats {
		even -= seen * differ
	}
	return 1 / (1 + math.Exp(-steepness*(odds-even)))
}

const (
	steepness, evens, doubtful = 6.0, 0.7, 0.8
	seen, unseen               = 1.0, 1.3
	enoughSeats                = 3
)

// shrink replaces the details of scale j by their posterior means and returns their posterior variances.
func shrink(ls []*layer, j int, any float64) []float64 {
	l := ls[j]
	weights := make([][]float64, len(l.around[0]))
	for i := range weights {
		w := make([]float64, len(l.total))
		best := math.Inf(-1)
		for h := range w {
			w[h] = l.around[h][i] + logPrior(h, j)
			if j > 0 {
				w[h] += nextScale * ls[j-1].around[h][i]
			}
			if j+1 < len(ls) {
				w[h] += nextScale * ls[j+1].around[h][i]
			}
			best = max(best, w[h])
		}
		sum := 0.0
		for h := range w {
			w[h] = math.Exp(w[h] - best)
			sum += w[h]
		}
		for h := range w {
			w[h] /= sum
		}
		weights[i] = w
	}
	left := make([]float64, padded)
	for at, x := range l.d {
		v := l.variance[at]
		mean, square := 0.0, 0.0
		for h, w := range weights[pointOf(j, at)/stride] {
			if w < 1e-4 {
				continue
			}
			share, size := shares[h%len(shares)], sizesDB[h/len(shares)]
			p := share * l.factor[h/len(shares)][at]
			p /= 1 - share + p
			keep := size * size / (size*size + v)
			m := keep * x
			mean += w * p * m
			square += w * p * (m*m + keep*v)
		}
		l.d[at] = any * mean
		left[at] = max(0, any*square-l.d[at]*l.d[at])
	}
	return left
}

// pointOf is the curve's point, mirrored at the ends, to which a detail of that level at a point of the ring belongs.
func pointOf(level, at int) int {
	k := (at-place(level, 0)+padLeft)&(padded-1) - padLeft
	if k < 0 {
		k = -k
	}
	if k > Points-1 {
		k = max(2*(Points-1)-k, 0)
	}
	return k
}

// bayesFactor is how much likelier a detail is, with that squared normal score and variance, if it is real.
func bayesFactor(z2, s2, size2 float64) float64 {
	r := size2 / (size2 + s2)
	return math.Sqrt(1-r) * math.Exp(min(z2*r/2, 600))
}

// normalScore2 turns the square of Student's t into that of a normal deviate of about the same probability.
// Source: D. L. Wallace, "Bounds on normal approximations to Student's and the chi-square distributions", Annals of
// Mathematical Statistics 30 (1959) (from memory).
func normalScore2(t2, freedom float64) float64 {
	c := (8*freedom + 1) / (8*freedom + 3)
	return c * c * freedom * math.Log1p(t2/freedom)
}
