//go:build !purego

package dsp

import "golang.org/x/sys/cpu"

func processorKernels() []kernel {
	if x := &cpu.X86; !x.HasAVX2 || !x.HasFMA {
		return nil
	}
	return []kernel{{"avx2", []passShape{{1, 4, passAVX2x2}, {2, 4, passAVX2x4}, {3, 4, passAVX2x6}, {4, 4, passAVX2x8}, {5, 4, passAVX2x10}}}}
}
