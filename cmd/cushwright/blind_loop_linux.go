package main

import (
	"github.com/jfreymuth/pulse"

	"cushwright/platform"
)

// playFrames plays stereo frames through the sound server as any other program would, so that the engine's virtual sink
// takes them.
func playFrames(frames []float32, rateHz int) (stop func(), err error) {
	// Another name than the engine's, whose own streams are left where they are.
	opts := []pulse.ClientOption{pulse.ClientApplicationName("cushwright blind")}
	if s := platform.ServerString(); s != "" {
		opts = append(opts, pulse.ClientServerString(s))
	}
	c, err := pulse.NewClient(opts...)
	if err != nil {
		return nil, err
	}
	p, err := c.NewPlayback(pulse.Float32Reader(repeat(frames)), pulse.PlaybackStereo, pulse.PlaybackSampleRate(rateHz),
		pulse.PlaybackLatency(0.2), pulse.PlaybackMediaName("loop of the listening trial"))
	if err != nil {
		c.Close()
		return nil, err
	}
	p.Start()
	return func() {
		p.Close()
		c.Close()
	}, nil
}
