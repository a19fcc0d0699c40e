// Package dsp holds the signal processing of the correction: bands (analog prototypes), sections (biquads at one rate),
// corrections (bands plus headroom), chains (a correction compiled for one rate) and the crossfade between two chains.
//
// Levels are in dB, frequencies and rates in Hz, signals interleaved stereo float64 with full scale ±1.
package dsp
