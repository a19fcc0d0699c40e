//go:build generate

// Command kernelgen writes the chain kernels for amd64.
//
// A pass runs S sections on interleaved stereo. Each pair of lanes of its vectors is one section, left and right, the first in the
// highest lanes, so that input enters at the top and output leaves at the bottom at one shuffle a step; section j works on frame t-K·j at step t, so that one vector operation advances all sections at once and the only chain
// between steps is the recursion itself. Filling and draining this pipeline happens inside every call, with the lanes
// that have no frame masked off: a kernel has no lag, and its result does not depend on how a signal is cut into blocks.
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

const headBytes = 64 // gains of left and right, padding

// group is one vector's worth of sections: 4 lanes (2 sections) or 8 lanes (4 sections).
type group struct {
	lanes         int
	y, s1, s2, co VecPhysical // co is the first of four coefficient registers, nil: from memory
	coef          [4]Op
	na1, na2      Op
	c1, c2, off   Op
	m1, m2        Mem
}

var (
	ys = []VecPhysical{Y0, Y1, Y2, Y3, Y4, Y5, Y6, Y7, Y8, Y9, Y10, Y11, Y12, Y13, Y14, Y15, Y16, Y17, Y18, Y19, Y20, Y21, Y22, Y23, Y24, Y25, Y26, Y27, Y28, Y29, Y30, Y31}
	zs = []VecPhysical{Z0, Z1, Z2, Z3, Z4, Z5, Z6, Z7, Z8, Z9, Z10, Z11, Z12, Z13, Z14, Z15, Z16, Z17, Z18, Z19, Z20, Z21, Z22, Z23, Z24, Z25, Z26, Z27, Z28, Z29, Z30, Z31}
)

func vec(lanes, i int) VecPhysical {
	if lanes == 8 {
		return zs[i]
	}
	return ys[i]
}

func xmm(v VecPhysical) Op { return v.AsX() }

func main() {
	ConstraintExpr("!purego")
	for g := 1; g <= 5; g++ {
		l := make([]int, g)
		for i := range l {
			l[i] = 4
		}
		kernel(fmt.Sprintf("passAVX2x%d", 2*g), l, false)
	}
	for _, l := range [][]int{{4}, {8}, {4, 8}, {8, 8}, {4, 8, 8}, {8, 8, 8}, {4, 8, 8, 8}} {
		s := 0
		for _, n := range l {
			s += n / 2
		}
		kernel(fmt.Sprintf("passAVX512x%d", s), l, true)
	}
	Generate()
}

