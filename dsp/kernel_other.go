//go:build !amd64 || purego

package dsp

func processorKernels() []kernel { return nil }
