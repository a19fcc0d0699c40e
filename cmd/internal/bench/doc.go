// Package bench is what the commands of the bench do with seats: read them, compare cushions, and find what a
// correction has to do. It gives values; printing is the commands'.
package bench

import "math"

// Known is x, or nil where x is not a finite number: what JSON writes as null.
func Known(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}
