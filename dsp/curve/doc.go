// Package curve holds measured level responses on one common grid and what can be said of them: average and spread over
// seats, the 95 % band of a mean, smoothing, level alignment, and the difference between two cushions with its confidence.
//
// Every curve has Points values on Grid: 20 Hz to 20 kHz in steps of 1/48 octave of the octave ratio G = 10^0.3 of
// IEC 61260-1:2014, which divides three decades into 480 whole steps. Levels are in dB, averages are means of dB values.
package curve
