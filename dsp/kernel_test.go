package dsp

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"unsafe"

	"cushwright/dsp/testrun"
)

// oracle says what a vector kernel must give, to the bit: one section at a time, products fused as its are.
var oracle = kernel{"oracle", []passShape{{1, 2, false, fusedPass}}}

func fusedPass(buf *float64, frames int, mem *float64) {
	b, m := unsafe.Slice(buf, 2*frames), unsafe.Slice(mem, 20)
	for i := range b {
		e := i & 1
		x, s1, s2 := b[i], m[16+e], m[18+e]
		b[i] = m[e] * (x + s1)
		m[16+e] = math.FMA(m[8+e], s1, math.FMA(m[12+e], x, s2))
		m[18+e] = math.FMA(m[10+e], s1, m[14+e]*x)
	}
}

// oracleOf is the oracle for kernel k. Paired passes round by the pairs, so theirs has the same passes.
func oracleOf(k kernel) kernel {
	if !k.shapes[0].paired {
		return oracle
	}
	o := kernel{name: "paired oracle", shapes: append([]passShape(nil), k.shapes...)}
	for i := range o.shapes {
		groups, lanes := o.shapes[i].groups, o.shapes[i].lanes
		o.shapes[i].run = func(buf *float64, frames int, mem *float64) { fusedPairs(buf, frames, mem, groups, lanes) }
	}
	return o
}

func fusedPairs(buf *float64, frames int, mem *float64, groups, lanes int) {
	b, m := unsafe.Slice(buf, 2*frames), unsafe.Slice(mem, 8+10*groups*lanes)
	last := groups*lanes/2 - 1
	for i := 0; i < len(b); i += 4 {
		for e := range 2 {
			at := func(q int) (coef, state func(k int) *float64) {
				g, j := q%groups, 2*(q/groups)+e
				return func(k int) *float64 { return &m[8+(6*g+k)*lanes+j] },
					func(k int) *float64 { return &m[8+6*groups*lanes+(4*g+k)*lanes+j] }
			}
			_, end := at(last)
			before := *end(3)
			for q := last; q >= 0; q-- {
				x0, x1 := b[i+e], b[i+2+e]
				if q > 0 {
					_, y := at(q - 1)
					x0, x1 = *y(2), *y(3)
				}
				c, s := at(q)
				d, e0 := *s(0), *s(1)
				t := *c(0) * d
				*s(2) = math.FMA(*c(1), e0, t+x0)
				v := math.FMA(*c(2), e0, x0)
				e1 := math.FMA(*c(3), d, v)
				*s(3) = math.FMA(*c(4), e1, t+x1)
				*s(1) = math.FMA(*c(5), e1, x1-v)
				*s(0) = d + e1 + *s(1)
			}
			b[i+e], b[i+2+e] = m[e]*before, m[e]**end(2)
		}
	}
}

// textbook is the transposed direct form with the sections as they are: another route to the same signal.
func textbook(ch *Chain, buf []float64) {
	for e := range ch.sections {
		st := make([][2]float64, len(ch.sections[e]))
		for i := e; i < len(buf); i += 2 {
			x := buf[i] * ch.gain
			for k, s := range ch.sections[e] {
				y := s.B0*x + st[k][0]
				st[k][0] = s.B1*x - s.A1*y + st[k][1]
				st[k][1] = s.B2*x - s.A2*y
				x = y
			}
			buf[i] = x
		}
	}
}

func noise(r *rand.Rand, frames int) []float64 {
	b := make([]float64, 2*frames)
	for i := range b {
		b[i] = 2*r.Float64() - 1
	}
	return b
}

// unevenBands gives the ears different lists, one of them possibly empty.
func unevenBands(r *rand.Rand, n int) []Band {
	var bs []Band
	left := r.IntN(3)
	for i := range n {
		b := randomBand(r, Shapes[r.IntN(len(Shapes))])
		b.GainDB /= 3
		b.Ear = []Ear{Left, Right, Both}[(i*(left+1)+left)%3]
		if i == n-1 {
			b.Ear = Both
		}
		bs = append(bs, b)
	}
	return bs
}

