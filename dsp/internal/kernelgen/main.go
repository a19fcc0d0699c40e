//go:build generate

// Command kernelgen writes the chain kernels for amd64.
//
// A pass runs S sections on interleaved stereo. A vector holds two sections, left and right of each: G = S/2 groups, the
// first G sections in the lower halves, the others in the upper ones. A step takes a frame through the lower halves of all
// groups in turn and, at the same time, a frame 4 earlier through the upper halves. So sound goes from group to group without a
// shuffle, and once a step from the last group's lower half to the first group's upper one, by way of the buffer; 4 frames
// later it is there without waiting. The halves that have no frame yet, or no more, are left out at both ends of every call: a
// kernel has no lag, and its result does not depend on how a signal is cut into blocks.
//
// A section is in state-space form with its first coefficient divided out (see pass in kernel.go):
//
//	y = x + s1;  s1' = na1·s1 + (c1·x + s2);  s2' = c2·x + na2·s1
package main

import (
	"fmt"

	. "github.com/mmcloughlin/avo/build"
	. "github.com/mmcloughlin/avo/operand"
	. "github.com/mmcloughlin/avo/reg"
)

const (
	headBytes = 64 // gains of left and right, twice, padding
	ahead     = 4  // frames the lower halves run ahead
)

var ys = []VecPhysical{Y0, Y1, Y2, Y3, Y4, Y5, Y6, Y7, Y8, Y9, Y10, Y11, Y12, Y13, Y14, Y15}

func main() {
	ConstraintExpr("!purego")
	for g := 1; g <= 5; g++ {
		chain(g)
	}
	Generate()
}

// lanes says which half of the vectors is worked on.
type lanes int

const (
	both lanes = iota
	lower
	upper
)

func (l lanes) reg(i int) Op {
	if l == both {
		return ys[i]
	}
	return ys[i].AsX()
}

