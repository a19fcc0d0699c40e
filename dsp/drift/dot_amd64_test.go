//go:build !purego

package drift

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"golang.org/x/sys/cpu"

	"cushwright/dsp/testrun"
)

type variant struct {
	name string
	dots func(out []float64, spots []spot, table, buf []float64)
}

func variants() []variant {
	v := []variant{{"go", dotsGo}}
	if cpu.X86.HasAVX2 && cpu.X86.HasFMA {
		v = append(v, variant{"avx2", func(out []float64, spots []spot, table, buf []float64) {
			p, n := spotsAt(spots)
			dotsAVX2(&out[0], p, n, &table[0], &buf[0])
		}})
	}
	if cpu.X86.HasAVX512F {
		v = append(v, variant{"avx512", func(out []float64, spots []spot, table, buf []float64) {
			p, n := spotsAt(spots)
			dotsAVX512(&out[0], p, n, &table[0], &buf[0])
		}})
	}
	return v
}

// Kernels agree with plain Go to the rounding of float64: −300 dB.
func TestKernelsAgree(t *testing.T) {
	for _, name := range []string{"avx2", "avx512"} {
		if !slices.ContainsFunc(variants(), func(v variant) bool { return v.name == name }) {
			testrun.LeftOut(t, "the resampler's kernel "+name, "this processor has none")
		}
	}
	r := rand.New(rand.NewPCG(1, 1))
	buf := make([]float64, 2*(taps+100))
	for range 300 {
		for i := range buf {
			buf[i] = 2*r.Float64() - 1
		}
		spots := make([]spot, 1+r.IntN(20))
		for i := range spots {
			spots[i] = spot{uint64(r.IntN(phases)) * taps * 8, uint64(r.IntN(101)) * 16, r.Float64()}
		}
		want := make([]float64, 2*len(spots))
		dotsGo(want, spots, table[:], buf)
		for _, v := range variants()[1:] {
			got := make([]float64, 2*len(spots)+1)
			got[len(want)] = 42
			v.dots(got[:len(want)], spots, table[:], buf)
			for i := range want {
				if math.Abs(got[i]-want[i]) > 1e-15 {
					t.Fatalf("%s: %g, plain Go %g", v.name, got[i], want[i])
				}
			}
			if got[len(want)] != 42 {
				t.Fatalf("%s wrote beyond its frames", v.name)
			}
		}
	}
}

// BenchmarkDots gives the least of many, which a busy machine disturbs little.
func BenchmarkDots(b *testing.B) {
	buf, out, spots := make([]float64, 2*(taps+64)), make([]float64, 2*64), make([]spot, 64)
	for i := range buf {
		buf[i] = float64(i)
	}
	for i := range spots {
		spots[i] = spot{uint64(i/5) * taps * 8, uint64(i) * 16, 0.3}
	}
	for _, v := range variants() {
		b.Run(v.name, func(b *testing.B) {
			least := time.Duration(math.MaxInt64)
			for b.Loop() {
				t := time.Now()
				v.dots(out, spots, table[:], buf)
				least = min(least, time.Since(t))
			}
			b.ReportMetric(float64(least.Nanoseconds())/64, "ns/frame")
		})
	}
}
