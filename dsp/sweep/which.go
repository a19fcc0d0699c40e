package sweep

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Recorded is one cushion as recorded: its seats of one ear, levels on common frequencies, NaN where unusable.
type Recorded struct {
	Name    string
	LevelDB [][]float64
}

// Verdict is the kind of an answer of a Judge.
type Verdict string

// The answers of a Judge.
const (
	Known     Verdict = "known"
	Ambiguous Verdict = "ambiguous"
	Unknown   Verdict = "unknown"
)

// Answer says which cushion a seat belongs to.
type Answer struct {
	Verdict    Verdict
	Name       string    // of the cushion when Known
	Between    []string  // the candidates when Ambiguous, most likely first
	Confidence float64   // Known: probability of Name; Ambiguous: of the first; Unknown: share of seats of recorded cushions that do not stray as far or, where it strays no further than they do, the probability that it is of none of them
	Likely     []float64 // probability of each recorded cushion, in the order given, if it is one of them
	Distance   float64   // of the best: mean square deviation in units of scatter; about 1 for a recorded cushion
	Text       string
}

// Limits of the answers. A name needs NameConfidence; a deviation that a recorded cushion shows in one case out of
// 1/strayChance is unknown.
const (
	NameConfidence = 0.995
	strayChance    = 0.002
)

// strangerOdds is the least logarithm of the likelihood ratio against a cushion that is not recorded, at even odds
// before: a name must be as sure against a stranger as against the others.
var strangerOdds = math.Log(NameConfidence / (1 - NameConfidence))

// What is believed of the differences between cushions before any is seen: standard deviation in dB and reach in
// octaves. Invented.
const (
	differDB      = 4.0
	differOctaves = 0.4
)

// priorDOF is how many seats' worth of belief the invented model of scatter has against the seats that were seen.
const priorDOF = 4.0

// modelFloorDB is what a band may be off for reasons that no seat shows: noise, temperature, drift of the rig.
// Invented.
const modelFloorDB = 0.3

// freeLevelDB is the standard deviation allowed to the overall level, so that it has no say.
const freeLevelDB = 20.0

// Judge tells recorded cushions apart. It does not change once made.
type Judge struct {
	freqHz  []float64
	classes []class
	cov     *mat.SymDense // of one seat, pooled
	dof     float64
	centre  []float64     // mean of all cushions
	spread  *mat.SymDense // of one seat of a cushion that is not recorded, round the centre
	temper  float64       // by how much farther than the model says left-out seats stray, ≥ 1
	limit   float64       // of the mean square deviation for a seat of a recorded cushion
	minOdds []float64     // by class, of the log-likelihood ratio against a cushion that is not recorded
}

type class struct {
	name  string
	seats [][]float64 // aligned features
	mean  []float64   // NaN where no seat is usable
}

// NewJudge learns from the recorded cushions, all of one ear, each with two seats or more; levels belong to freqHz.
//
// Model: third-octave levels, overall level free; a cushion's seats scatter round its own mean with a covariance that
// blends the pooled scatter of all recorded seats with a smooth prior of the same spreads. The mean of n seats is
// itself uncertain, so a new seat scatters by (1 + 1/n) of it, and follows the multivariate Student distribution (A.
// Gelman et al., Bayesian Data Analysis, the normal model with conjugate prior; from memory). How much of the pooled
// covariance to believe, and how far the prior's correlation reaches over frequency, is what predicts left-out seats
// best. A cushion that is not recorded is a candidate too, spread round the mean of all by what the recorded cushions
// differ. By how far left-out seats stray the probabilities are tempered, and the limit is set beyond which a seat
// belongs to no recorded cushion. Seats are left out of everything that is learned, so few seats make the answers
// careful, not bold.
func NewJudge(freqHz []float64, recorded []Recorded) (*Judge, error) {
	if len(recorded) == 0 {
		return nil, fmt.Errorf("sweep: tell cushions apart: none is recorded")
	}
	m := &Judge{freqHz: slices.Clone(freqHz)}
	for _, r := range recorded {
		c := class{name: r.Name}
		if len(r.LevelDB) < 2 {
			return nil, fmt.Errorf("sweep: learn cushion %q: its scatter needs two seats or more, there are %d", r.Name, len(r.LevelDB))
		}
		for i, l := range r.LevelDB {
			f, err := aligned(freqHz, l)
			if err != nil {
				return nil, fmt.Errorf("sweep: learn cushion %q, seat %d: %w", r.Name, i+1, err)
			}
			c.seats = append(c.seats, f)
		}
		c.mean = meanOf(c.seats)
		m.classes = append(m.classes, c)
		m.dof += float64(len(c.seats) - 1)
	}
	m.learn()
	return m, nil
}

