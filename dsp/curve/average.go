package curve

import (
	"fmt"
	"math"
	"slices"
	"sync"

	"gonum.org/v1/gonum/stat/distuv"
)

// Average is what several seats of one cushion and one ear (or both) say together. Slices have Points values.
type Average struct {
	Curve
	SpreadDB []float64 // seat-to-seat standard deviation (n − 1); zeros for a single seat
	Half95DB []float64 // half-width of the 95 % band of the mean (Student t); nil for a single seat
	Seats    []Curve   // as given, each aligned in level to the others
	OffsetDB []float64 // how much louder each seat was than the common level before it was aligned
	Outliers []Outlier
}

// Outlier is a seat that disagrees with the others; the remedy is to seat again.
type Outlier struct {
	Seat   int     // index in the order given, from 0
	Leak   bool    // low bass missing: the cushion did not seal
	DevDB  float64 // mean below 100 Hz for a leak, otherwise RMS, in dB against the median of the seats
	Reason string
}

// Mean averages the dB values of seats after aligning their levels, so that a seat's gain has no say in the shape. The
// common level is the median of the seats' levels. The averaged curve covers the range that all seats cover.
func Mean(seats []Curve) (Average, error) {
	if len(seats) == 0 {
		return Average{}, fmt.Errorf("curve: average seats: there are none")
	}
	n := len(seats)
	a := Average{Curve: Curve{make([]float64, Points), LowHz, HighHz},
		SpreadDB: make([]float64, Points), OffsetDB: make([]float64, n)}
	zero := Curve{make([]float64, Points), LowHz, HighHz}
	aligned := make([]Curve, n)
	for i, s := range seats {
		if len(s.LevelDB) != Points {
			return Average{}, fmt.Errorf("curve: average seat %d: it has %d points, not %d", i+1, len(s.LevelDB), Points)
		}
		a.LowHz, a.HighHz = max(a.LowHz, s.LowHz), min(a.HighHz, s.HighHz)
	}
	if a.LowHz >= a.HighHz {
		return Average{}, fmt.Errorf("curve: average %d seats: they have no range of frequencies in common", n)
	}
	// First on each seat's own level, then on the seats' median: neither step sees the gains.
	for i, s := range seats {
		a.OffsetDB[i] = -AlignDB(zero, s)
		aligned[i] = s.Shift(-a.OffsetDB[i])
	}
	for range 2 {
		m := pointwiseMedian(aligned)
		for i := range aligned {
			d := AlignDB(m, aligned[i])
			aligned[i] = aligned[i].Shift(d)
			a.OffsetDB[i] -= d
		}
	}
	level := median(a.OffsetDB)
	for i := range aligned {
		aligned[i] = aligned[i].Shift(level)
		a.OffsetDB[i] -= level
	}
	a.Seats = aligned
	t := t95(float64(n - 1))
	if n > 1 {
		a.Half95DB = make([]float64, Points)
	}
	for k := range Points {
		sum := 0.0
		for _, s := range aligned {
			sum += s.LevelDB[k]
		}
		m := sum / float64(n)
		a.LevelDB[k] = m
		if n > 1 {
			sq := 0.0
			for _, s := range aligned {
				sq += (s.LevelDB[k] - m) * (s.LevelDB[k] - m)
			}
			a.SpreadDB[k] = math.Sqrt(sq / float64(n-1))
			a.Half95DB[k] = t * a.SpreadDB[k] / math.Sqrt(float64(n))
		}
	}
	a.Outliers = outliers(aligned, a.LowHz)
	return a, nil
}

// quantiles keeps t95 by degrees of freedom, for it is dear and asked for at every point; safe for concurrent use.
var quantiles sync.Map

// t95 is the two-sided 95 % quantile of Student's t with nu degrees of freedom, nu rounded down to twentieths: at most
// 0.2 % too wide from four degrees of freedom on.
func t95(nu float64) float64 {
	if !(nu > 0) {
		return math.Inf(1)
	}
	if nu > 1000 {
		nu = 1000
	}
	nu = max(math.Floor(nu*20+1e-9)/20, 0.05)
	if v, ok := quantiles.Load(nu); ok {
		return v.(float64)
	}
	v := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: nu}.Quantile(0.975)
	quantiles.Store(nu, v)
	return v
}

func median(v []float64) float64 {
	s := slices.Clone(v)
	slices.Sort(s)
	n := len(s)
	if n%2 == 1 {
		return s[n/2]
	}
	return (s[n/2-1] + s[n/2]) / 2
}

func pointwiseMedian(seats []Curve) Curve {
	m := Curve{make([]float64, Points), LowHz, HighHz}
	v := make([]float64, len(seats))
	for k := range Points {
		for i, s := range seats {
			v[i] = s.LevelDB[k]
		}
		m.LevelDB[k] = median(v)
	}
	for _, s := range seats {
		m.LowHz, m.HighHz = max(m.LowHz, s.LowHz), min(m.HighHz, s.HighHz)
	}
	return m
}

// Limits of an outlier; common practice, no source. A leak shows as bass that is missing against the other seats.
const (
	leakHz      = 100.0
	leakDB      = -6.0
	outlierDB   = 2.0 // RMS, 100 Hz to 8 kHz, third-octave smoothed
	outlierTime = 2.5 // times the median of the seats' RMS
)

func outliers(seats []Curve, lowHz float64) (out []Outlier) {
	if len(seats) < 3 {
		return nil
	}
	m := pointwiseMedian(seats)
	bass, rms := make([]float64, len(seats)), make([]float64, len(seats))
	lo := Index(max(lowHz, LowHz))
	for i, s := range seats {
		d := s.Minus(m).Smooth(3).LevelDB
		sum, n := 0.0, 0
		for k := lo; k <= Index(leakHz); k++ {
			sum, n = sum+d[k], n+1
		}
		if n > PointsPerOctave/2 {
			bass[i] = sum / float64(n)
		}
		sq, n := 0.0, 0
		for k := Index(leakHz); k <= Index(8000); k++ {
			sq, n = sq+d[k]*d[k], n+1
		}
		rms[i] = math.Sqrt(sq / float64(n))
	}
	abs := make([]float64, len(bass))
	for i, b := range bass {
		abs[i] = math.Abs(b)
	}
	typicalBass, typical := median(abs), median(rms)
	for i := range seats {
		switch {
		case bass[i] < leakDB && bass[i] < -outlierTime*typicalBass:
			out = append(out, Outlier{i, true, bass[i],
				fmt.Sprintf("low bass missing, %.1f dB below 100 Hz: probably a leak; seat again", bass[i])})
		case rms[i] > outlierDB && rms[i] > outlierTime*typical:
			out = append(out, Outlier{i, false, rms[i],
				fmt.Sprintf("%.1f dB RMS away from the other seats (100 Hz to 8 kHz); seat again", rms[i])})
		}
	}
	return out
}
