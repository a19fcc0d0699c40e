//go:build !purego

package dsp

import "golang.org/x/sys/cpu"

func processorKernels() []kernel {
	x := &cpu.X86
	if !x.HasAVX2 || !x.HasFMA {
		return nil
	}
	ks := []kernel{{"avx2", []passShape{{1, 4, false, passAVX2x2}, {2, 4, false, passAVX2x4}, {3, 4, false, passAVX2x6},
		{4, 4, false, passAVX2x8}, {5, 4, false, passAVX2x10}}}}
	if x.HasAVX512F && x.HasAVX512DQ && x.HasAVX512VL {
		ks = append([]kernel{{"avx512", []passShape{{1, 4, true, passAVX512x2}, {2, 4, true, passAVX512x4}, {3, 4, true, passAVX512x6},
			{4, 4, true, passAVX512x8}, {5, 4, true, passAVX512x10}, {6, 4, true, passAVX512x12}}}}, ks...)
	}
	return ks
}
