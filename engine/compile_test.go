package engine

import (
	"math"
	"slices"
	"testing"

	"cushwright/dsp"
	"cushwright/dsp/drift"
	"cushwright/engine/live"
)

func tenBands() (b []dsp.Band) {
	for i := range 10 {
		f := 40 * math.Pow(1.8, float64(i))
		b = append(b, dsp.Band{Shape: dsp.Bell, FreqHz: f, GainDB: float64(i%5) - 2, Q: 1.2})
	}
	return b
}

// The signal processing adds as little as the delay asks for, and all programs of a session the same, so that a
// crossfade from one to another never mixes two delays.
func TestDelayOfTheSignalProcessing(t *testing.T) {
	correction := func(n int) *dsp.Correction {
		c, err := dsp.NewCorrection(append(slices.Clone(tenBands()), tenBands()...)[:n], dsp.AutoHeadroom)
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	resampler := drift.New(2048).LagFrames()
	for _, d := range []Delay{DelayLow, DelayNormal, DelaySafe} {
		lag := 0
		if d.chains().Lags() {
			lag = 48
		}
		for _, n := range []int{0, 1, 10} {
			for _, other := range []*dsp.Correction{nil, correction(0), correction(10)} {
				p, err := compile(Selection{Correction: correction(n), Other: other}, d.chains(), MatchPink, 48000)
				if err != nil {
					t.Fatal(err)
				}
				if p.program.LagFrames() != lag {
					t.Errorf("%s: %d bands beside %v lag %d frames, want %d", d, n, other, p.program.LagFrames(), lag)
				}
				path, err := live.New(live.Config{RateHz: 48000, CaptureFrames: 480, OutputFrames: 480, LeaveFrames: 480,
					Guard: true, LookAheadS: d.lookAheadS(), InputGain: func() float32 { return 1 },
					NowNs: func() int64 { return 0 }}, &live.Meters{}, p.program, live.Wishes{})
				if err != nil {
					t.Fatal(err)
				}
				ahead := 96
				if d == DelayLow {
					ahead = 48
				}
				if got, want := path.LagFrames(), lag+ahead+resampler; got != want {
					t.Errorf("%s: %d frames of delay, want %d", d, got, want)
				}
			}
		}
	}
}

// Both chains of a program have the same delay, however different their corrections are.
func TestSidesAreInStep(t *testing.T) {
	for _, n := range [][2]int{{0, 10}, {10, 0}, {1, 7}, {10, 10}} {
		var c [2]*dsp.Correction
		for i := range c {
			var err error
			if c[i], err = dsp.NewCorrection(tenBands()[:n[i]], dsp.AutoHeadroom); err != nil {
				t.Fatal(err)
			}
		}
		for _, d := range []Delay{DelayNormal, DelaySafe} {
			a, b, err := inStep(c[0], c[1], d.chains(), 48000)
			if err != nil || a.LagFrames() != b.LagFrames() {
				t.Errorf("%s, %d and %d bands: %d and %d frames, %v", d, n[0], n[1], a.LagFrames(), b.LagFrames(), err)
			}
		}
	}
}
