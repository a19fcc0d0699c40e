//go:build !amd64 || purego

package truepeak

func peaks(p *Interpolator, dst, x []float32) { peaksGo(p, dst, x) }
