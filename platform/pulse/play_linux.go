package pulse

import player "github.com/jfreymuth/pulse"

// Play plays what read gives (interleaved stereo, full scale ±1; the number of samples filled in) through the sound
// server as any other program would, so that the virtual sink takes it, until stop is called. The error says where
// there is no server.
func Play(read func(stereo []float32) (int, error), rateHz int) (stop func(), err error) {
	// Another name than the engine's, whose own streams are left where they are.
	opts := []player.ClientOption{player.ClientApplicationName("cushwright blind")}
	if s := ServerString(); s != "" {
		opts = append(opts, player.ClientServerString(s))
	}
	c, err := player.NewClient(opts...)
	if err != nil {
		return nil, err
	}
	p, err := c.NewPlayback(player.Float32Reader(read), player.PlaybackStereo, player.PlaybackSampleRate(rateHz),
		player.PlaybackLatency(0.2), player.PlaybackMediaName("loop"))
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
