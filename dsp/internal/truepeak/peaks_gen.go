//go:build generate

// Command peaks_gen writes the AVX2 and AVX-512 kernels of Peaks: lanes are frames, one pass makes all phases.
package main

import (
	. "github.com/mmcloughlin/avo/build"
	. "github.com/mmcloughlin/avo/operand"
	. "github.com/mmcloughlin/avo/reg"
)

const taps, half = 24, 12

func main() {
	ConstraintExpr("!purego")
	kernel("peaksAVX2", 8, []VecPhysical{Y0, Y1, Y2, Y3, Y4, Y5, Y6, Y7, Y8, Y9, Y10, Y11, Y12})
	kernel("peaksAVX512", 16, []VecPhysical{Z0, Z1, Z2, Z3, Z4, Z5, Z6, Z7, Z8, Z9, Z10, Z11, Z12})
	Generate()
}

func kernel(name string, lanes int, v []VecPhysical) {
	TEXT(name, NOSPLIT, "func(dst, x *float32, groups int, coef *[12][8]float32)")
	Pragma("noescape")
	Doc(name + " sets groups·lanes values of dst as peaksGo does, each the largest over the phases, from x.")
	dst, x := Load(Param("dst"), GP64()), Load(Param("x"), GP64())
	n, coef := Load(Param("groups"), GP64()), Load(Param("coef"), GP64())
	acc, s, d, b, c, abs := v[:7], v[7], v[8], v[9], v[10], v[11]
	ones := v[12]
	VPCMPEQD(Y12, Y12, Y12) // all bits
	if lanes == 16 {
		VPTERNLOGD(Imm(255), Z12, Z12, Z12)
	}
	VPSRLD(Imm(1), ones, abs) // all but the sign
	Label("loop")
	for k := range half {
		VMOVUPS(Mem{Base: x, Disp: 4 * k}, c)
		VMOVUPS(Mem{Base: x, Disp: 4 * (taps - 1 - k)}, b)
		VADDPS(b, c, s)
		VSUBPS(b, c, d)
		for j, a := range acc {
			in := s
			if j%2 == 1 {
				in = d
			}
			m := Mem{Base: coef, Disp: 32*k + 4*j}
			switch {
			case lanes == 16 && k == 0:
				VMULPS_BCST(m, in, a)
			case lanes == 16:
				VFMADD231PS_BCST(m, in, a)
			case k == 0:
				VBROADCASTSS(m, b)
				VMULPS(b, in, a)
			default:
				VBROADCASTSS(m, b)
				VFMADD231PS(b, in, a)
			}
		}
	}
	and := func(v VecPhysical) {
		if lanes == 16 {
			VPANDD(abs, v, v)
		} else {
			VPAND(abs, v, v)
		}
	}
	for _, a := range acc {
		and(a)
	}
	for j := 0; j < 6; j += 2 {
		VADDPS(acc[j], acc[j+1], acc[j])
		VMAXPS(acc[j], acc[6], acc[6])
	}
	VMOVUPS(acc[6], Mem{Base: dst})
	ADDQ(Imm(uint64(4*lanes)), x)
	ADDQ(Imm(uint64(4*lanes)), dst)
	DECQ(n)
	JNZ(LabelRef("loop"))
	VZEROUPPER()
	RET()
}
