package sweep

import (
	"math"
	"math/cmplx"
	"math/rand/v2"

	"gonum.org/v1/gonum/dsp/fourier"

	"cushwright/dsp/testrun"
)

// The simulated rig: headphone, cushion and microphone with known, invented properties.

// second is an analog second-order section (a0 + a1·s + a2·s²)/(b0 + b1·s + b2·s²), s in units of its own frequency.
type second struct{ hz, n0, n1, n2, d0, d1, d2 float64 }

func (q second) at(f float64) complex128 {
	s := complex(0, f/q.hz)
	return (complex(q.n0, 0) + complex(q.n1, 0)*s + complex(q.n2, 0)*s*s) /
		(complex(q.d0, 0) + complex(q.d1, 0)*s + complex(q.d2, 0)*s*s)
}

func bell(hz, gainDB, q float64) second {
	a := math.Pow(10, gainDB/40)
	return second{hz, 1, a / q, 1, 1, 1 / (a * q), 1}
}

// path is a known response: level × sections × delay.
type path struct {
	gain     float64
	sections []second
	delay    float64 // s
}

// booth is an invented headphone on an invented rig: leak in the bass, a few resonances, a falling top.
func booth() path {
	return path{gain: 0.5, delay: 0.0314159, sections: []second{
		{18, 0, 0, 1, 1, 1.2, 1}, // leak
		bell(95, 5, 0.8), bell(430, -3, 1.1), bell(2800, 8, 2.2), bell(5600, -9, 4), bell(8900, 6, 5), bell(14200, -5, 4),
		{19000, 1, 0, 0, 1, 0.9, 0.35},
	}}
}

func (p path) at(f float64) complex128 {
	h := complex(p.gain, 0)
	for _, s := range p.sections {
		h *= s.at(f)
	}
	return h
}

func (p path) db(f float64) float64 { return 20 * math.Log10(cmplx.Abs(p.at(f))) }

// play sends x through the path. The transform is twice as long as it need be, so nothing wraps.
func (p path) play(x []float64, rate float64, extra int) []float64 {
	out := len(x) + extra
	n := fastLen(2 * out)
	pad := make([]float64, n)
	copy(pad, x)
	fft := fourier.NewFFT(n)
	sp := fft.Coefficients(nil, pad)
	for k := range sp {
		f := float64(k) * rate / float64(n)
		sp[k] *= p.at(f) * cmplx.Rect(1/float64(n), -2*math.Pi*f*p.delay)
	}
	sp[0] = 0
	return fft.Sequence(nil, sp)[:out]
}

// distort applies y = x + 0.1x² + 0.05x³ as an analog device would: at four times the rate, so that nothing folds back.
func distort(x []float64, peak float64) []float64 {
	n := fastLen(len(x) + 4096)
	pad := make([]float64, n)
	copy(pad, x)
	sp := fourier.NewFFT(n).Coefficients(nil, pad)
	big := make([]complex128, 2*n+1)
	copy(big, sp)
	fft := fourier.NewFFT(4 * n)
	y := fft.Sequence(nil, big)
	for i := range y {
		v := y[i] / float64(n) / peak
		y[i] = (v + 0.1*v*v + 0.05*v*v*v) * peak
	}
	fft.Coefficients(big, y)
	copy(sp, big[:len(sp)])
	z := fourier.NewFFT(n).Sequence(nil, sp)
	for i := range z {
		z[i] /= float64(4 * n)
	}
	return z[:len(x)]
}

// addNoise adds white noise, snrDB below the RMS of what sounds in x.
func addNoise(x []float64, snrDB float64, rng *rand.Rand) []float64 {
	sum, n, peak := 0.0, 0, 0.0
	for _, v := range x {
		peak = max(peak, math.Abs(v))
	}
	for _, v := range x {
		if math.Abs(v) > 1e-4*peak {
			sum += v * v
			n++
		}
	}
	s := math.Sqrt(sum/float64(n)) * math.Pow(10, -snrDB/20)
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = v + s*rng.NormFloat64()
	}
	return out
}

// count is how often something is tried: long with CUSHWRIGHT_LONG=1, least under the race detector.
func count(race, short, long int) int {
	switch {
	case testrun.Long():
		return long
	case racing:
		return race
	}
	return short
}

// seconds is the length of a sweep, shorter under the race detector.
func seconds(v float64) float64 {
	if racing {
		return min(v, 1.2)
	}
	return v
}

func newRand(n uint64) *rand.Rand { return rand.New(rand.NewPCG(n, 20)) }
