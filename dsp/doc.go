// Package dsp holds the signal processing of the correction: bands (analog prototypes), sections (biquads at one rate),
// corrections (bands plus headroom), chains (a correction compiled for one rate) and the crossfade between two chains.
//
// A band is realised at each rate so that its level follows the analog prototype up to 20 kHz (Realise). A chain runs its
// sections by the fastest of three kernels the processor has: AVX-512, AVX2 (both written by internal/kernelgen) or plain
// Go. A chain has no delay of its own and gives the same bits however its signal is cut into blocks.
//
// Levels are in dB, frequencies and rates in Hz, signals interleaved stereo float64 with full scale ±1.
package dsp
