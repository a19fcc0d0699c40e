package sweep

import "math"

// win is a window round the peak: half a Hann of pre frames, flat frames at 1 behind the peak, half a Hann of fade.
type win struct{ pre, flat, fade int }

func (w win) len() int { return w.pre + w.flat + w.fade }

// cut returns h round at, windowed, with the peak at frame pre.
func (w win) cut(h []float64, at int) []float64 {
	out := make([]float64, w.len())
	for i := range out {
		out[i] = h[wrap(at-w.pre+i, len(h))] * w.gain(i)
	}
	return out
}

func (w win) gain(i int) float64 {
	switch {
	case i < w.pre/2: // the half next to the peak is flat: deconvolution rings to both sides
		return 0.5 - 0.5*math.Cos(math.Pi*(float64(i)+0.5)/float64(w.pre/2))
	case i >= w.pre+w.flat:
		return 0.5 + 0.5*math.Cos(math.Pi*(float64(i-w.pre-w.flat)+0.5)/float64(w.fade))
	}
	return 1
}

// window chooses how much of the impulse response is signal: up to where its envelope falls into the noise floor,
// looked at over all frequencies and below 500 Hz, where the decay is long and the floor of its own height. tail is how
// many frames of recording follow the sweep.
func (c *core) window(h []float64, at, tail int) win {
	rate := c.spec.RateHz
	w := win{pre: int(min(0.1, 0.45*c.spec.HarmonicLeadSeconds(2)) * rate)}
	// Behind the window as much again must remain for the noise.
	most := max(int(0.45*float64(tail)), int(0.08*rate))
	low := c.lowPassed(h, 500)
	for _, x := range [][]float64{h, low} {
		w.flat = max(w.flat, decay(x, at, most, int(0.005*rate)))
	}
	w.flat = min(max(w.flat, int(0.08*rate)), most*2/3)
	w.fade = w.flat / 2
	return w
}

// decay is how many frames behind at the power of h falls to within 3 dB of that at the end of the stretch, for 40 ms.
func decay(h []float64, at, stretch, block int) int {
	e := make([]float64, 2*stretch/block)
	for i := range e {
		for j := range block {
			v := h[wrap(at+i*block+j, len(h))]
			e[i] += v * v
		}
	}
	const run = 8
	mean := func(v []float64) float64 {
		s := 0.0
		for _, x := range v {
			s += x / float64(len(v))
		}
		return s
	}
	floor := mean(e[len(e)*2/3:])
	for i := 0; i+run <= len(e); i++ {
		if mean(e[i:i+run]) < 2*floor {
			return i * block
		}
	}
	return stretch
}

func (c *core) lowPassed(h []float64, freqHz float64) []float64 {
	sp := c.fft.Coefficients(nil, h)
	for k := range sp {
		x := float64(k) * c.hz / freqHz
		sp[k] *= complex(1/((1+x*x*x*x)*float64(c.n)), 0)
	}
	return c.fft.Sequence(nil, sp)
}
