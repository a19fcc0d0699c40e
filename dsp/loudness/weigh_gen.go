//go:build generate

// Command weigh_gen writes the kernel of the K-weighting: both ears in the lanes of a register, both sections a frame.
// The sections' own recursions set the pace, not the width of the registers.
package main

import (
	. "github.com/mmcloughlin/avo/build"
	. "github.com/mmcloughlin/avo/operand"
	. "github.com/mmcloughlin/avo/reg"
)

// Offsets in the struct weighting.
const (
	coefs  = 0
	states = 128
	energy = 192
	peak   = 208
)

func main() {
	ConstraintExpr("!purego")
	TEXT("weighFMA", NOSPLIT, "func(buf *float64, frames int, w *[28]float64)")
	Pragma("noescape")
	Doc("weighFMA does what weighGo does, on frames > 0. w is a weighting, less its scale.")
	buf, n, w := Load(Param("buf"), GP64()), Load(Param("frames"), GP64()), Load(Param("w"), GP64())
	at := func(off, i int) Mem { return Mem{Base: w, Disp: off + 16*i} }
	x, y, z, e, top, abs, t := X0, X1, X2, X3, X4, X5, X6
	s := [2][2]VecPhysical{{X7, X8}, {X9, X10}}
	VPCMPEQD(abs, abs, abs)
	VPSRLQ(Imm(1), abs, abs) // all but the sign
	VMOVUPD(at(energy, 0), e)
	VMOVUPD(at(peak, 0), top)
	for i := range s {
		VMOVUPD(at(states, 2*i), s[i][0])
		VMOVUPD(at(states, 2*i+1), s[i][1])
	}
	Label("frame")
	VMOVUPD(Mem{Base: buf}, x)
	VANDPD(abs, x, t)
	VMAXPD(top, t, top) // a NaN leaves the old value
	in, out := x, y
	for i := range s {
		s1, s2 := s[i][0], s[i][1]
		VADDPD(s1, in, out)
		VMULPD(at(coefs, 4*i+3), in, t)       // c2·x
		VFMADD231PD(at(coefs, 4*i+2), in, s2) // s2 + c1·x
		VFMADD231PD(at(coefs, 4*i+1), s1, t)  // new s2
		VFMADD132PD(at(coefs, 4*i), s2, s1)   // new s1
		VMOVAPD(t, s2)
		in, out = out, z
	}
	VFMADD231PD(z, z, e)
	ADDQ(Imm(16), buf)
	DECQ(n)
	JNZ(LabelRef("frame"))
	VMOVUPD(e, at(energy, 0))
	VMOVUPD(top, at(peak, 0))
	for i := range s {
		VMOVUPD(s[i][0], at(states, 2*i))
		VMOVUPD(s[i][1], at(states, 2*i+1))
	}
	RET()
	Generate()
}
