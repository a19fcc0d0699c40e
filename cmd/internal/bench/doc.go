// Package bench is what the commands of the bench do with seats: read them, compare cushions, and find what a
// correction has to do. It gives values; printing is the commands'.
//
// A wanted response enters the fit as two identical seats, without scatter. The rig's calibration is taken off stored
// seats only where a wanted response is the goal. Bands are written to 0.1 Hz, 0.01 dB and Q 0.001; for a described
// equaliser they stand on its steps.
//
// Seats through a correction lie in proofs/seats/NAME, marked `through the correction HASH`. They count only while that
// correction stands.
package bench

import "math"

// Known is x, or nil where x is not a finite number: what JSON writes as null.
func Known(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}
