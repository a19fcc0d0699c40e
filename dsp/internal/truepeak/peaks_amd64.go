//go:build !purego

package truepeak

import "golang.org/x/sys/cpu"

var (
	hasAVX2   = cpu.X86.HasAVX2 && cpu.X86.HasFMA
	hasAVX512 = hasAVX2 && cpu.X86.HasAVX512F
)

func peaks(p *Interpolator, dst, x []float32) {
	switch {
	case hasAVX512:
		peaksAVX512(&dst[0], &x[0], len(dst)/16, &p.coef)
	case hasAVX2:
		peaksAVX2(&dst[0], &x[0], len(dst)/8, &p.coef)
	default:
		peaksGo(p, dst, x)
	}
}
