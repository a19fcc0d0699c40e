// Package dsp holds the signal processing of the correction: bands (analog prototypes), sections (biquads at one rate),
// corrections (bands plus headroom), chains (a correction compiled for one rate) and the crossfade between two chains.
//
// A band is realised at each rate so that its level follows the analog prototype up to 20 kHz. Realise gives one
// section by the matched design, or two where one would be off by more than 0.3 dB. Bilinear is the cookbook's form,
// for reference and for equalisers known to use it.
//
// A chain runs its sections by the fastest of three kernels that the processor has: AVX-512, AVX2 (both written by
// internal/kernelgen) or plain Go. It gives the same bits however its signal is cut into blocks. The AVX-512 kernel has
// a delay (Chain.LagFrames); Options.NoLag takes the fastest kernel without one. Each kernel is held to the bit to a
// plain form of its own in kernel_test.go. Every processor of the live path passes internal/conform: block splits,
// reset, finite on NaN, no allocation, declared lag.
//
// A zero of a response counts as LeastDB. Chain.PeakDB says what automatic headroom is.
//
// Levels are in dB, frequencies and rates in Hz, signals interleaved stereo float64 with full scale ±1.
package dsp