func compileFor(t testing.TB, bs []Band, headroomDB, rate float64, o Options, k kernel) *Chain {
	t.Helper()
	c, err := NewCorrection(bs, headroomDB)
	if err != nil {
		t.Fatal(err)
	}
	ch, err := c.compile(rate, o, k)
	if err != nil {
		t.Fatal(err)
	}
	return ch
}

// on is the same chain, fresh, on another kernel.
func (c *Chain) on(k kernel) *Chain {
	d := *c
	d.build(k, c.lag)
	return &d
}

func inBlocks(ch *Chain, src []float64, frames func() int) []float64 {
	b := append([]float64(nil), src...)
	for at := 0; at < len(b); {
		n := min(2*frames(), len(b)-at)
		ch.Process(b[at : at+n])
		at += n
	}
	return b
}

// Each kernel, at every number of sections and any split into blocks down to single frames.
func TestKernelsAgree(t *testing.T) {
	const lag = 140 // more than that of 64 sections
	r := rand.New(rand.NewPCG(7, 1))
	most := map[string]float64{}
	t.Logf("kernels here: %d, the fastest %s", len(kernels), kernels[0].name)
	for _, name := range []string{"avx512", "avx2"} {
		if !slices.ContainsFunc(kernels, func(k kernel) bool { return k.name == name }) {
			testrun.LeftOut(t, "the chain's kernel "+name, "this processor or this build has none")
		}
	}
	for n := range 65 {
		if n > 16 && n < 64 && n%7 != 0 {
			continue
		}
		bs := unevenBands(r, n)
		src := noise(r, 1100)
		base := compileFor(t, bs, -6, 48000, Options{LagFrames: lag}, oracle)
		want := inBlocks(base, src, func() int { return len(src) })
		for _, k := range kernels {
			ch := base.on(k)
			exact := inBlocks(base.on(oracleOf(k)), src, func() int { return len(src) })
			for _, size := range []func() int{func() int { return len(src) }, func() int { return 1 + r.IntN(60) }, func() int { return 1 }} {
				ch.Reset()
				got := inBlocks(ch, src, size)
				worst, peak := 0.0, 0.0
				for i := range got {
					worst = max(worst, math.Abs(got[i]-want[i]))
					peak = max(peak, math.Abs(want[i]))
					if k.name != "plain" && got[i] != exact[i] { // vector kernels: the same bits
						t.Fatalf("%s, %d bands: sample %d is %g, not %g", k.name, n, i, got[i], exact[i])
					}
				}
				most[k.name] = max(most[k.name], worst/max(1, peak))
				if !(worst <= Ratio(-200)*max(1, peak)) {
					t.Fatalf("%s, %d bands: differs by %g (peak %g)", k.name, n, worst, peak)
				}
			}
		}
		got := append([]float64(nil), src...)
		textbook(base, got)
		for i, g := range got[:len(got)-2*lag] {
			if w := want[i+2*lag]; math.Abs(g-w) > Ratio(-180)*max(1, math.Abs(w)) {
				t.Fatalf("%d bands: textbook form %g, chain %g", n, g, w)
			}
		}
	}
	for k, m := range most {
		t.Logf("%s: at most %.0f dB from the oracle, relative to the peak or full scale", k, DB(m))
	}
}

