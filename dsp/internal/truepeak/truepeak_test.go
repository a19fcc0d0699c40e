package truepeak

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Against the sum of the phase's coefficients, phase by phase.
func TestPeaksIsLargestPhase(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 2))
	for _, rate := range []float64{44100, 48000, 96000, 192000} {
		p := New(rate)
		x, dst := make([]float32, Group+Taps-1), make([]float32, Group)
		for i := range x {
			x[i] = 2*r.Float32() - 1
		}
		p.Peaks(dst, x, 3)
		for i := range 3 {
			want := 0.0
			for j := range p.rows {
				y := 0.0
				for k, c := range p.rows[j] {
					y += c * float64(x[i+k])
				}
				want = max(want, math.Abs(y))
			}
			if math.Abs(want-float64(dst[i])) > 2e-6 {
				t.Errorf("%g Hz: value %d is %g, wanted %g", rate, i, dst[i], want)
			}
		}
	}
}

// Every phase's magnitude stays near one up to 20 kHz (a figure of this design, no source), and L1 is what the worst signs of samples reach.
func TestResponse(t *testing.T) {
	for _, rate := range []float64{44100, 48000, 96000, 192000} {
		p := New(rate)
		worst, l1 := 0.0, 0.0
		for j := 8 / p.factor; j < 8; j += 8 / p.factor {
			for f := 0.0; f <= 20000; f += 50 {
				re, im := 0.0, 0.0
				for k, c := range p.rows[j] {
					s, cs := math.Sincos(2 * math.Pi * f / rate * float64(k))
					re, im = re+c*cs, im+c*s
				}
				worst = max(worst, math.Abs(20*math.Log10(math.Hypot(re, im))))
			}
			s := 0.0
			for _, c := range p.rows[j] {
				s += math.Abs(c)
			}
			l1 = max(l1, s)
		}
		t.Logf("%g Hz: %d-fold, within %.3f dB to 20 kHz, L1 %.3f (%.2f dB)", rate, p.Factor(), worst, p.L1(), 20*math.Log10(p.L1()))
		limit := 0.1
		if rate < 48000 {
			limit = 0.7 // 20 kHz is close to half the rate
		}
		if worst > limit {
			t.Errorf("%g Hz: %.3f dB off", rate, worst)
		}
		if p.L1() < l1 || p.L1() > l1*1.001 {
			t.Errorf("%g Hz: L1 is %g, the coefficients say %g", rate, p.L1(), l1)
		}
	}
}
