//go:build race

package sweep

// The package starts no goroutines, so the race detector finds nothing in it and only makes it five times slower.
const racing = true
