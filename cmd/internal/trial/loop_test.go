package trial

import (
	"math"
	"testing"

	"cushwright/platform/soundfile"
)

// TestLoopHasNoSeam: a sine whose period does not fit the file goes round without a jump, and mono reaches both ears.
func TestLoopHasNoSeam(t *testing.T) {
	const rate = 48000
	s := &soundfile.Sound{RateHz: rate, Channels: 1, Samples: make([]float64, rate+100)}
	for i := range s.Samples {
		s.Samples[i] = math.Sin(2 * math.Pi * 101.3 * float64(i) / rate)
	}
	frames, err := seamless(s)
	if err != nil {
		t.Fatal(err)
	}
	if len(frames) != 2*(rate+100-rate/50) {
		t.Errorf("%d samples", len(frames))
	}
	next := repeat(frames)
	buf := make([]float32, 2*1000)
	last, worst := frames[0], 0.0
	for range 250 {
		if n, err := next(buf); n != len(buf) || err != nil {
			t.Fatal(n, err)
		}
		for i := 0; i < len(buf); i += 2 {
			if buf[i] != buf[i+1] {
				t.Fatal("the ears differ")
			}
			worst = math.Max(worst, math.Abs(float64(buf[i]-last)))
			last = buf[i]
		}
	}
	if step := 2 * math.Pi * 101.3 / rate; worst > 1.2*step { // the sine's own steepest step
		t.Errorf("a jump of %.4f, the sine has %.4f", worst, step)
	}
	if _, err := seamless(&soundfile.Sound{RateHz: rate, Channels: 2, Samples: make([]float64, 2*rate/3)}); err == nil {
		t.Error("a third of a second was taken")
	}
}