func chain(groups int) {
	name := fmt.Sprintf("passAVX2x%d", 2*groups)
	TEXT(name, NOSPLIT, "func(buf *float64, frames int, p *float64)")
	Doc(name + " runs a pass in place, see pass.")
	in := Load(Param("buf"), GP64())
	n := Load(Param("frames"), GP64())
	p := Load(Param("p"), GP64())
	out, m, count := GP64(), GP64(), GP64()

	mem := func(l lanes, off int) Mem {
		if l == upper {
			off += 16
		}
		return Mem{Base: p, Disp: headBytes + off}
	}
	coef := func(l lanes, g, k int) Mem { return mem(l, 128*g+32*k) } // na1, na2, c1, c2
	state := func(l lanes, g, k int) Mem { return mem(l, 128*groups+64*g+32*k) }
	s1 := func(l lanes, g int) Op { return l.reg(2 * g) }
	s2 := func(l lanes, g int) Op { return l.reg(2*g + 1) }
	const x0, x1, y, c1, c2, t = 10, 11, 12, 13, 14, 15
	load := func(l lanes) {
		for g := range groups {
			VMOVUPD(state(l, g, 0), s1(l, g))
			VMOVUPD(state(l, g, 1), s2(l, g))
		}
	}
	save := func(l lanes) {
		for g := range groups {
			VMOVUPD(s1(l, g), state(l, g, 0))
			VMOVUPD(s2(l, g), state(l, g, 1))
		}
	}
	// one takes the frame in x0 through all groups. The states end up in exchanged registers, hence the moves.
	one := func(l lanes) (result int) {
		x, y := x0, y
		for g := range groups {
			a, b, t := s1(l, g), s2(l, g), l.reg(c1)
			VADDPD(a, l.reg(x), l.reg(y))
			VFMADD231PD(coef(l, g, 2), l.reg(x), b)
			VMULPD(coef(l, g, 3), l.reg(x), t)
			VFMADD231PD(coef(l, g, 1), a, t)
			VFMADD132PD(coef(l, g, 0), b, a)
			VMOVAPD(t, b)
			x, y = y, x
		}
		return x
	}
	// two takes the frames in x0 and x1 through all groups.
	two := func() (first, second int) {
		l, xa, xb, y := both, x0, x1, y
		for g := range groups {
			a, b, c, d, t := s1(l, g), s2(l, g), l.reg(c1), l.reg(c2), l.reg(t)
			VMOVUPD(coef(l, g, 2), c)
			VMOVUPD(coef(l, g, 3), d)
			VADDPD(a, l.reg(xa), l.reg(y))
			VFMADD231PD(c, l.reg(xa), b)
			VMULPD(d, l.reg(xa), t)
			VFMADD231PD(coef(l, g, 0), a, b) // s1 between the frames
			VFMADD231PD(coef(l, g, 1), a, t) // s2
			VADDPD(b, l.reg(xb), l.reg(xa))
			VFMADD231PD(c, l.reg(xb), t)
			VMULPD(d, l.reg(xb), a)
			VFMADD231PD(coef(l, g, 1), b, a)
			VFMADD132PD(coef(l, g, 0), t, b)
			VMOVAPD(b, t)
			VMOVAPD(a, b)
			VMOVAPD(t, a)
			xa, xb, y = y, xa, xb
		}
		return xa, xb
	}
	gain := Mem{Base: p}
	take := func(x int, disp int) {
		VMOVUPD(Mem{Base: in, Disp: disp}, ys[x].AsX())
		VINSERTF128(Imm(1), Mem{Base: out, Disp: disp}, ys[x], ys[x])
	}
	hand := func(x int, disp int) { VMOVUPD(ys[x].AsX(), Mem{Base: in, Disp: disp}) }

	MOVQ(in, out)
	MOVQ(n, m)
	CMPQ(m, Imm(ahead))
	JLE(LabelRef("short"))
	MOVQ(I32(ahead), m)
	Label("short")
	SUBQ(m, n) // frames for both halves

	Comment("the lower halves alone")
	load(lower)
	MOVQ(m, count)
	Label("lower")
	VMOVUPD(Mem{Base: in}, ys[x0].AsX())
	VMOVUPD(ys[one(lower)].AsX(), Mem{Base: in})
	ADDQ(Imm(16), in)
	DECQ(count)
	JNZ(LabelRef("lower"))
	save(lower)

	Comment("both, two frames a turn")
	MOVQ(n, count)
	SHRQ(Imm(1), count)
	JZ(LabelRef("odd"))
	load(both)
	Label("both")
	take(x0, 0)
	take(x1, 16)
	a, b := two()
	hand(a, 0)
	hand(b, 16)
	VPERM2F128(Imm(0x31), ys[b], ys[a], ys[t])
	VMULPD(gain, ys[t], ys[t])
	VMOVUPD(ys[t], Mem{Base: out})
	ADDQ(Imm(32), in)
	ADDQ(Imm(32), out)
	DECQ(count)
	JNZ(LabelRef("both"))
	save(both)
	Label("odd")
	TESTQ(I32(1), n)
	JZ(LabelRef("even"))
	load(both)
	take(x0, 0)
	a = one(both)
	hand(a, 0)
	VMULPD(gain, ys[a], ys[a])
	VEXTRACTF128(Imm(1), ys[a], Mem{Base: out})
	ADDQ(Imm(16), out)
	save(both)
	Label("even")

	Comment("the upper halves alone")
	load(upper)
	Label("upper")
	VMOVUPD(Mem{Base: out}, ys[x0].AsX())
	a = one(upper)
	VMULPD(gain, ys[a].AsX(), ys[a].AsX())
	VMOVUPD(ys[a].AsX(), Mem{Base: out})
	ADDQ(Imm(16), out)
	DECQ(m)
	JNZ(LabelRef("upper"))
	save(upper)
	VZEROUPPER()
	RET()
}
