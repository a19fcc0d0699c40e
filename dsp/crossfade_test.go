package dsp

import (
	"math"
	"math/cmplx"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"
)

// splatterDB is the power outside loHz to hiHz during a change from nothing to the bands, against a full-scale sine:
// a window of 16384 frames (Kaiser, beta 22: sidelobes below -170 dB) around the change.
func splatterDB(t *testing.T, sineHz, loHz, hiHz float64, bands []Band, fadeFrames int) float64 {
	t.Helper()
	const n, rate = 16384, 48000.0
	before := compileFor(t, nil, 0, rate, Options{}, kernels[0])
	after := compileFor(t, bands, 0, rate, Options{}, kernels[0])
	x := make([]float64, 2*n)
	for i := range n {
		x[2*i] = math.Sin(2*math.Pi*sineHz/rate*float64(i) + 0.3)
		x[2*i+1] = x[2*i]
	}
	// As the live loop does it: the new chain starts from rest when the fade starts.
	const at = n/2 - 480
	before.Process(x[:2*at])
	next := append([]float64(nil), x[2*at:]...)
	before.Process(x[2*at:])
	after.Process(next)
	NewCrossfade(fadeFrames).Mix(x[2*at:], next)
	win := make([]float64, n)
	for i := range win {
		r := 2*(float64(i)+0.5)/n - 1
		win[i] = bessel0(22*math.Sqrt(1-r*r)) / bessel0(22)
	}
	y := make([]float64, n)
	total := 0.0
	for i := range y {
		y[i] = x[2*i] * win[i]
		total += win[i] * win[i] / 2 // mean power of a full-scale sine
	}
	out := 0.0
	for i, c := range fourier.NewFFT(n).Coefficients(nil, y) {
		if f := float64(i) * rate / n; f < loHz || f > hiHz {
			out += 2 * real(c*cmplx.Conj(c)) / n
		}
	}
	return 10 * math.Log10(out/total)
}

func bessel0(x float64) float64 {
	sum, term := 1.0, 1.0
	for k := 1.0; term > 1e-18*sum; k++ {
		term *= x * x / (4 * k * k)
		sum += term
	}
	return sum
}

func TestCrossfadeSplatter(t *testing.T) {
	var bells []Band
	for _, f := range []float64{100, 400, 1000, 2500, 6000} {
		bells = append(bells, Band{Shape: Bell, FreqHz: f, GainDB: -7, Q: 1})
	}
	const frames = 960 // 20 ms
	tone1k := splatterDB(t, 1000, 500, 2000, bells, frames)
	low := splatterDB(t, 60, 0, 400, bells, frames)
	abrupt := splatterDB(t, 1000, 500, 2000, bells, 1)
	t.Logf("1 kHz %.1f dBFS, 60 Hz above 400 Hz %.1f dBFS, abrupt %.1f dBFS", tone1k, low, abrupt)
	if !(tone1k <= -95) || !(low <= -95) {
		t.Errorf("splatter: 1 kHz %.1f dBFS, 60 Hz %.1f dBFS, allowed -95", tone1k, low)
	}
	if abrupt < -60 {
		t.Errorf("an abrupt change measures %.1f dBFS: the measurement is blind", abrupt)
	}
}

func TestCrossfadeEnds(t *testing.T) {
	f := NewCrossfade(100) // 50 frames of listening before
	old, next := make([]float64, 2*250), make([]float64, 2*250)
	for i := range next {
		next[i] = 1
	}
	for at := 0; at < len(old); at += 2 * 25 {
		f.Mix(old[at:at+50], next[at:at+50])
	}
	if !f.Done() || old[2*49] != 0 || math.Abs(old[2*149]-1) > 1e-3 || old[2*150] != 1 || old[len(old)-1] != 1 {
		t.Errorf("fade runs %g to %g, then %g; done %v", old[2*49], old[2*149], old[2*150], f.Done())
	}
	for i := 2 * 50; i < 2*150; i += 2 {
		if old[i] <= old[i-2] || old[i] != old[i+1] {
			t.Fatalf("not rising at frame %d", i/2)
		}
	}
	f.Restart()
	if f.Done() {
		t.Error("restarted fade is over")
	}
}
