//go:build generate

// Command dot_gen writes the AVX2 and AVX-512 kernels of the resampler's dot products.
package main

import (
	. "github.com/mmcloughlin/avo/build"
	. "github.com/mmcloughlin/avo/operand"
	. "github.com/mmcloughlin/avo/reg"
)

const taps = 64

func main() {
	ConstraintExpr("!purego")
	avx2()
	avx512()
	Generate()
}

// frames writes a loop over frames; body leaves left and right in X0.
func frames(body func(rows, w Register)) {
	out, spots, n := Load(Param("out"), GP64()), Load(Param("spots"), GP64()), Load(Param("n"), GP64())
	table, buf := Load(Param("table"), GP64()), Load(Param("buf"), GP64())
	rows, w := GP64(), GP64()
	Label("frame")
	MOVQ(Mem{Base: spots}, rows)
	ADDQ(table, rows)
	MOVQ(Mem{Base: spots, Disp: 8}, w)
	ADDQ(buf, w)
	VBROADCASTSD(Mem{Base: spots, Disp: 16}, Y15)
	body(rows, w)
	VMOVUPD(X0, Mem{Base: out})
	ADDQ(Imm(24), spots)
	ADDQ(Imm(16), out)
	DECQ(n)
	JNZ(LabelRef("frame"))
	VZEROUPPER()
	RET()
}

// avx2: four taps a step; each coefficient, interpolated, is spread to the left and right of its frame.
func avx2() {
	TEXT("dotsAVX2", NOSPLIT, "func(out *float64, spots *uint64, n int, table, buf *float64)")
	Pragma("noescape")
	Doc("dotsAVX2 does what dotsGo does for n > 0 frames.")
	frames(func(rows, w Register) {
		acc := []VecPhysical{Y0, Y1, Y2, Y3}
		for k := 0; k < taps; k += 4 {
			VMOVUPD(Mem{Base: rows, Disp: 8 * k}, Y4)
			VMOVUPD(Mem{Base: rows, Disp: 8 * (taps + k)}, Y5)
			VSUBPD(Y4, Y5, Y5)
			VFMADD231PD(Y5, Y15, Y4)
			VPERMPD(Imm(0x50), Y4, Y6) // c0 c0 c1 c1
			VPERMPD(Imm(0xfa), Y4, Y7) // c2 c2 c3 c3
			a := acc[k/4%2*2:]
			if k < 8 {
				VMULPD(Mem{Base: w, Disp: 16 * k}, Y6, a[0])
				VMULPD(Mem{Base: w, Disp: 16*k + 32}, Y7, a[1])
				continue
			}
			VFMADD231PD(Mem{Base: w, Disp: 16 * k}, Y6, a[0])
			VFMADD231PD(Mem{Base: w, Disp: 16*k + 32}, Y7, a[1])
		}
		VADDPD(Y1, Y0, Y0)
		VADDPD(Y3, Y2, Y2)
		VADDPD(Y2, Y0, Y0)
		VEXTRACTF128(Imm(1), Y0, X1)
		VADDPD(X1, X0, X0)
	})
}

// spread is the permutation that doubles four lanes.
func spread(name string, first uint64) Mem {
	m := GLOBL(name, RODATA|NOPTR)
	for i := range uint64(8) {
		DATA(int(8*i), U64(first+i/2))
	}
	return m
}

// avx512: eight taps a step.
func avx512() {
	low, high := spread("spreadLow", 0), spread("spreadHigh", 4)
	TEXT("dotsAVX512", NOSPLIT, "func(out *float64, spots *uint64, n int, table, buf *float64)")
	Pragma("noescape")
	Doc("dotsAVX512 does what dotsGo does for n > 0 frames.")
	VMOVDQU64(low, Z13)
	VMOVDQU64(high, Z14)
	frames(func(rows, w Register) {
		VBROADCASTSD(X15, Z15)
		acc := []VecPhysical{Z0, Z1, Z2, Z3}
		for k := 0; k < taps; k += 8 {
			VMOVUPD(Mem{Base: rows, Disp: 8 * k}, Z4)
			VMOVUPD(Mem{Base: rows, Disp: 8 * (taps + k)}, Z5)
			VSUBPD(Z4, Z5, Z5)
			VFMADD231PD(Z5, Z15, Z4)
			VPERMPD(Z4, Z13, Z6)
			VPERMPD(Z4, Z14, Z7)
			a := acc[k/8%2*2:]
			if k < 16 {
				VMULPD(Mem{Base: w, Disp: 16 * k}, Z6, a[0])
				VMULPD(Mem{Base: w, Disp: 16*k + 64}, Z7, a[1])
				continue
			}
			VFMADD231PD(Mem{Base: w, Disp: 16 * k}, Z6, a[0])
			VFMADD231PD(Mem{Base: w, Disp: 16*k + 64}, Z7, a[1])
		}
		VADDPD(Z1, Z0, Z0)
		VADDPD(Z3, Z2, Z2)
		VADDPD(Z2, Z0, Z0)
		VEXTRACTF64X4(Imm(1), Z0, Y1)
		VADDPD(Y1, Y0, Y0)
		VEXTRACTF128(Imm(1), Y0, X1)
		VADDPD(X1, X0, X0)
	})
}
