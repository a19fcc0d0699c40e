package dsp

import "math"

// Crossfade goes from one signal to another. It first listens: for half the fade's length its result is the old signal
// while the next one's filters, which start from rest, settle. Then it follows the integral of a raised cosine, whose
// splatter falls off faster with frequency than the raised cosine's own. The zero value is a fade that is over.
type Crossfade struct {
	window []float64
	pos    int
}

// NewCrossfade makes a fade of that many frames, ready to start. With the listening before it, it is over after half as
// many again.
func NewCrossfade(frames int) *Crossfade {
	listen := frames / 2
	c := &Crossfade{window: make([]float64, listen+frames)}
	for i := range frames {
		x := (float64(i) + 0.5) / float64(frames)
		c.window[listen+i] = x - math.Sin(2*math.Pi*x)/(2*math.Pi)
	}
	return c
}

// Restart begins the fade again.
func (c *Crossfade) Restart() { c.pos = 0 }

// Done reports whether the fade is over.
func (c *Crossfade) Done() bool { return c.pos >= len(c.window) }

// Mix replaces the stereo frames of old by its mixture with next (same length) and advances the fade.
// Once the fade is over the result is next.
func (c *Crossfade) Mix(old, next []float64) {
	for i := 0; i+1 < len(old); i += 2 {
		if c.pos >= len(c.window) {
			copy(old[i:], next[i:])
			return
		}
		w := c.window[c.pos]
		c.pos++
		old[i] += w * (next[i] - old[i])
		old[i+1] += w * (next[i+1] - old[i+1])
	}
}