// NoLag takes the fastest kernel without a lag, and Lags tells whether one can be met.
func TestNoLag(t *testing.T) {
	c, err := NewCorrection(benchBands(10), -40)
	if err != nil {
		t.Fatal(err)
	}
	was := kernels
	defer func() { kernels = was }()
	for len(kernels) > 0 {
		want := plain
		for i := len(kernels) - 1; i >= 0; i-- {
			if !kernels[i].shapes[0].paired {
				want = kernels[i]
			}
		}
		for _, o := range []Options{{}, {NoLag: true}} {
			ch, err := c.Compile(48000, o)
			if err != nil {
				t.Fatal(err)
			}
			name := kernels[0].name
			if o.NoLag {
				name = want.name
			}
			if ch.Kernel() != name || (ch.LagFrames() > 0) != o.Lags() || o.NoLag && o.Lags() {
				t.Errorf("%s fastest, %+v: %s with %d frames of lag, Lags %v; want %s", kernels[0].name, o, ch.Kernel(), ch.LagFrames(), o.Lags(), name)
			}
		}
		kernels = kernels[1:]
	}
}

// The same after rounding to the float32 of the sound device: the last bit may turn only where the float64 lies within
// rounding of the middle between two neighbours.
func TestKernelsAgreeInFloat32(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 1))
	bs := randomCorrection(r, 20)
	src := noise(r, 20000)
	want := inBlocks(compileFor(t, bs, AutoHeadroom, 48000, Options{LagFrames: 64}, oracle), src, func() int { return 480 })
	for _, k := range kernels {
		got := inBlocks(compileFor(t, bs, AutoHeadroom, 48000, Options{LagFrames: 64}, k), src, func() int { return 480 })
		differ := 0
		for i := range got {
			if float32(got[i]) != float32(want[i]) {
				differ++
			}
		}
		if differ > 2 || (k.name == "avx2" && differ > 0) {
			t.Errorf("%s: %d of %d float32 samples differ", k.name, differ, len(got))
		}
	}
}

// Extremes that would run off if the product of first coefficients were kept in one number.
func TestKernelsKeepRange(t *testing.T) {
	var bs []Band
	for range MaxBands {
		bs = append(bs, Band{Shape: HighCut, FreqHz: 20, Q: 0.5})
	}
	src := make([]float64, 2*40000)
	for i := range src {
		src[i] = 1
	}
	base := compileFor(t, bs, 0, 96000, Options{}, oracle)
	for _, k := range append([]kernel{oracle}, kernels...) {
		ch := base.on(k)
		for round := range 5 {
			out := inBlocks(ch, src, func() int { return 1000 })
			if ch.BadBlocks() > 0 {
				t.Fatalf("%s: bad blocks", k.name)
			}
			if round == 4 && math.Abs(out[len(out)-1]-1) > 1e-3 {
				t.Errorf("%s: settles at %g, want 1", k.name, out[len(out)-1])
			}
		}
	}
}

func TestBadInput(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 1))
	for _, n := range []int{0, 1, 2, 3, 5, 10, 11, 20, 30} {
		base := compileFor(t, unevenBands(r, n), AutoHeadroom, 48000, Options{}, oracle)
		for _, k := range kernels {
			for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), math.MaxFloat64} {
				ch := base.on(k)
				fresh := append([]float64(nil), noise(r, 256)...)
				want := append([]float64(nil), fresh...)
				ch.Process(want)
				ch.Reset()
				ch.Process(noise(r, 255+r.IntN(2)))
				x := noise(r, 255+r.IntN(2)) // a bad frame may be the one held back
				x[[]int{0, len(x) - 1, 100}[r.IntN(3)]] = bad
				ch.Process(x)
				for i, y := range x {
					if math.IsNaN(y) || math.IsInf(y, 0) {
						t.Fatalf("%s, %d bands: %g at %d", k.name, n, y, i)
					}
				}
				if bad != math.MaxFloat64 { // a number, if a bold one
					if ch.BadBlocks() != 1 || !silent(x) {
						t.Fatalf("%s, %d bands, %g: %d bad blocks", k.name, n, bad, ch.BadBlocks())
					}
					ch.Process(fresh) // states were cleared: as from the start
					for i := range fresh {
						if math.Abs(fresh[i]-want[i]) > 1e-14 {
							t.Fatalf("%s, %d bands: state not cleared", k.name, n)
						}
					}
				}
			}
		}
	}
}

