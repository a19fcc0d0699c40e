// Package interval tells how sure a mean of a few seats is: intervals of differences between two groups of seats, the
// chance of a difference as large where there is none, and one verdict for many differences together.
//
// The model everywhere: a seat is the truth, plus a level of its own, plus scatter that is smooth over frequency. Whatever
// is judged is a fixed linear function of a seat (the level of a band, of a range, of a band less the seat's own level), so
// that its values, one a seat, scatter independently round one mean. Nothing is assumed of how scatter hangs together over
// frequency, nor that both groups scatter alike.
package interval

import (
	"math"
	"sync"

	"gonum.org/v1/gonum/stat/distuv"
)

// Levels are compared between LevelLowHz and LevelHighHz, where reseating scatters least. Common practice, no source.
const LevelLowHz, LevelHighHz = 200.0, 4000.0

// LevelWeight is the weight in a level, over log frequency, of what lies at freqHz between lowHz and highHz: a raised cosine, 0
// at the ends and beyond, so that a change of the bass or of the treble has little say.
func LevelWeight(freqHz, lowHz, highHz float64) float64 {
	if !(freqHz > lowHz && freqHz < highHz) {
		return 0
	}
	return 1 - math.Cos(2*math.Pi*math.Log(freqHz/lowHz)/math.Log(highHz/lowHz))
}

// Mean is the mean of a few values and how sure it is.
type Mean struct {
	Value    float64
	Variance float64 // of Value, in squares of its unit; +Inf for a single value
	N        int     // how many values
}

// MeanOf returns the mean of v. No values give NaN.
func MeanOf(v []float64) Mean {
	m := Mean{N: len(v), Variance: math.Inf(1)}
	for _, x := range v {
		m.Value += x
	}
	m.Value /= float64(len(v))
	if len(v) > 1 {
		sq := 0.0
		for _, x := range v {
			sq += (x - m.Value) * (x - m.Value)
		}
		m.Variance = sq / float64(len(v)-1) / float64(len(v))
	}
	return m
}

// SD is the standard deviation of one value; NaN where fewer than two are known.
func (m Mean) SD() float64 {
	if m.N < 2 {
		return math.NaN()
	}
	return math.Sqrt(m.Variance * float64(m.N))
}

// Scaled is c times the mean.
func (m Mean) Scaled(c float64) Mean {
	m.Value, m.Variance = c*m.Value, c*c*m.Variance
	return m
}

// Estimate is a sum of independent means, such as a difference, and how sure it is.
type Estimate struct {
	Value float64
	SE    float64 // standard error, in the unit of Value; +Inf where a mean rests on one value
	DOF   float64 // degrees of freedom of SE, for an interval of 95 %
	// Careful are the degrees of freedom for what lies far out, where DOF is too bold.
	Careful float64
}

// Difference is the mean of a less that of b.
func Difference(a, b []float64) Estimate { return Sum(MeanOf(a), MeanOf(b).Scaled(-1)) }

// Sum adds independent means.
//
// The degrees of freedom lie between Satterthwaite's estimate, V²/Σ(v²/(n−1)), and Welch's, V²/Σ(v²/(n+1)) − 2, which has
// no bias where the means scatter alike. The first alone is too careful for few seats (3.4 % false differences of three
// against three), the second too bold where the numbers differ (7.6 % of three against ten). The smallest of the numbers over
// the largest is Welch's share. Careful is Satterthwaite's alone. How often the intervals hold is tested in package curve
// (TestCalibration).
// Sources: B. L. Welch, "The generalization of Student's problem when several different population variances are
// involved", Biometrika 34 (1947) 28–35; F. E. Satterthwaite, Biometrics Bulletin 2 (1946) 110–114 (both from memory).
func Sum(means ...Mean) Estimate {
	e := Estimate{}
	total, first, second := 0.0, 0.0, 0.0
	least, most := math.MaxInt, 0
	for _, m := range means {
		e.Value += m.Value
		total += m.Variance
		if m.Variance == 0 {
			continue
		}
		n := float64(m.N)
		first += m.Variance * m.Variance / (n - 1)
		second += m.Variance * m.Variance / (n + 1)
		least, most = min(least, m.N), max(most, m.N)
	}
	e.SE = math.Sqrt(total)
	switch {
	case total == 0:
		e.DOF, e.Careful = math.Inf(1), math.Inf(1)
	case math.IsInf(total, 1):
		e.DOF = 0
	default:
		satterthwaite, welch := total*total/first, total*total/second-2
		share := float64(least) / float64(most)
		e.DOF, e.Careful = max(float64(least-1), satterthwaite+share*(welch-satterthwaite)), satterthwaite
	}
	return e
}

