//go:build !purego

package dsp

import "golang.org/x/sys/cpu"

func processorKernels() []kernel {
	var ks []kernel
	x := &cpu.X86
	if x.HasAVX512F && x.HasAVX512DQ && x.HasAVX512VL && x.HasAVX2 && x.HasFMA {
		ks = append(ks, kernel{"avx512", []passShape{
			{[]int{4}, passAVX512x2}, {[]int{8}, passAVX512x4}, {[]int{4, 8}, passAVX512x6}, {[]int{8, 8}, passAVX512x8},
			{[]int{4, 8, 8}, passAVX512x10}, {[]int{8, 8, 8}, passAVX512x12}, {[]int{4, 8, 8, 8}, passAVX512x14}}, 14})
	}
	if x.HasAVX2 && x.HasFMA {
		ks = append(ks, kernel{"avx2", []passShape{
			{[]int{4}, passAVX2x2}, {[]int{4, 4}, passAVX2x4}, {[]int{4, 4, 4}, passAVX2x6},
			{[]int{4, 4, 4, 4}, passAVX2x8}, {[]int{4, 4, 4, 4, 4}, passAVX2x10}}, 10})
	}
	return ks
}
