package trial

import (
	"fmt"
	"math"

	"cushwright/platform"
	"cushwright/platform/soundfile"
)

// seamless makes stereo frames that can be repeated for ever: the last 20 ms fade into the first 20 ms. One channel
// goes to both ears, of more than two the first two are taken.
func seamless(s *soundfile.Sound) ([]float32, error) {
	seam := s.RateHz / 50
	n := s.Frames() - seam
	if n < s.RateHz/2 {
		return nil, fmt.Errorf("the file is shorter than half a second")
	}
	at := func(frame, ear int) float64 {
		x := s.Samples[frame*s.Channels+min(ear, s.Channels-1)]
		if !(math.Abs(x) <= math.MaxFloat32) {
			return 0
		}
		return x
	}
	out := make([]float32, 2*n)
	for i := range n {
		for ear := range 2 {
			x := at(i, ear)
			if i < seam {
				w := 0.5 - 0.5*math.Cos(math.Pi*(float64(i)+0.5)/float64(seam))
				x = w*x + (1-w)*at(n+i, ear)
			}
			out[2*i+ear] = float32(x)
		}
	}
	return out, nil
}

// repeat returns a function that fills buffers with the frames again and again.
func repeat(frames []float32) func([]float32) (int, error) {
	at := 0
	return func(buf []float32) (int, error) {
		for n := 0; n < len(buf); {
			k := copy(buf[n:], frames[at:])
			n, at = n+k, (at+k)%len(frames)
		}
		return len(buf), nil
	}
}

// playLoop plays a sound file to the default output, again and again, until stop is called.
func playLoop(file string) (stop func(), err error) {
	s, err := soundfile.Read(file)
	if err != nil {
		return nil, err
	}
	frames, err := seamless(s)
	if err == nil {
		stop, err = platform.Play(repeat(frames), s.RateHz)
	}
	if err != nil {
		return nil, fmt.Errorf("cushwright: play %q: %w", file, err)
	}
	return stop, nil
}
