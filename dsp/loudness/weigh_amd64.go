//go:build !purego

package loudness

import (
	"unsafe"

	"golang.org/x/sys/cpu"
)

var hasFMA = cpu.X86.HasAVX2 && cpu.X86.HasFMA

func weigh(buf []float64, w *weighting) {
	if hasFMA {
		weighFMA(&buf[0], len(buf)/2, (*[28]float64)(unsafe.Pointer(w)))
		return
	}
	weighGo(buf, w)
}
