package dsp

import (
	"math"
	"unsafe"
)

//go:generate go run ./internal/kernelgen/main.go -out kernel_amd64.s -stubs kernel_stub_amd64.go -pkg dsp

// A pass runs a few sections over interleaved stereo, as vectors of lanes. A pair of lanes holds one section of the
// left and of the right ear. With b0 taken out in front (the gain behind the pass holds the product), a section is, in
// state-space form,
//
//	y = x + s1;  s1' = na1·s1 + (c1·x + s2);  s2' = c2·x + na2·s1
//	c1 = b1/b0 - a1,  c2 = b2/b0 - a2,  na1 = -a1,  na2 = -a2
//
// which leaves one fused multiply-add in the loop from s1 to s1. A paired pass takes two frames at a time, by another
// form that internal/kernelgen gives, and lags. Kernels of one form give the same bits, but for the plain one, which
// may round a product more; they differ by less than -200 dBFS.
//
// mem, 64-byte aligned: gains of left and right, the same again, 4 unused, then per group of lanes na1, na2, c1, c2,
// then per group s1 and s2. Section q of the pass is in group q mod groups; the first ones are in the lowest lanes. Of
// a paired pass: the gains, then per group R, n, a2, M, c1, na1, then per group d, e and the y of both frames, then the
// frame held back.
type pass struct {
	mem   []float64
	state []float64 // the tail of mem
	least []float64 // per state: magnitudes below this are flushed
	passShape

	odd bool       // paired: a frame is held back
	two [4]float64 // room for it and the next
}

// kernel is one way to run passes. shapes lists the passes it has, the smallest first.
type kernel struct {
	name   string
	shapes []passShape
}

// passShape is a pass of groups·lanes/2 sections.
type passShape struct {
	groups, lanes int
	paired        bool
	run           func(buf *float64, frames int, mem *float64)
}

// lags reports whether passes of k hold frames back.
func (k kernel) lags() bool { return k.shapes[0].paired }

func (s passShape) sections() int { return s.groups * s.lanes / 2 }

// lag is the pass's delay in frames: two for each section before the last, and one for the frame it may hold back.
func (s passShape) lag() int {
	if !s.paired {
		return 0
	}
	return 2*s.sections() - 1
}

var plain = kernel{"plain", []passShape{{1, 2, false, plainPass}}}

// kernels lists those this processor can run, the fastest first.
var kernels = append(processorKernels(), plain)

// floor is the state level below which a decaying state is set to zero: -300 dBFS, far above where numbers turn
// subnormal and slow.
const floor = 1e-15

// newPasses lays out both ears' sections for k; the shorter ear is filled up with identities.
func (k kernel) newPasses(ears [2][]Section, gain float64) []*pass {
	n := max(len(ears[0]), len(ears[1]))
	most := k.shapes[len(k.shapes)-1].sections()
	count := (n + most - 1) / most
	var ps []*pass
	var out [2]level
	for ear := range out {
		out[ear].multiply(gain)
	}
	for i := range count {
		lo, hi := i*n/count, (i+1)*n/count
		shape := k.shapes[len(k.shapes)-1]
		for _, s := range k.shapes { // the smallest that holds them
			if s.sections() >= hi-lo {
				shape = s
				break
			}
		}
		ps = append(ps, newPass(shape, ears, lo, hi, &out, i == count-1))
	}
	return ps
}

// level is the product of gain and first coefficients up to some section, mant·2^exp, of which 2^done was applied by
// passes before. Only the last pass applies the mantissa: powers of two change no bits, so that the result is the same
// however the sections are shared out among passes.
type level struct {
	mant      float64
	exp, done int
}

func (l *level) multiply(x float64) {
	if l.mant == 0 {
		l.mant = 1
	}
	m, e := math.Frexp(l.mant * x)
	l.mant, l.exp = m, l.exp+e
}

