//go:build !purego

package drift

import (
	"math"
	"math/rand/v2"
	"testing"

	"golang.org/x/sys/cpu"
)

type variant struct {
	name string
	dot  func(rows, w []float64, f float64) (float64, float64)
}

func variants() []variant {
	v := []variant{{"go", dotGo}}
	if cpu.X86.HasAVX2 && cpu.X86.HasFMA {
		v = append(v, variant{"avx2", func(rows, w []float64, f float64) (float64, float64) {
			var o [2]float64
			dotAVX2(&rows[0], &w[0], f, &o)
			return o[0], o[1]
		}})
	}
	if cpu.X86.HasAVX512F {
		v = append(v, variant{"avx512", func(rows, w []float64, f float64) (float64, float64) {
			var o [2]float64
			dotAVX512(&rows[0], &w[0], f, &o)
			return o[0], o[1]
		}})
	}
	return v
}

// Kernels agree with plain Go to the rounding of float64: −300 dB.
func TestKernelsAgree(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	w := make([]float64, 2*taps)
	for range 1000 {
		for i := range w {
			w[i] = 2*r.Float64() - 1
		}
		p := r.IntN(phases)
		rows, f := table[p*taps:(p+2)*taps], r.Float64()
		l, rr := dotGo(rows, w, f)
		for _, v := range variants()[1:] {
			a, b := v.dot(rows, w, f)
			if math.Abs(a-l) > 1e-15 || math.Abs(b-rr) > 1e-15 {
				t.Fatalf("%s: %g %g, plain Go %g %g", v.name, a, b, l, rr)
			}
		}
	}
}

func BenchmarkDot(b *testing.B) {
	w := make([]float64, 2*taps)
	for i := range w {
		w[i] = float64(i)
	}
	for _, v := range variants() {
		b.Run(v.name, func(b *testing.B) {
			i := 0
			for b.Loop() {
				p := i >> 2 & (phases - 1)
				v.dot(table[p*taps:(p+2)*taps], w, 0.3)
				i++
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N), "ns/frame")
		})
	}
}
