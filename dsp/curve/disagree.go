package curve

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Outlier is a seat that disagrees with the others; the remedy is to seat again.
type Outlier struct {
	Ear    int     // index of its average in what was given, from 0
	Seat   int     // index of the seat in its average, from 0
	Leak   bool    // low bass missing: the cushion did not seal
	DevDB  float64 // mean below 100 Hz for a leak, otherwise RMS from 100 Hz to 8 kHz, in dB from the mean of the other seats
	P      float64 // chance that any seat among those given stands as far apart, where all scatter alike
	Reason string
}

// A smaller departure is no reason to seat again, however tight the others are. Common practice, no source.
const (
	leakHz    = 100.0
	leakDB    = -6.0
	outlierDB = 1.5
)

// Outliers names the seats that disagree with the others of their ear, given the averages of one cushion's ears. A seat's
// departure from the mean of the others is set against the scatter of all other seats of the cushion, levels taken out, by
// an F test whose degrees of freedom count independent pieces of the spectrum, and low bass by a one-sided t test. Bonferroni:
// with nothing but scatter, any seat at all is named in at most 5 of 100 cases, or 5 of 100·cushions where so many cushions
// are judged at once. An ear with fewer than three seats has none.
// Source of the piece count, tr(Σ)²/tr(Σ²): F. E. Satterthwaite, Biometrics Bulletin 2 (1946) 110–114; of the estimate of
// tr(Σ²) without bias: Z. Bai, H. Saranadasa, Statistica Sinica 6 (1996) 311–329 (both from memory).
func Outliers(cushions int, ears ...Average) (out []Outlier) {
	var all []seatShape
	seats := 0
	for e, a := range ears {
		if len(a.Seats) < 3 {
			continue
		}
		seats += len(a.Seats)
		for i := range a.Seats {
			all = append(all, shapeOf(a, e, i))
		}
	}
	for _, s := range all {
		p, leak, dev := judgeSeat(s, all)
		p = min(1, 2*p*float64(seats))
		switch {
		case p*float64(max(1, cushions)) >= 0.05:
			continue
		case leak:
			out = append(out, Outlier{s.ear, s.seat, true, dev, p, fmt.Sprintf("low bass missing, %.1f dB below 100 Hz: probably a leak; seat again", dev)})
		default:
			out = append(out, Outlier{s.ear, s.seat, false, dev, p, fmt.Sprintf("%.1f dB RMS away from the other seats (100 Hz to 8 kHz); seat again", dev)})
		}
	}
	return out
}

// seatShape is what is compared of a seat: levels in dB, the seat's own level taken out.
type seatShape struct {
	ear, seat int
	thirds    []float64 // third octaves from 100 Hz to 8 kHz
	bass      float64   // mean below 100 Hz; NaN where less than half an octave was measured
}

func shapeOf(a Average, ear, i int) seatShape {
	s := seatShape{ear: ear, seat: i, bass: math.NaN()}
	c := a.Seats[i].Shift(-a.OffsetDB[i])
	smooth := c.Smooth(3).LevelDB
	for k := Index(max(leakHz, a.LowHz)); k <= Index(min(8000, a.HighHz)); k += PointsPerOctave / 3 {
		s.thirds = append(s.thirds, smooth[k])
	}
	if from, to := Index(a.LowHz), Index(leakHz); to-from > PointsPerOctave/2 {
		s.bass = meanFrom(from, to).of(c.LevelDB)
	}
	return s
}

// judgeSeat sets a seat against the others. p is the smaller of two chances, of the bass missing and of the shape departing.
func judgeSeat(s seatShape, all []seatShape) (p float64, leak bool, dev float64) {
	p = 1
	// The deviations of all other seats from the mean of their ear, the judged one left out of it.
	var others [][]float64
	var bass []float64
	dof, n := 0.0, 0
	perEar := map[int][]seatShape{}
	for _, o := range all {
		if o.ear != s.ear || o.seat != s.seat {
			perEar[o.ear] = append(perEar[o.ear], o)
		}
	}
	var mean seatShape
	for e, group := range perEar {
		m := meanShape(group)
		if e == s.ear {
			mean, n = m, len(group)
		}
		dof += float64(len(group) - 1)
		for _, o := range group {
			d := make([]float64, len(s.thirds))
			for b := range min(len(d), len(o.thirds)) {
				d[b] = o.thirds[b] - m.thirds[b]
			}
			others, bass = append(others, d), append(bass, o.bass-m.bass)
		}
	}
	wider := 1 + 1/float64(n) // the mean of the others scatters too
	sq := 0.0
	for b, x := range s.thirds {
		sq += (x - mean.thirds[b]) * (x - mean.thirds[b])
	}
	if total, pieces := scatterOf(others, dof); total > 0 {
		if rms := math.Sqrt(sq / float64(len(s.thirds))); rms > outlierDB {
			p, dev = distuv.F{D1: pieces, D2: pieces * dof}.Survival(sq/wider/total), rms
		}
	}
	v := 0.0
	for _, x := range bass {
		v += x * x / dof
	}
	if d := s.bass - mean.bass; d < leakDB && v > 0 {
		if q := (distuv.StudentsT{Mu: 0, Sigma: 1, Nu: dof}).CDF(d / math.Sqrt(v*wider)); q < p {
			return q, true, d
		}
	}
	return p, false, dev
}

func meanShape(group []seatShape) seatShape {
	m := seatShape{thirds: make([]float64, len(group[0].thirds))}
	for _, o := range group {
		for b := range m.thirds {
			m.thirds[b] += o.thirds[b] / float64(len(group))
		}
		m.bass += o.bass / float64(len(group))
	}
	return m
}

// scatterOf returns the total variance of deviations, and into how many independent pieces it falls; dof are the deviations'
// degrees of freedom. It counts two fifths of tr(Σ)²/tr(Σ²), for the tail of a sum of unequal pieces is longer than that of as many
// equal ones: TestOutliersAreRare holds it to its 5 %.
func scatterOf(dev [][]float64, dof float64) (total, pieces float64) {
	// tr(S) and tr(S²) from the products of the deviations: tr(S²) is Σ (dᵢ·dⱼ)²/dof².
	square := 0.0
	for i, a := range dev {
		for j, b := range dev {
			dot := 0.0
			for k := range a {
				dot += a[k] * b[k]
			}
			if i == j {
				total += dot / dof
			}
			square += dot * dot / (dof * dof)
		}
	}
	const least, most = 1, 8
	if dof < 3 {
		return total, least
	}
	square = dof * dof / ((dof - 1) * (dof + 2)) * (square - total*total/dof)
	if !(square > 0) {
		return total, most
	}
	// The square of tr(Σ) is overestimated by its own variance.
	whole := total*total - 2*square/dof
	return total, min(max(0.4*whole/square, least), most)
}