// Half95 is the half-width of the 95 % interval; +Inf where it is not known.
func (e Estimate) Half95() float64 {
	if e.SE == 0 {
		return 0
	}
	return T95(e.DOF) * e.SE
}

// HalfOf is the half-width of the interval that holds for so many such estimates together with 95 % (Bonferroni).
func (e Estimate) HalfOf(many int) float64 {
	switch {
	case e.SE == 0:
		return 0
	case !(e.DOF > 0) || math.IsInf(e.SE, 1):
		return math.Inf(1)
	}
	return student(e.Careful).Quantile(1-0.025/float64(many)) * e.SE
}

// P is the chance of an estimate as far from zero or farther where the truth is zero, for many to be judged Together; 1 where
// it is not known.
func (e Estimate) P() float64 {
	switch {
	case math.IsInf(e.SE, 1) || math.IsNaN(e.SE):
		return 1
	case e.SE == 0 && e.Value == 0:
		return 1
	case e.SE == 0:
		return 0
	}
	return 2 * student(e.Careful).Survival(math.Abs(e.Value)/e.SE)
}

// Real reports whether the 95 % interval leaves zero out.
func (e Estimate) Real() bool { return math.Abs(e.Value) > e.Half95() }

func student(nu float64) distuv.StudentsT {
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: min(nu, 1e6)}
}

// quantiles keeps the quantile of T95 by twentieths of degrees of freedom, for it is dear and asked for at every point; safe for
// concurrent use.
var quantiles sync.Map

// T95 is the two-sided 95 % quantile of Student's t with nu degrees of freedom, interpolated between twentieths of them: within
// 0.01 % from three degrees of freedom on. Not above 0: +Inf.
func T95(nu float64) float64 {
	if !(nu > 0) {
		return math.Inf(1)
	}
	nu = min(max(nu, 0.05), 1000)
	k := math.Floor(nu * 20)
	at := func(k float64) float64 {
		if v, ok := quantiles.Load(k); ok {
			return v.(float64)
		}
		v := student(k / 20).Quantile(0.975)
		quantiles.Store(k, v)
		return v
	}
	if t := nu*20 - k; t > 0 {
		return at(k)*(1-t) + at(k+1)*t
	}
	return at(k)
}

// Together combines the chances of many differences, which may hang together, into one: small where any of them is too
// small for chance. NaN and 1 count for nothing said.
// Source: Y. Liu, J. Xie, "Cauchy combination test: a powerful test with analytic p-value calculation under arbitrary
// dependency structures", JASA 115 (2020) 393–402 (from memory).
func Together(p []float64) float64 {
	sum, n := 0.0, 0.0
	for _, x := range p {
		if math.IsNaN(x) || x >= 1 {
			continue
		}
		x = max(x, 1e-300)
		if x < 1e-8 { // tan loses its digits there, and is 1/(πp) to twelve of them
			sum += 1 / (math.Pi * x)
		} else {
			sum += math.Tan((0.5 - x) * math.Pi)
		}
		n++
	}
	if n == 0 {
		return 1
	}
	return math.Atan2(1, sum/n) / math.Pi
}