func meanOf(seats [][]float64) []float64 {
	mean := make([]float64, len(bands))
	for b := range mean {
		n := 0.0
		for _, s := range seats {
			if !math.IsNaN(s[b]) {
				mean[b] += s[b]
				n++
			}
		}
		mean[b] /= n // NaN without any
	}
	return mean
}

// pool gathers the scatter of all classes, pair by pair of bands, without seat out of class without (−1: with all).
func (m *Judge) pool(without, out int) pooled {
	n := len(bands)
	p := pooled{sum: make([]float64, n*n), count: make([]float64, n*n)}
	d := make([]float64, n)
	for k, c := range m.classes {
		seats, mean := c.seats, c.mean
		if k == without {
			seats = slices.Delete(slices.Clone(seats), out, out+1)
			mean = meanOf(seats)
		}
		if len(seats) < 2 {
			continue
		}
		w := 1 / (1 - 1/float64(len(seats))) // a seat lies too near a mean it is part of
		p.seen += float64(len(seats) - 1)
		for _, s := range seats {
			for b := range n {
				d[b] = s[b] - mean[b]
			}
			for i := range n {
				for j := i; j < n; j++ {
					if v := d[i] * d[j] * w; !math.IsNaN(v) {
						p.sum[i*n+j] += v
						p.count[i*n+j]++
					}
				}
			}
		}
	}
	return p
}

type pooled struct {
	sum, count []float64
	seen       float64 // degrees of freedom
}

// blend makes a covariance: spreads from the seats, held by the invented model while the seats are few; correlations a
// share from the seats and the rest falling off with the square of the distance over frequency.
func (p pooled) blend(share, octaves float64) *mat.SymDense {
	n := len(bands)
	cov := mat.NewSymDense(n, nil)
	sd, raw := make([]float64, n), make([]float64, n)
	for i := range n {
		prior := 2 * scatterDB(bands[i])
		v := prior * prior
		if c := p.count[i*n+i]; c > 0 {
			v = p.sum[i*n+i] / c
		}
		raw[i] = math.Sqrt(v)
		sd[i] = math.Sqrt((p.seen*v + priorDOF*prior*prior) / (p.seen + priorDOF))
	}
	for i := range n {
		cov.SetSym(i, i, sd[i]*sd[i]+modelFloorDB*modelFloorDB)
		for j := i + 1; j < n; j++ {
			d := float64(i-j) / bandsPerOctave / octaves
			r := math.Exp(-0.5 * d * d)
			if c := p.count[i*n+j]; c > 0 && raw[i] > 0 && raw[j] > 0 {
				r = (1-share)*r + share*p.sum[i*n+j]/c/(raw[i]*raw[j])
			}
			cov.SetSym(i, j, r*sd[i]*sd[j])
		}
	}
	return cov
}

