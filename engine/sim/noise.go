package sim

import (
	"math"
	"math/rand/v2"
)

// Pink makes stereo pink noise by P. Kellet's filter of white noise (published on the music-dsp list; from memory, good
// to a fraction of a decibel, and only its loudness through two paths is compared).
func Pink(frames int, rms float64) []float64 {
	r := rand.New(rand.NewPCG(1, 2))
	out := make([]float64, 2*frames)
	var st [2][3]float64
	for i := range out {
		s, w := &st[i&1], r.NormFloat64()
		s[0] = 0.99765*s[0] + w*0.0990460
		s[1] = 0.96300*s[1] + w*0.2965164
		s[2] = 0.57000*s[2] + w*1.0526913
		out[i] = s[0] + s[1] + s[2] + w*0.1848
	}
	sum := 0.0
	for _, x := range out {
		sum += x * x
	}
	g := rms / math.Sqrt(sum/float64(len(out)))
	for i := range out {
		out[i] *= g
	}
	return out
}
