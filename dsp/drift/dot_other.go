//go:build !amd64 || purego

package drift

func dot(rows, w []float64, f float64) (left, right float64) { return dotGo(rows, w, f) }
