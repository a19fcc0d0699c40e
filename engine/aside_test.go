package engine_test

import (
	"context"
	"testing"

	"cushwright/engine"
	"cushwright/engine/sim"
)

// Standing aside and being muted come and go apart: the sound is back only when both are over.
func TestAsideAndMuteAreApart(t *testing.T) {
	rec := &recorder{}
	s, _, _ := start(t, &sim.Driver{Source: sine(1000, 0.25), Sink: rec.sink, Speed: 5}, nil, settings(), engine.Selection{Correction: correction(t, 0)})
	level := func(within int) float64 { return rms(rec.last(t, rec.frames()+within, 480)) }
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	ctx := context.Background()
	if l := level(96000); l < 0.1 {
		t.Fatalf("no sound to begin with: %g", l)
	}
	must(s.Aside(ctx, true))
	if l := rms(rec.last(t, rec.frames(), 480)); l != 0 || !s.Status().Aside || s.Status().Muted {
		t.Errorf("aside: level %g, status %+v", l, s.Status())
	}
	must(s.Mute(ctx, true))
	must(s.Aside(ctx, false))
	if l := level(48000); l != 0 || s.Status().Aside {
		t.Errorf("muted, no longer aside: level %g", l)
	}
	must(s.Mute(ctx, false))
	if l := level(48000); l < 0.1 {
		t.Errorf("all over: level %g", l)
	}
}

// Asked to be steady, the resampler keeps its ratio, and follows the clocks again afterwards.
func TestSteadyKeepsTheRatio(t *testing.T) {
	s, _, _ := start(t, &sim.Driver{Source: sine(1000, 0.25), Speed: 20, CapturePPM: 150}, nil, settings(), engine.Selection{Correction: correction(t, 0)})
	ppm := func() float64 { return s.Status().Counters.DriftPPM }
	eventually(t, "the clocks are followed", func() bool { return ppm() > 50 })
	if err := s.Steady(context.Background(), true); err != nil {
		t.Fatal(err)
	}
	callbacks := func() uint64 { return s.Status().Counters.PlaybackCallbacks }
	pass := func(n uint64) {
		from := callbacks()
		eventually(t, "callbacks", func() bool { return callbacks() > from+n })
	}
	pass(50)
	held := ppm()
	for range 20 {
		pass(10)
		if now := ppm(); now != held {
			t.Fatalf("held at %.3f ppm, now %.3f", held, now)
		}
	}
	if err := s.Steady(context.Background(), false); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the clocks are followed again", func() bool { return ppm() != held })
}
