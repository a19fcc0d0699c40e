//go:build !amd64 || purego

package drift

func dots(out []float64, spots []spot, table, buf []float64) { dotsGo(out, spots, table, buf) }
