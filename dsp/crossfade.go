package dsp

import "math"

// Crossfade goes from one signal to another along a raised cosine. The zero value is a fade that is over.
type Crossfade struct {
	window []float64
	pos    int
}

// NewCrossfade makes a fade of that many frames, ready to start.
func NewCrossfade(frames int) *Crossfade {
	c := &Crossfade{window: make([]float64, frames)}
	for i := range c.window {
		c.window[i] = 0.5 - 0.5*math.Cos(math.Pi*(float64(i)+0.5)/float64(frames))
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
