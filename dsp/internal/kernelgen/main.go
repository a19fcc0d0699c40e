//go:build generate

// Command kernelgen writes the chain kernels for amd64.
//
// # AVX2
//
// A pass runs S sections on interleaved stereo. A vector holds two sections, left and right of each: G = S/2 groups,
// the first G sections in the lower halves, the others in the upper ones. A step takes a frame through the lower halves
// of all groups in turn and, at the same time, a frame 4 earlier through the upper halves. So sound goes from group to
// group without a shuffle, and once a step from the last group's lower half to the first group's upper one, by way of
// the buffer; 4 frames later it is there without waiting. The halves that have no frame yet, or no more, are left out
// at both ends of every call: a kernel has no lag, and its result does not depend on how a signal is cut into blocks.
//
// A section is in state-space form with its first coefficient divided out (see pass in kernel.go):
//
//	y = x + s1;  s1' = na1·s1 + (c1·x + s2);  s2' = c2·x + na2·s1
//
// # AVX-512
//
// The processors that this is tuned for begin two multiplications and two additions a cycle, and the four
// multiplications a frame of the form above fill half of that. So a step takes two frames through a section, with
// w(n) = x(n) - a1·w(n-1) - a2·w(n-2) kept as d = w(n-1) and its last difference e = w(n-1) - w(n-2), which both
// frames share. That takes three multiplications a frame, and the rest are additions (Winograd's F(2,2) applied to both
// polynomials; the differences keep low frequencies exact):
//
//	t = R·d;         y0 = (x0 + t) + n·e
//	v = a2·e + x0;   e1 = M·d + v;            w = d + e1
//	y1 = (x1 + t) + c1·e1
//	e' = na1·e1 + (x1 - v);                   d' = w + e'
//	R = c1 + c2;  n = -c2;  M = -(1 + a1 + a2)
//
// Vectors are 256 bits wide, of which there are 32: wider ones do no more a cycle there, and cost a shuffle between
// groups. Every group takes in what the one before it made a step earlier, which is long enough ago to be ready; so
// does the first group's upper half from the last group's lower one. A pass of S sections therefore lags by 2·S - 2
// frames, and by one more because the caller may hold a single frame back.
package main

import (
	"fmt"
	"strings"

	. "github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/ir"
	. "github.com/mmcloughlin/avo/operand"
	. "github.com/mmcloughlin/avo/reg"
)

const (
	headBytes = 64 // gains of left and right, twice, padding
	ahead     = 4  // frames the lower halves run ahead
)

var ys = []VecPhysical{Y0, Y1, Y2, Y3, Y4, Y5, Y6, Y7, Y8, Y9, Y10, Y11, Y12, Y13, Y14, Y15,
	Y16, Y17, Y18, Y19, Y20, Y21, Y22, Y23, Y24, Y25, Y26, Y27, Y28, Y29, Y30, Y31}

