//go:build !purego

package truepeak

import (
	"math/rand/v2"
	"slices"
	"testing"

	"golang.org/x/sys/cpu"

	"cushwright/dsp/testrun"
)

type variant struct {
	name string
	f    func(p *Interpolator, dst, x []float32)
}

func variants() []variant {
	v := []variant{{"go", peaksGo}}
	if cpu.X86.HasAVX2 && cpu.X86.HasFMA {
		v = append(v, variant{"avx2", func(p *Interpolator, dst, x []float32) {
			peaksAVX2(&dst[0], &x[0], len(dst)/8, &p.coef)
		}})
	}
	if cpu.X86.HasAVX512F {
		v = append(v, variant{"avx512", func(p *Interpolator, dst, x []float32) {
			peaksAVX512(&dst[0], &x[0], len(dst)/16, &p.coef)
		}})
	}
	return v
}

// Kernels agree with plain Go to the rounding of float32: they fuse multiplication and addition.
func TestKernelsAgree(t *testing.T) {
	for _, name := range []string{"avx2", "avx512"} {
		if !slices.ContainsFunc(variants(), func(v variant) bool { return v.name == name }) {
			testrun.LeftOut(t, "the true-peak kernel "+name, "this processor has none")
		}
	}
	r := rand.New(rand.NewPCG(1, 1))
	for _, rate := range []float64{44100, 96000, 192000} {
		p := New(rate)
		for groups := 1; groups <= 4; groups++ {
			n := groups * Group
			x := make([]float32, n+Taps-1)
			for i := range x {
				x[i] = 2*r.Float32() - 1
			}
			want := make([]float32, n)
			peaksGo(p, want, x)
			for _, v := range variants()[1:] {
				got := make([]float32, n+1)
				got[n] = 42
				v.f(p, got[:n], x)
				for i := range want {
					if abs(got[i]-want[i]) > 2e-6 {
						t.Fatalf("%s, %g Hz: value %d of %d is %g, plain Go %g", v.name, rate, i, n, got[i], want[i])
					}
				}
				if got[n] != 42 {
					t.Fatalf("%s wrote beyond its frames", v.name)
				}
			}
		}
	}
}

func BenchmarkPeaks(b *testing.B) {
	p := New(48000)
	dst, x := make([]float32, 32), make([]float32, 32+Taps-1)
	for i := range x {
		x[i] = float32(i%7) - 3
	}
	for _, v := range variants() {
		b.Run(v.name, func(b *testing.B) {
			for b.Loop() {
				v.f(p, dst, x) // both ears
				v.f(p, dst, x)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/32, "ns/frame")
		})
	}
}
