//go:build linux

package main

import (
	"math"
	"testing"
)

// The acoustics' distortion is what it says: the harmonics of a sine of the peak level. y = x + 0.1x² + 0.05x³ gives
// 1.0375, 0.05 and 0.0125, by trigonometry; what would lie above half the rate is gone.
func TestBender(t *testing.T) {
	for _, c := range []struct {
		bin  int
		want map[int]float64
	}{
		{200, map[int]float64{1: 1.0375, 2: 0.05, 3: 0.0125}},
		{1900, map[int]float64{1: 1.0375}}, // 2 and 3 would fold back to 296 and 1604 of 4096
	} {
		const n = 4096
		b := bender{}
		x := make([]float64, 2*2*n)
		for i := range 2 * n {
			x[2*i] = 0.3 * math.Sin(2*math.Pi*float64(c.bin)*float64(i)/n)
		}
		b.run(x, 0.3)
		amp := func(bin int) float64 {
			re, im := 0.0, 0.0
			for i := n; i < 2*n; i++ {
				s, k := math.Sincos(2 * math.Pi * float64(bin) * float64(i) / n)
				re, im = re+x[2*i]*k, im+x[2*i]*s
			}
			return 2 * math.Hypot(re, im) / n / 0.3
		}
		for h, want := range c.want {
			if got := amp(h * c.bin); math.Abs(got-want) > 4e-3 {
				t.Errorf("bin %d, harmonic %d: %.4f, want %.4f", c.bin, h, got, want)
			}
		}
		if c.bin == 1900 {
			if got := amp(n - 2*c.bin); got > 2e-3 {
				t.Errorf("the second harmonic folds back with %.4f", got)
			}
		}
	}
}