// After the sound ends the states decay to exact zero, never through subnormal numbers for longer than a flush interval,
// and the chain then rests.
func TestSilenceRests(t *testing.T) {
	bs := []Band{{Shape: Bell, FreqHz: 20, GainDB: 12, Q: 6}, {Shape: HighShelf, FreqHz: 9000, GainDB: 5, Q: 0.7}, {Shape: LowCut, FreqHz: 30, Q: 0.7}}
	for _, k := range kernels {
		ch := compileFor(t, bs, AutoHeadroom, 48000, Options{}, k)
		ch.Process(noise(rand.New(rand.NewPCG(10, 1)), 4800))
		blocks := 0
		for ; !ch.still && blocks < 10000; blocks++ {
			b := make([]float64, 2*480)
			ch.Process(b)
			if blocks > 3 {
				for _, p := range ch.passes {
					for i, s := range p.state {
						if s != 0 && math.Abs(s) < p.least[i]*1e-200 {
							t.Fatalf("%s: state %g lingers", k.name, s)
						}
					}
				}
			}
		}
		if !ch.still {
			t.Errorf("%s: never at rest", k.name)
		}
	}
}

// Rounding noise of a ten-band chain at 192 kHz with a band at 20 Hz, where recursive filters are worst: against the
// same sections in arithmetic of twice the precision. Bound: -180 dBFS.
func TestNoiseFloor(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 1))
	bs := append(randomCorrection(r, 9), Band{Shape: Bell, FreqHz: 20, GainDB: 12, Q: 6})
	for i := range bs {
		bs[i].Ear = Both
	}
	const frames = 96000
	src := noise(r, frames)
	for _, k := range kernels {
		ch := compileFor(t, bs, -15, 192000, Options{}, k)
		got := inBlocks(ch, src, func() int { return 480 })
		sum := 0.0
		want := preciseLeft(ch, src)
		for i, w := range want[:frames-ch.LagFrames()] {
			d := got[2*(i+ch.LagFrames())] - w
			sum += d * d
		}
		db := 10 * math.Log10(sum/frames)
		t.Logf("%s: noise %.1f dBFS", k.name, db)
		if !(db < -180) {
			t.Errorf("%s: noise %.1f dBFS", k.name, db)
		}
	}
}

// dd is an unevaluated sum of two float64 (T. J. Dekker, Numerische Mathematik 18, 1971).
type dd struct{ hi, lo float64 }

func (a dd) add(b dd) dd {
	s := a.hi + b.hi
	v := s - a.hi
	e := (a.hi - (s - v)) + (b.hi - v) + a.lo + b.lo
	h := s + e
	return dd{h, e - (h - s)}
}

func (a dd) mul(x float64) dd {
	p := a.hi * x
	e := math.FMA(a.hi, x, -p) + a.lo*x
	h := p + e
	return dd{h, e - (h - p)}
}

func preciseLeft(ch *Chain, src []float64) []float64 {
	st := make([][2]dd, len(ch.sections[0]))
	out := make([]float64, len(src)/2)
	for i := range out {
		x := dd{hi: src[2*i]}.mul(ch.gain)
		for k, s := range ch.sections[0] {
			y := x.mul(s.B0).add(st[k][0])
			st[k][0] = x.mul(s.B1).add(y.mul(-s.A1)).add(st[k][1])
			st[k][1] = x.mul(s.B2).add(y.mul(-s.A2))
			x = y
		}
		out[i] = x.hi
	}
	return out
}

func ExampleCorrection_Compile() {
	c, _ := NewCorrection([]Band{{Shape: LowShelf, FreqHz: 105, GainDB: 6, Q: 0.7}}, AutoHeadroom)
	ch, _ := c.Compile(48000, Options{LagFrames: 64})
	fmt.Printf("%.1f dB, %d frames\n", ch.HeadroomDB(), ch.LagFrames())
	// Output: -6.0 dB, 64 frames
}
