//go:build !purego

package drift

import "golang.org/x/sys/cpu"

var (
	hasAVX2   = cpu.X86.HasAVX2 && cpu.X86.HasFMA
	hasAVX512 = hasAVX2 && cpu.X86.HasAVX512F
)

func dot(rows, w []float64, f float64) (left, right float64) {
	var out [2]float64
	switch {
	case hasAVX512:
		dotAVX512(&rows[0], &w[0], f, &out)
	case hasAVX2:
		dotAVX2(&rows[0], &w[0], f, &out)
	default:
		return dotGo(rows, w, f)
	}
	return out[0], out[1]
}
