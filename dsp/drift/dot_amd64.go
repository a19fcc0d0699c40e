//go:build !purego

package drift

import (
	"unsafe"

	"golang.org/x/sys/cpu"
)

var (
	hasAVX2   = cpu.X86.HasAVX2 && cpu.X86.HasFMA
	hasAVX512 = hasAVX2 && cpu.X86.HasAVX512F
)

// spotsAt passes spots to a kernel, which knows their layout.
func spotsAt(spots []spot) (*uint64, int) { return (*uint64)(unsafe.Pointer(&spots[0])), len(spots) }

func dots(out []float64, spots []spot, table, buf []float64) {
	p, n := spotsAt(spots)
	switch {
	case hasAVX512:
		dotsAVX512(&out[0], p, n, &table[0], &buf[0])
	case hasAVX2:
		dotsAVX2(&out[0], p, n, &table[0], &buf[0])
	default:
		dotsGo(out, spots, table, buf)
	}
}