func main() {
	ConstraintExpr("!purego")
	for g := 1; g <= 5; g++ {
		chain(g)
	}
	for g := 1; g <= 6; g++ {
		paired(g)
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
	k := halves{groups: groups, in: Load(Param("buf"), GP64()), n: Load(Param("frames"), GP64()), p: Load(Param("p"), GP64()),
		out: GP64(), m: GP64(), count: GP64()}

	MOVQ(k.in, k.out)
	MOVQ(k.n, k.m)
	CMPQ(k.m, Imm(ahead))
	JLE(LabelRef("short"))
	MOVQ(I32(ahead), k.m)
	Label("short")
	SUBQ(k.m, k.n) // frames for both halves

	k.lowerAlone()
	k.bothHalves()
	k.upperAlone()
	VZEROUPPER()
	RET()
}

// The registers of halves beside the states: x0 and x1 take a frame each, y, c1, c2 and t are scratch.
const x0, x1, y, c1, c2, t = 10, 11, 12, 13, 14, 15

// halves is the AVX2 kernel: the groups of sections stacked in two halves of a register, the upper half some frames
// behind.
type halves struct {
	groups        int
	in, n, p      Register // buffer, frames left, parameters
	out, m, count Register // buffer of the upper half, frames ahead, loop counter
}

func (k halves) mem(l lanes, off int) Mem {
	if l == upper {
		off += 16
	}
	return Mem{Base: k.p, Disp: headBytes + off}
}

// coef is one of na1, na2, c1, c2 of a group.
func (k halves) coef(l lanes, g, i int) Mem { return k.mem(l, 128*g+32*i) }

func (k halves) state(l lanes, g, i int) Mem { return k.mem(l, 128*k.groups+64*g+32*i) }

func s1(l lanes, g int) Op { return l.reg(2 * g) }
func s2(l lanes, g int) Op { return l.reg(2*g + 1) }

func (k halves) load(l lanes) {
	for g := range k.groups {
		VMOVUPD(k.state(l, g, 0), s1(l, g))
		VMOVUPD(k.state(l, g, 1), s2(l, g))
	}
}

func (k halves) save(l lanes) {
	for g := range k.groups {
		VMOVUPD(s1(l, g), k.state(l, g, 0))
		VMOVUPD(s2(l, g), k.state(l, g, 1))
	}
}

// one takes the frame in x0 through all groups. The states end up in exchanged registers, hence the moves.
func (k halves) one(l lanes) (result int) {
	x, y := x0, y
	for g := range k.groups {
		a, b, t := s1(l, g), s2(l, g), l.reg(c1)
		VADDPD(a, l.reg(x), l.reg(y))
		VFMADD231PD(k.coef(l, g, 2), l.reg(x), b)
		VMULPD(k.coef(l, g, 3), l.reg(x), t)
		VFMADD231PD(k.coef(l, g, 1), a, t)
		VFMADD132PD(k.coef(l, g, 0), b, a)
		VMOVAPD(t, b)
		x, y = y, x
	}
	return x
}

// two takes the frames in x0 and x1 through all groups.
func (k halves) two() (first, second int) {
	l, xa, xb, y := both, x0, x1, y
	for g := range k.groups {
		a, b, c, d, t := s1(l, g), s2(l, g), l.reg(c1), l.reg(c2), l.reg(t)
		VMOVUPD(k.coef(l, g, 2), c)
		VMOVUPD(k.coef(l, g, 3), d)
		VADDPD(a, l.reg(xa), l.reg(y))
		VFMADD231PD(c, l.reg(xa), b)
		VMULPD(d, l.reg(xa), t)
		VFMADD231PD(k.coef(l, g, 0), a, b) // s1 between the frames
		VFMADD231PD(k.coef(l, g, 1), a, t) // s2
		VADDPD(b, l.reg(xb), l.reg(xa))
		VFMADD231PD(c, l.reg(xb), t)
		VMULPD(d, l.reg(xb), a)
		VFMADD231PD(k.coef(l, g, 1), b, a)
		VFMADD132PD(k.coef(l, g, 0), t, b)
		VMOVAPD(b, t)
		VMOVAPD(a, b)
		VMOVAPD(t, a)
		xa, xb, y = y, xa, xb
	}
	return xa, xb
}

// take reads a frame for the lower half, and the upper half's beside it.
func (k halves) take(x int, disp int) {
	VMOVUPD(Mem{Base: k.in, Disp: disp}, ys[x].AsX())
	VINSERTF128(Imm(1), Mem{Base: k.out, Disp: disp}, ys[x], ys[x])
}

// hand writes the lower half's frame for the upper half.
func (k halves) hand(x int, disp int) { VMOVUPD(ys[x].AsX(), Mem{Base: k.in, Disp: disp}) }

func (k halves) lowerAlone() {
	Comment("the lower halves alone")
	k.load(lower)
	MOVQ(k.m, k.count)
	Label("lower")
	VMOVUPD(Mem{Base: k.in}, ys[x0].AsX())
	VMOVUPD(ys[k.one(lower)].AsX(), Mem{Base: k.in})
	ADDQ(Imm(16), k.in)
	DECQ(k.count)
	JNZ(LabelRef("lower"))
	k.save(lower)
}

func (k halves) bothHalves() {
	gain := Mem{Base: k.p}
	Comment("both, two frames a turn")
	MOVQ(k.n, k.count)
	SHRQ(Imm(1), k.count)
	JZ(LabelRef("odd"))
	k.load(both)
	Label("both")
	k.take(x0, 0)
	k.take(x1, 16)
	a, b := k.two()
	k.hand(a, 0)
	k.hand(b, 16)
	VPERM2F128(Imm(0x31), ys[b], ys[a], ys[t])
	VMULPD(gain, ys[t], ys[t])
	VMOVUPD(ys[t], Mem{Base: k.out})
	ADDQ(Imm(32), k.in)
	ADDQ(Imm(32), k.out)
	DECQ(k.count)
	JNZ(LabelRef("both"))
	k.save(both)
	Label("odd")
	TESTQ(I32(1), k.n)
	JZ(LabelRef("even"))
	k.load(both)
	k.take(x0, 0)
	a = k.one(both)
	k.hand(a, 0)
	VMULPD(gain, ys[a], ys[a])
	VEXTRACTF128(Imm(1), ys[a], Mem{Base: k.out})
	ADDQ(Imm(16), k.out)
	k.save(both)
	Label("even")
}

func (k halves) upperAlone() {
	gain := Mem{Base: k.p}
	Comment("the upper halves alone")
	k.load(upper)
	Label("upper")
	VMOVUPD(Mem{Base: k.out}, ys[x0].AsX())
	a := k.one(upper)
	VMULPD(gain, ys[a].AsX(), ys[a].AsX())
	VMOVUPD(ys[a].AsX(), Mem{Base: k.out})
	ADDQ(Imm(16), k.out)
	DECQ(k.m)
	JNZ(LabelRef("upper"))
	k.save(upper)
}

// op is one instruction of a paired step, for a group.
type op struct {
	what  string
	group int
}

// orders are the orders of a step's instructions, by the number of groups: the best of some thousands tried on the
// processor, a tenth faster than one group after the other. What is late in a group's own recursion comes early, and
// all groups are at about the same point of it.
var orders = map[int]string{
	5: "t0 t4 in1 in0 t2 t1 t3 a4 y4 out v4 b4 a3 s4 b3 e4 y3 v3 a2 s3 b2 e3 y2 v2 a1 s2 e2 b1 y1 v1 s1 b0 " +
		"a0 e1 y0 v0 s0 e0 w4 z4 f4 w0 w3 z3 f3 z2 w1 z1 f1 w2 f2 z0 f0 d4 d2 d3 d1 d0",
	6: "in1 t5 in0 t4 t3 t2 a5 y5 v5 out b5 s5 b4 a4 e5 y4 v4 a3 s4 b3 e4 y3 v3 a2 s3 b2 e3 y2 v2 s2 e2 w5 " +
		"z5 f5 t1 a1 b1 y1 v1 s1 e1 w4 z4 f4 t0 a0 b0 y0 v0 s0 e0 w3 z3 f3 w2 z2 f2 z1 w0 z0 f0 w1 f1 d5 d4 " +
		"d2 d3 d1 d0",
}

func order(groups int) (ops []op) {
	for _, o := range strings.Fields(orders[groups]) {
		switch o {
		case "in0", "in1", "out":
			ops = append(ops, op{o, 0})
		default:
			ops = append(ops, op{o[:1], int(o[1] - '0')})
		}
	}
	if ops != nil {
		return ops
	}
	last := groups - 1
	for g := last; g >= 0; g-- {
		ops = append(ops, op{"t", g})
	}
	ops = append(ops, op{"in1", 0}, op{"in0", 0})
	for g := last; g >= 0; g-- {
		for _, w := range []string{"a", "y", "out", "v", "b", "s", "e"} {
			if w != "out" || g == last {
				ops = append(ops, op{w, g})
			}
		}
	}
	for _, what := range []string{"wzf", "d"} {
		for g := last; g >= 0; g-- {
			for _, w := range what {
				ops = append(ops, op{string(w), g})
			}
		}
	}
	return ops
}

// align begins the next instruction at a multiple of 64 bytes, as far as the assembler pads.
func align() { Instruction(&ir.Instruction{Opcode: "PCALIGN", Operands: []Op{U8(64)}}) }

// before gives the register of the group before, and first for the first group.
func before(r func(int) VecPhysical, first VecPhysical) func(g int) VecPhysical {
	return func(g int) VecPhysical {
		if g == 0 {
			return first
		}
		return r(g - 1)
	}
}

func paired(groups int) {
	name := fmt.Sprintf("passAVX512x%d", 2*groups)
	TEXT(name, NOSPLIT, "func(buf *float64, frames int, p *float64)")
	Doc(name + " runs a paired pass in place on an even number of frames > 0, see pass.")
	buf := Load(Param("buf"), GP64())
	n := Load(Param("frames"), GP64())
	p := Load(Param("p"), GP64())

	reg := func(bank int) func(g int) VecPhysical { return func(g int) VecPhysical { return ys[bank*groups+g] } }
	d, e, a, b := reg(0), reg(1), reg(2), reg(3) // a and b hold y of both frames
	rest := ys[4*groups:]
	x0, x1, o, gain := rest[0], rest[1], rest[2], rest[3]
	rest = rest[4:]
	t := func(g int) VecPhysical { return rest[g%min(groups, len(rest))] } // six groups share them, see their order
	p0, p1 := before(a, x0), before(b, x1)
	coef := func(g, k int) Mem { return Mem{Base: p, Disp: headBytes + 192*g + 32*k} } // R, n, a2, M, c1, na1
	state := func(g, k int) Mem { return Mem{Base: p, Disp: headBytes + 192*groups + 128*g + 32*k} }
	banks := func(move func(mem Mem, reg VecPhysical)) {
		for g := range groups {
			for k, r := range []func(int) VecPhysical{d, e, a, b} {
				move(state(g, k), r(g))
			}
		}
	}
	banks(func(mem Mem, reg VecPhysical) { VMOVUPD(mem, reg) })
	VMOVUPD(Mem{Base: p}, gain)
	last := groups - 1
	align()
	Label("step")
	for _, i := range order(groups) {
		g := i.group
		switch i.what {
		case "in0":
			VMOVUPD(Mem{Base: buf}, x0.AsX())
			VINSERTF64X2(Imm(1), a(last).AsX(), x0, x0)
		case "in1":
			VMOVUPD(Mem{Base: buf, Disp: 16}, x1.AsX())
			VINSERTF64X2(Imm(1), b(last).AsX(), x1, x1)
		case "t":
			VMULPD(coef(g, 0), d(g), t(g))
		case "a":
			VADDPD(t(g), p0(g), a(g))
		case "y":
			VFMADD231PD(coef(g, 1), e(g), a(g))
		case "v":
			VFMADD132PD(coef(g, 2), p0(g), e(g))
		case "out": // the second frame of the step before and the first of this one
			VSHUFF64X2(Imm(3), a(last), b(last), o)
			VMULPD(gain, o, o)
			VMOVUPD(o, Mem{Base: buf})
		case "b":
			VADDPD(t(g), p1(g), b(g))
		case "s":
			VSUBPD(e(g), p1(g), t(g))
		case "e":
			VFMADD231PD(coef(g, 3), d(g), e(g))
		case "z":
			VFMADD231PD(coef(g, 4), e(g), b(g))
		case "w":
			VADDPD(e(g), d(g), d(g))
		case "f":
			VFMADD132PD(coef(g, 5), t(g), e(g))
		case "d":
			VADDPD(e(g), d(g), d(g))
		}
	}
	ADDQ(Imm(32), buf)
	SUBQ(Imm(2), n)
	JNZ(LabelRef("step"))
	banks(func(mem Mem, reg VecPhysical) { VMOVUPD(reg, mem) })
	VZEROUPPER()
	RET()
}