func newPass(shape passShape, ears [2][]Section, lo, hi int, out *[2]level, last bool) *pass {
	total, l, coefs, states := shape.groups*shape.lanes, shape.lanes, 4, 2
	if shape.paired {
		coefs, states = 6, 4
	}
	mem := make([]float64, 8+(coefs+states)*total+2+8)
	for uintptr(unsafe.Pointer(&mem[0]))%64 != 0 {
		mem = mem[1:]
	}
	p := &pass{mem: mem[:8+(coefs+states)*total+2], passShape: shape}
	p.state = p.mem[8+coefs*total:]
	p.least = make([]float64, len(p.state))
	for q := range shape.sections() {
		at, st := 8+coefs*l*(q%shape.groups), states*l*(q%shape.groups)
		for ear := range out {
			j := 2*(q/shape.groups) + ear
			s := Section{B0: 1}
			if lo+q < hi && lo+q < len(ears[ear]) {
				s = ears[ear][lo+q]
			}
			c1, c2 := s.B1/s.B0-s.A1, s.B2/s.B0-s.A2
			o := &out[ear]
			o.multiply(s.B0)
			least := math.Ldexp(floor/o.mant, o.done-o.exp)
			if !shape.paired {
				for k, v := range []float64{-s.A1, -s.A2, c1, c2} {
					p.mem[at+k*l+j] = v
				}
				p.least[st+j], p.least[st+l+j] = least, least
				continue
			}
			// 1 + a1 is exact for poles at low frequencies, and so is the sum.
			for k, v := range []float64{c1 + c2, -c2, s.A2, -(1 + s.A1 + s.A2), c1, -s.A1} {
				p.mem[at+k*l+j] = v
			}
			inside := least / max(1, math.Abs(c1), math.Abs(c2)) // d and e act through these
			p.least[st+j], p.least[st+l+j], p.least[st+2*l+j], p.least[st+3*l+j] = inside, inside, least, least
		}
	}
	for ear := range out {
		o := &out[ear]
		p.mem[ear] = 1
		if d := o.exp - o.done; last {
			p.mem[ear] = math.Ldexp(o.mant, d)
		} else if max(d, -d) > 64 { // only where numbers would run off
			p.mem[ear] = math.Ldexp(1, d)
			o.done = o.exp
		}
	}
	copy(p.mem[2:4], p.mem[:2])
	return p
}

// process runs the pass in place.
func (p *pass) process(buf []float64) {
	if !p.paired {
		p.run(&buf[0], len(buf)/2, &p.mem[0])
		return
	}
	held := p.state[len(p.state)-2:]
	if p.odd {
		p.two = [4]float64{held[0], held[1], buf[0], buf[1]}
		p.run(&p.two[0], 2, &p.mem[0])
		buf[0], buf[1] = p.two[2], p.two[3]
		held[0], held[1], p.odd = 0, 0, false
		buf = buf[2:]
	}
	if n := len(buf) / 4 * 2; n > 0 {
		p.run(&buf[0], n, &p.mem[0])
		buf = buf[2*n:]
	}
	if len(buf) > 0 {
		// What comes out next is there already: the second y of the last section.
		y := p.state[len(p.state)-4:]
		held[0], held[1], p.odd = buf[0], buf[1], true
		buf[0], buf[1] = p.mem[0]*y[0], p.mem[1]*y[1]
	}
}

// skip passes over frames of silence, with all states zero.
func (p *pass) skip(frames int) { p.odd = p.odd != (p.paired && frames%2 != 0) }

// flush sets decayed states to zero. It reports whether all are zero, and whether all are finite.
func (p *pass) flush() (zero, finite bool) {
	zero, finite = true, true
	for i, s := range p.state {
		if a := math.Abs(s); !(a >= p.least[i]) && a == a {
			p.state[i] = 0
		} else {
			zero = false
			finite = finite && a <= math.MaxFloat64
		}
	}
	return zero, finite
}

// check is flush without flushing. Any bad number in shows in s1, or e, from its first frame on, so the others need no
// look while the sound goes on.
func (p *pass) check() (zero, finite bool) {
	const top = 0x7ff << 53 // Inf and NaN: without their sign, numbers order like integers
	stride, at := 2*p.lanes, 0
	if p.paired {
		stride, at = 4*p.lanes, p.lanes
	}
	held := p.state[len(p.state)-2:]
	most := max(math.Float64bits(held[0])<<1, math.Float64bits(held[1])<<1)
	for ; at < len(p.state)-2; at += stride {
		for _, s := range p.state[at : at+p.lanes] {
			most = max(most, math.Float64bits(s)<<1)
		}
	}
	if most != 0 && most < top {
		return false, true
	}
	for _, s := range p.state {
		most = max(most, math.Float64bits(s)<<1)
	}
	return most == 0, most < top
}

// plainPass runs one section of each ear. It leaves fusing to the compiler: math.FMA is slow where the processor has
// none, and such a processor is what this is for.
func plainPass(buf *float64, frames int, mem *float64) {
	b := unsafe.Slice(buf, 2*frames)
	m := (*[20]float64)(unsafe.Pointer(mem))
	na1l, na1r, na2l, na2r := m[8], m[9], m[10], m[11]
	c1l, c1r, c2l, c2r := m[12], m[13], m[14], m[15]
	l1, r1, l2, r2 := m[16], m[17], m[18], m[19]
	for i := 0; i+1 < len(b); i += 2 {
		x, z := b[i], b[i+1]
		b[i], b[i+1] = x+l1, z+r1
		l1, l2 = na1l*l1+(c1l*x+l2), c2l*x+na2l*l1
		r1, r2 = na1r*r1+(c1r*z+r2), c2r*z+na2r*r1
	}
	m[16], m[17], m[18], m[19] = l1, r1, l2, r2
	if gl, gr := m[0], m[1]; gl != 1 || gr != 1 {
		for i := 0; i+1 < len(b); i += 2 {
			b[i] *= gl
			b[i+1] *= gr
		}
	}
}