// learn chooses the covariance by how well it predicts seats that were left out of it, and calibrates on the same
// seats.
func (m *Judge) learn() {
	type leftOut struct {
		class   int
		x, mean []float64
		n       int
		p       pooled
	}
	var out []leftOut
	for k, c := range m.classes {
		for s, x := range c.seats {
			rest := slices.Delete(slices.Clone(c.seats), s, s+1)
			out = append(out, leftOut{k, x, meanOf(rest), len(rest), m.pool(k, s)})
		}
	}
	best, share, octaves := math.Inf(-1), 0.0, 0.4
	for _, sh := range []float64{0, 0.2, 0.4, 0.6} {
		for _, oc := range []float64{0.15, 0.25, 0.35, 0.5, 0.7} {
			sum := 0.0
			for _, l := range out {
				d2, n, logDet, ok := distance(l.p.blend(sh, oc), l.x, l.mean, l.n)
				if !ok {
					continue
				}
				sum += student(d2*float64(n-1), logDet, l.p.seen+priorDOF, n)
			}
			if sum > best {
				best, share, octaves = sum, sh, oc
			}
		}
	}
	m.cov = m.pool(-1, -1).blend(share, octaves)
	m.dof += priorDOF
	m.strangers()
	var all []float64
	odds := make([][]float64, len(m.classes))
	for _, l := range out {
		d2, n, logDet, ok := distance(l.p.blend(share, octaves), l.x, l.mean, l.n)
		if !ok {
			continue
		}
		all = append(all, d2)
		odds[l.class] = append(odds[l.class], student(d2*float64(n-1), logDet, l.p.seen+priorDOF, n)-m.stranger(l.x))
	}
	mean, sd := 1.0, 0.5
	if len(all) > 1 {
		mean, sd = meanSD(all)
	}
	m.temper = max(1, mean)
	// A gamma distribution of that mean and variance stands for the distribution of the sums of squares. The figures of
	// few values are uncertain themselves, so the spread is held up.
	sd = max(sd, 0.25*mean) * (1 + 2/float64(max(len(all), 2)))
	shape := mean * mean / (sd * sd)
	m.limit = distuv.Gamma{Alpha: shape, Beta: shape / mean}.Quantile(1 - strayChance/4)
	// The same for the odds against a stranger, which tell more. They are higher for a cushion far from the others, so
	// each has its own mean, drawn halfway to that of all because it rests on few; the spread is pooled. Student's
	// prediction interval.
	m.minOdds = make([]float64, len(odds))
	sq, dof, grand, count := 0.0, 0.0, 0.0, 0.0
	for _, o := range odds {
		mean, _ := meanSD(o)
		for _, v := range o {
			sq += (v - mean) * (v - mean)
			grand += v
			count++
		}
		dof += max(float64(len(o)-1), 0)
	}
	for k, o := range odds {
		m.minOdds[k] = strangerOdds
		if dof < 1 || len(o) == 0 {
			continue
		}
		mean, _ := meanSD(o)
		mean = (mean + grand/count) / 2
		t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: dof}.Quantile(strayChance)
		m.minOdds[k] = max(strangerOdds, mean+t*math.Sqrt(sq/dof*(1+1/float64(len(o)))))
	}
}

// strangers makes the model of a cushion that is not recorded: round the mean of all, with the differences between the
// recorded cushions on top of the scatter of a seat. While the cushions are few, an invented difference counts as four
// of them.
func (m *Judge) strangers() {
	n := len(bands)
	means := make([][]float64, len(m.classes))
	for k, c := range m.classes {
		means[k] = c.mean
	}
	m.centre = meanOf(means)
	m.spread = mat.NewSymDense(n, nil)
	sd := make([]float64, n)
	seats := m.dof/float64(len(m.classes)) + 1
	for b := range n {
		_, s := bandStats(means, b)
		own := float64(len(means) - 1)
		v := 0.0
		if s >= 0 {
			v = max(0, s*s-m.cov.At(b, b)/seats)
		}
		sd[b] = math.Sqrt((own*v + 4*differDB*differDB) / (own + 4))
	}
	for i := range n {
		for j := i; j < n; j++ {
			d := float64(i-j) / bandsPerOctave / differOctaves
			m.spread.SetSym(i, j, m.cov.At(i, j)+math.Exp(-0.5*d*d)*sd[i]*sd[j])
		}
	}
}

// stranger is the logarithm of the likelihood that x comes from a cushion that is not recorded.
func (m *Judge) stranger(x []float64) float64 {
	d2, n, logDet, ok := distance(m.spread, x, m.centre, len(m.classes))
	if !ok {
		return math.Inf(-1)
	}
	return student(d2*float64(n-1), logDet, float64(len(m.classes))+3, n)
}

// student is the logarithm of the multivariate Student density, less what is the same for every cushion.
func student(q, logDet, dof float64, n int) float64 {
	return -0.5*logDet - 0.5*(dof+float64(n))*math.Log1p(q/dof)
}

// Which says which of the recorded cushions a seat (levels on the judge's frequencies, NaN where unusable) belongs to.
func (m *Judge) Which(levelDB []float64) (Answer, error) {
	x, err := aligned(m.freqHz, levelDB)
	if err != nil {
		return Answer{}, err
	}
	return m.answer(x)
}