func kernel(name string, lanes []int, wide bool) {
	TEXT(name, NOSPLIT, "func(buf *float64, frames int, p *float64)")
	Doc(name + " runs a pass in place, see pass.")
	in := Load(Param("buf"), GP64())
	n := Load(Param("frames"), GP64())
	p := Load(Param("p"), GP64())
	out, t := GP64(), GP64()
	MOVQ(in, out)
	XORQ(t, t)

	regs := 0
	next := func(l int) VecPhysical { regs++; return vec(l, regs-1) }
	gs := make([]*group, len(lanes))
	stages, off := 0, headBytes
	for i, l := range lanes {
		g := &group{lanes: l, y: next(l), s1: next(l), s2: next(l)}
		b := 8 * l
		at := func(k int) Mem { return Mem{Base: p, Disp: off + k*b} }
		g.na1, g.na2, g.c1, g.c2, g.off = at(0), at(1), at(2), at(3), at(4)
		if wide {
			for _, c := range []*Op{&g.na1, &g.na2, &g.c1, &g.c2} {
				r := next(l)
				VMOVUPD(*c, r)
				*c = r
			}
		}
		off += 5 * b
		stages += l / 2
		gs[i] = g
	}
	for _, g := range gs {
		b := 8 * g.lanes
		g.m1, g.m2 = Mem{Base: p, Disp: off}, Mem{Base: p, Disp: off + b}
		off += 2 * b
		zero(g.y, wide)
	}
	fill := stages - 1
	scratch := 16
	if wide {
		scratch = 32
	}
	xi := scratch - 1
	last := gs[len(gs)-1]

	// shift leaves in x what group g's sections take in: the frame before from its left neighbour.
	shift := func(i int, x VecPhysical, loadInput func(dst VecPhysical)) {
		g := gs[i]
		prev := x
		if i == 0 {
			loadInput(x)
		} else {
			prev = gs[i-1].y
			if g.lanes == 8 {
				prev = prev.AsZ().(VecPhysical)
			} else {
				prev = prev.AsY().(VecPhysical)
			}
		}
		if wide {
			VALIGNQ(U8(2), g.y, prev, x)
		} else {
			VPERM2F128(U8(0x21), prev, g.y, x)
		}
	}
	store := func(x VecPhysical) {
		xx := x.AsX()
		VMULPD(Mem{Base: p}, xmm(last.y), xx)
		VMOVUPD(xx, Mem{Base: out})
		ADDQ(Imm(16), out)
	}
	load := func(disp int) func(dst VecPhysical) {
		return func(dst VecPhysical) {
			VMOVUPD(Mem{Base: in, Disp: disp}, dst.AsX())
		}
	}

	// A masked step fills and drains, at any number of frames. AVX2 keeps the states in memory meanwhile.
	masked := func(id string) {
		Label("masked" + id)
		x0 := vec(lanes[0], xi)
		for i := len(gs) - 1; i >= 0; i-- {
			g := gs[i]
			x := vec(g.lanes, xi)
			shift(i, x, func(VecPhysical) {
				zero(x0, wide)
				CMPQ(t, n)
				JGE(LabelRef("dry" + id))
				load(0)(x0)
				ADDQ(Imm(16), in)
				Label("dry" + id)
			})
			if wide {
				a, b := vec(g.lanes, xi-1), vec(g.lanes, xi-2)
				VPBROADCASTQ(t, a)
				VPSUBQ(g.off, a, a)
				VPCMPUQ(U8(1), vec(g.lanes, xi-3), a, K1) // 0 ≤ t-off < n, unsigned
				VADDPD(g.s1, x, g.y)
				VMOVAPD(g.s2, a)
				VFMADD231PD(g.c1, x, a)
				VFMADD231PD(g.na1, g.s1, a)
				VMULPD(g.na2, g.s1, b)
				VFMADD231PD(g.c2, x, b)
				VMOVAPD(a, K1, g.s1)
				VMOVAPD(b, K1, g.s2)
			} else {
				// The state registers are free here, those of group 0 serve as scratch. They are never the y.
				m, a, b, c := gs[0].s1, gs[0].s2, vec(4, 15), vec(4, 14)
				_ = b
				if len(gs) == 5 {
					c = gs[1].s1
				}
				d := gs[len(gs)-1].s2
				if len(gs) == 1 {
					d = vec(4, 13)
				}
				VMOVQ(t, m.AsX())
				VPBROADCASTQ(m.AsX(), m)
				VPSUBQ(g.off, m, m)
				VMOVQ(n, a.AsX())
				VPBROADCASTQ(a.AsX(), a)
				VPCMPGTQ(m, a, a)
				VPANDN(a, m, m) // sign set where 0 ≤ t-off < n
				VMOVUPD(g.m1, a)
				VADDPD(a, x, g.y)
				VMOVUPD(g.m2, c)
				VFMADD231PD(g.c1, x, c)
				VFMADD231PD(g.na1, a, c) // new s1
				VMULPD(g.na2, a, d)
				VFMADD231PD(g.c2, x, d) // new s2
				VBLENDVPD(m, c, a, a)
				VMOVUPD(a, g.m1)
				VMOVUPD(g.m2, a)
				VBLENDVPD(m, d, a, a)
				VMOVUPD(a, g.m2)
			}
		}
		CMPQ(t, Imm(uint64(fill)))
		JL(LabelRef("noout" + id))
		store(vec(lanes[0], xi))
		Label("noout" + id)
		INCQ(t)
	}

	states := func(save bool) {
		for _, g := range gs {
			if save {
				VMOVUPD(g.s1, g.m1)
				VMOVUPD(g.s2, g.m2)
			} else {
				VMOVUPD(g.m1, g.s1)
				VMOVUPD(g.m2, g.s2)
			}
		}
	}
	if wide { // registers enough to keep them throughout
		states(false)
		VPBROADCASTQ(n, zs[xi-3])
	}

	end := GP64()
	Comment("fill the pipeline")
	Label("fill")
	masked("fill")
	CMPQ(t, Imm(uint64(fill)))
	JL(LabelRef("maskedfill"))

	Comment("all lanes busy, two steps a turn")
	MOVQ(n, end)
	SUBQ(t, end)
	SARQ(Imm(1), end)
	JLE(LabelRef("drain"))
	LEAQ(Mem{Base: t, Index: end, Scale: 2}, t)
	if !wide {
		states(false)
	}
	Label("busy")
	for half := range 2 {
		for i := len(gs) - 1; i >= 0; i-- {
			g := gs[i]
			x := vec(g.lanes, xi)
			if wide { // registers to spare: let the groups overlap
				x = vec(g.lanes, xi-i%3)
			}
			shift(i, x, load(16*half))
			VADDPD(g.s1, x, g.y)
			VFMADD231PD(g.c1, x, g.s2)
			VFMADD231PD(g.na1, g.s1, g.s2)
			VMULPD(g.na2, g.s1, g.s1)
			VFMADD231PD(g.c2, x, g.s1)
			g.s1, g.s2 = g.s2, g.s1
		}
		store(vec(lanes[0], xi))
	}
	ADDQ(Imm(32), in)
	DECQ(end)
	JNZ(LabelRef("busy"))
	if !wide {
		states(true)
	}

	Comment("drain")
	Label("drain")
	MOVQ(n, end)
	ADDQ(Imm(uint64(fill)), end)
	CMPQ(t, end)
	JGE(LabelRef("done"))
	masked("drain")
	CMPQ(t, end)
	JL(LabelRef("maskeddrain"))
	Label("done")
	if wide {
		states(true)
	}
	VZEROUPPER()
	RET()
}

func zero(v VecPhysical, wide bool) {
	if wide {
		VPXORQ(v, v, v)
	} else {
		VXORPD(v, v, v)
	}
}
