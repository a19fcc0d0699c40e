package drift

import "math"

// Servo steers a Resampler's ratio so that the buffer between two clocks keeps its fill.
type Servo struct {
	rateHz, target float64
	eps            float64
	fill           float64
	primed         bool
}

// NewServo makes a servo for the playback rate and the fill to keep, in frames.
func NewServo(rateHz, targetFrames float64) *Servo {
	return &Servo{rateHz: rateHz, target: targetFrames}
}

// Update takes the fill seen now and the output frames since the last call, and returns the ratio to set.
func (s *Servo) Update(fillFrames float64, elapsedFrames int) (ratio float64) {
	dt := float64(elapsedFrames) / s.rateHz
	if !s.primed {
		s.fill, s.primed = fillFrames, true
	}
	s.fill += (fillFrames - s.fill) * (1 - math.Exp(-dt/2))
	e := (s.fill - s.target) / s.rateHz
	s.eps += e * dt * 0.01
	return 1 + s.eps + 0.2*e
}
