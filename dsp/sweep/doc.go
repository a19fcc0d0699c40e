// Package sweep is the signal processing of the rig: the exponential sweep and its deconvolution into an impulse
// response, a response in 1/48 octaves with the signal-to-noise ratio of each point, harmonics, and plain words about
// what went wrong with a recording; which of several recorded cushions a seat belongs to; and whether a correction does
// what it should.
//
// Signals are mono float64 with full scale ±1, levels in dB, frequencies and rates in Hz, times in seconds. Nothing
// here keeps state between calls or uses chance: the same recording gives the same answer.
//
// Sources: A. Farina, "Simultaneous measurement of impulse response and distortion with a swept-sine technique", AES
// 108 (2000); A. Novak, P. Lotton, L. Simon, "Synchronized swept-sine: theory, application and implementation", JAES 63
// (2015).
package sweep