// distance returns the mean square deviation of x from a cushion whose mean came from n seats, in units of scatter, the
// number of bands it rests on, and the logarithm of the covariance's determinant.
func distance(pool *mat.SymDense, x, mean []float64, n int) (d2 float64, bandsUsed int, logDet float64, ok bool) {
	var idx []int
	for b := range x {
		if !math.IsNaN(x[b]) && !math.IsNaN(mean[b]) {
			idx = append(idx, b)
		}
	}
	if len(idx) < 6 {
		return 0, 0, 0, false
	}
	cov, diff := mat.NewSymDense(len(idx), nil), mat.NewVecDense(len(idx), nil)
	for i, a := range idx {
		diff.SetVec(i, x[a]-mean[a])
		for j := i; j < len(idx); j++ {
			b := idx[j]
			cov.SetSym(i, j, pool.At(a, b)*(1+1/float64(n))+freeLevelDB*freeLevelDB)
		}
	}
	var ch mat.Cholesky
	for ridge := 0.0; !ch.Factorize(cov); ridge = 2*ridge + 0.01 {
		// Covariances gathered pair by pair over missing points need not be positive definite.
		for i := range idx {
			cov.SetSym(i, i, cov.At(i, i)+ridge)
		}
		if ridge > 1e4 {
			return 0, 0, 0, false
		}
	}
	var y mat.VecDense
	if err := ch.SolveVecTo(&y, diff); err != nil {
		return 0, 0, 0, false
	}
	// The free level takes one degree of freedom.
	return mat.Dot(diff, &y) / float64(len(idx)-1), len(idx), ch.LogDet(), true
}

func (m *Judge) answer(x []float64) (Answer, error) {
	a := Answer{Likely: make([]float64, len(m.classes)), Distance: math.Inf(1)}
	logs := make([]float64, len(m.classes))
	best := math.Inf(-1)
	var dist []float64
	for k, c := range m.classes {
		d2, n, logDet, ok := distance(m.cov, x, c.mean, len(c.seats))
		if !ok {
			return Answer{}, fmt.Errorf("sweep: tell the cushion: the seat and the recorded %q have too few usable points in common", c.name)
		}
		dist = append(dist, d2)
		// Multivariate Student, tempered.
		logs[k] = student(d2*float64(n-1)/m.temper, logDet, m.dof, n)
		best = max(best, logs[k])
		a.Distance = min(a.Distance, d2)
	}
	odds := best - m.stranger(x)
	sum := 0.0
	for k, l := range logs {
		a.Likely[k] = math.Exp(l - best)
		sum += a.Likely[k]
	}
	order := make([]int, len(logs))
	for k := range logs {
		a.Likely[k] /= sum
		order[k] = k
	}
	slices.SortStableFunc(order, func(i, j int) int {
		switch {
		case a.Likely[i] > a.Likely[j]:
			return -1
		case a.Likely[i] < a.Likely[j]:
			return 1
		}
		return 0
	})
	top := order[0]
	if a.Distance > m.limit || odds < m.minOdds[top] {
		a.Verdict, a.Confidence = Unknown, 1-strayChance
		if a.Distance <= m.limit {
			a.Confidence = 1 / (1 + math.Exp(odds))
			a.Text = fmt.Sprintf("unknown: most like %s, but not surely that and no cushion that was never recorded; more seats of each help", m.classes[top].name)
			return a, nil
		}
		a.Text = fmt.Sprintf("unknown: even from %s, the nearest of the recorded cushions, it is %.1f times as far as seats of one cushion usually are",
			m.classes[top].name, math.Sqrt(a.Distance/m.temper))
		return a, nil
	}
	a.Confidence = a.Likely[top]
	// The most likely must fit by itself; and a second one is in question while it has a share worth the name.
	if a.Confidence >= NameConfidence && dist[top] <= m.limit {
		a.Verdict, a.Name = Known, m.classes[top].name
		a.Text = fmt.Sprintf("%s, confidence %.1f %%", a.Name, min(a.Confidence*100, 99.9))
		return a, nil
	}
	a.Verdict = Ambiguous
	share := 0.0
	for _, k := range order {
		if share >= NameConfidence && len(a.Between) > 1 {
			break
		}
		share += a.Likely[k]
		a.Between = append(a.Between, m.classes[k].name)
	}
	a.Text = fmt.Sprintf("ambiguous between %s", strings.Join(a.Between, " and "))
	return a, nil
}
