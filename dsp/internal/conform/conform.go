// Package conform is the suite that every processor of the live path must pass.
package conform

import (
	"math"
	"math/rand/v2"
	"testing"

	"cushwright/dsp"
)

// Option changes what Run expects.
type Option func(*options)

type options struct {
	firstAnswer bool
	level       float64
}

// PhaseShifts is for processors whose phase response moves energy in time (recursive filters): the delay is taken as
// right if the earliest answer to an impulse comes exactly at LagFrames, not earlier.
func PhaseShifts() Option { return func(o *options) { o.firstAnswer = true } }

// Level sets the peak of the test signals; the default is 0.5 (−6 dB relative to full scale).
func Level(peak float64) Option { return func(o *options) { o.level = peak } }

// Run checks that a processor gives the same output however the signal is split, starts afresh after Reset, stays
// finite after NaN and Inf and recovers from them, allocates nothing, and delays by LagFrames.
func Run(t *testing.T, name string, make func() dsp.Processor, opts ...Option) {
	t.Helper()
	o := options{level: 0.5}
	for _, f := range opts {
		f(&o)
	}
	t.Run(name, func(t *testing.T) {
		t.Run("splits", func(t *testing.T) { splits(t, make, o) })
		t.Run("reset", func(t *testing.T) { reset(t, make, o) })
		t.Run("finite", func(t *testing.T) { finite(t, make, o) })
		t.Run("allocations", func(t *testing.T) { allocations(t, make, o) })
		t.Run("lag", func(t *testing.T) { lag(t, make, o) })
	})
}

// program is noise with bursts and gaps, so that gain changes and silences occur.
func program(seed uint64, frames int, level float64) []float64 {
	r := rand.New(rand.NewPCG(seed, 7))
	x := make([]float64, 2*frames)
	for i := 0; i < frames; i++ {
		g := level
		switch i / 700 % 4 {
		case 1:
			g *= 0.05
		case 3:
			g = 0
		}
		x[2*i], x[2*i+1] = g*(2*r.Float64()-1), g*(2*r.Float64()-1)
	}
	return x
}

func splits(t *testing.T, make func() dsp.Processor, o options) {
	const frames = 9000
	x := program(1, frames, o.level)
	want := append([]float64(nil), x...)
	make().Process(want)
	if energy(want) == 0 {
		t.Fatal("no output at all")
	}
	sizes := []int{1, 2, 3, 5, 16, 31, 32, 33, 64, 127, 128, 256, 480, 1000}
	for seed := range uint64(8) {
		r := rand.New(rand.NewPCG(seed, 11))
		got := append([]float64(nil), x...)
		p := make()
		for i := 0; i < frames; {
			n := sizes[r.IntN(len(sizes))]
			if seed == 0 {
				n = 1
			}
			n = min(n, frames-i)
			p.Process(got[2*i : 2*(i+n)])
			i += n
		}
		for i := range got {
			if got[i] != want[i] {
				t.Fatalf("split %d: sample %d of frame %d is %g, in one block %g", seed, i&1, i/2, got[i], want[i])
			}
		}
	}
}

func reset(t *testing.T, make func() dsp.Processor, o options) {
	want := program(2, 5000, o.level)
	p := make()
	first := program(3, 4000, 4*o.level)
	p.Process(first)
	p.Reset()
	got := append([]float64(nil), want...)
	p.Process(got)
	make().Process(want)
	for i := range got {
		if got[i] != want[i] {
			t.Fatalf("after Reset sample %d of frame %d is %g, of a new processor %g", i&1, i/2, got[i], want[i])
		}
	}
}

func finite(t *testing.T, make func() dsp.Processor, o options) {
	for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), math.MaxFloat64, -math.MaxFloat64} {
		p := make()
		x := program(4, 3000, o.level)
		x[2*500], x[2*900+1], x[2*901], x[2*901+1] = bad, bad, bad, bad
		p.Process(x)
		for i, v := range x {
			if v-v != 0 {
				t.Fatalf("%g in: frame %d is %g", bad, i/2, v)
			}
		}
		// It must recover: after a long silence (10 s at 48 kHz) it does what a new one does.
		for range 1000 {
			p.Process(zeros(480))
		}
		got, want := program(5, 3000, o.level), program(5, 3000, o.level)
		p.Process(got)
		make().Process(want)
		for i := range got {
			if math.Abs(got[i]-want[i]) > 1e-9*(1+o.level) {
				t.Fatalf("%g in: frame %d is %g after recovery, of a new processor %g", bad, i/2, got[i], want[i])
			}
		}
	}
}

func allocations(t *testing.T, make func() dsp.Processor, o options) {
	p := make()
	for _, frames := range []int{1, 7, 256, 4800} {
		x := program(6, frames, o.level)
		y := zeros(frames)
		if n := testing.AllocsPerRun(50, func() { copy(y, x); p.Process(y) }); n != 0 {
			t.Errorf("%g allocations per block of %d frames", n, frames)
		}
	}
}

func lag(t *testing.T, make func() dsp.Processor, o options) {
	p := make()
	d := p.LagFrames()
	if d < 0 {
		t.Fatalf("LagFrames is %d", d)
	}
	frames := d + 4000
	x := program(7, frames, o.level)
	for i := range 2 * 100 { // silence first, so that the first answer can be told
		x[i] = 0
	}
	y := append([]float64(nil), x...)
	p.Process(y)
	if o.firstAnswer {
		for e := range 2 {
			first := 0
			for first < frames && y[2*first+e] == 0 {
				first++
			}
			in := 0
			for x[2*in+e] == 0 {
				in++
			}
			if first-in != d {
				t.Errorf("ear %d: the first answer comes after %d frames, LagFrames is %d", e, first-in, d)
			}
		}
		return
	}
	for e := range 2 {
		best, at := 0.0, -1
		for s := 0; s <= d+64; s++ {
			c := 0.0
			for i := 0; i+s < frames && i < 3900; i++ {
				c += x[2*i+e] * y[2*(i+s)+e]
			}
			if c > best {
				best, at = c, s
			}
		}
		if at != d {
			t.Errorf("ear %d: correlation finds a delay of %d frames, LagFrames is %d", e, at, d)
		}
	}
}

func zeros(frames int) []float64 { return make([]float64, 2*frames) }

func energy(x []float64) (s float64) {
	for _, v := range x {
		s += v * v
	}
	return s
}
