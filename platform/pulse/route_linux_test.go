package pulse

import (
	"context"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"cushwright/engine"
	"cushwright/platform/device"
	"cushwright/platform/internal/live"
	"cushwright/platform/soundtest"
)

func newRouter(t *testing.T) *router {
	t.Helper()
	r := NewRouter(Options{Log: func(m string) { t.Log("router:", m) }}).(*router)
	t.Cleanup(func() { r.Release(context.Background()) })
	return r
}

// A route taken and released leaves everything as it was; in between the system's sound goes to the virtual sink.
func TestTakeRelease(t *testing.T) {
	live.OnEach(t, func(t *testing.T, s *soundtest.Server) {
		s.SetVolume("speakers", 0.7, 0.5)
		before := slices.Sorted(slices.Values(s.SinkNames()))
		playing := s.PlayFunc("", 48000, soundtest.Sine(1000, 48000, 0.1))
		pinned := s.PlayFunc("other", 44100, soundtest.Sine(1000, 44100, 0.1))
		live.Eventually(t, "streams play", func() (bool, any) { in := s.SinkInputs(); return len(in) == 2, in })

		r := newRouter(t)
		route := live.Take(t, r, "")
		want := engine.Route{CaptureID: device.VirtualSink + ".monitor", OutputID: "speakers", OutputName: "Test output speakers", RateHz: 48000, Channels: 2}
		if route != want {
			t.Errorf("route %+v, want %+v", route, want)
		}
		if d := s.DefaultSink(); d != device.VirtualSink {
			t.Errorf("default is %q during the route", d)
		}
		live.Eventually(t, "playing stream on the virtual sink", func() (bool, any) {
			on := live.StreamOn(s, playing.Index())
			return on == device.VirtualSink, on
		})
		if on := live.StreamOn(s, pinned.Index()); on != "other" {
			t.Errorf("the stream that was sent to another output is on %q now", on)
		}
		ch, mute := s.Volume(device.VirtualSink)
		if len(ch) != 2 || math.Abs(ch[0]-0.7) > 1e-3 || math.Abs(ch[1]-0.7) > 1e-3 || mute {
			t.Errorf("virtual sink's volume %v, mute %v; want the output's 0.7, no mute", ch, mute)
		}
		if err := r.FindOutput(context.Background(), "other"); err != nil {
			t.Errorf("an output that is there: %v", err)
		}
		if err := r.FindOutput(context.Background(), "ohter"); !errors.Is(err, engine.ErrNoOutput) || !strings.Contains(err.Error(), "speakers") {
			t.Errorf("a misspelt output: %v", err)
		}
		if again := live.Take(t, r, ""); again != want {
			t.Errorf("taken again: %+v, want %+v", again, want)
		}

		for range 2 {
			if err := r.Release(context.Background()); err != nil {
				t.Fatal(err)
			}
		}
		if d := s.DefaultSink(); d != "speakers" {
			t.Errorf("default is %q after the route", d)
		}
		live.Eventually(t, "playing stream back", func() (bool, any) { on := live.StreamOn(s, playing.Index()); return on == "speakers", on })
		if on := live.StreamOn(s, pinned.Index()); on != "other" {
			t.Errorf("the stream that was sent to another output is on %q after", on)
		}
		live.Eventually(t, "sinks as before", func() (bool, any) {
			now := slices.Sorted(slices.Values(s.SinkNames()))
			return slices.Equal(now, before), now
		})
		if ch, mute := s.Volume("speakers"); math.Abs(ch[0]-0.7) > 1e-3 || math.Abs(ch[1]-0.5) > 1e-3 || mute {
			t.Errorf("output's volume %v, mute %v after; want 0.7 0.5", ch, mute)
		}
	})
}

func TestFeedbackRefused(t *testing.T) {
	live.OnEach(t, func(t *testing.T, s *soundtest.Server) {
		r := newRouter(t)
		for _, output := range []string{device.VirtualSink, device.VirtualSink + ".monitor"} {
			for range 2 { // without our sink, and with it
				_, err := r.Take(context.Background(), output)
				var e *engine.Error
				if !errors.As(err, &e) || e.Reaction != engine.GiveUp || !strings.Contains(err.Error(), "feed back") {
					t.Errorf("output %q: %v", output, err)
				}
				live.Take(t, r, "")
			}
		}
	})
}

// Each thing that can happen to a route is reported, and Take repairs it.
func TestRouteEvents(t *testing.T) {
	live.OnEach(t, func(t *testing.T, s *soundtest.Server) {
		usb := s.AddSink("usb", 96000, 2)
		s.SetDefault("usb")
		r := newRouter(t)
		if route := live.Take(t, r, ""); route.OutputID != "usb" || route.RateHz != 96000 {
			t.Errorf("route %+v", route)
		}

		s.SetDefault("other") // the user picks another output
		live.AwaitEvent(t, r, engine.DefaultChanged, "other")
		if route := live.Take(t, r, ""); route.OutputID != "other" || route.RateHz != 44100 {
			t.Errorf("route after the change of default: %+v", route)
		}
		if route := live.Take(t, r, "usb"); route.OutputID != "usb" || route.RateHz != 96000 {
			t.Errorf("route to a named output: %+v", route)
		}

		s.RemoveSink(r.module) // somebody removes our sink
		live.AwaitEvent(t, r, engine.SinkGone, "")
		if route := live.Take(t, r, "usb"); route.OutputID != "usb" || s.DefaultSink() != device.VirtualSink {
			t.Errorf("route repaired: %+v, default %q", route, s.DefaultSink())
		}

		s.RemoveSink(usb) // the real output is unplugged
		live.AwaitEvent(t, r, engine.OutputGone, "usb")
		if _, err := r.Take(context.Background(), "usb"); err == nil || !strings.Contains(err.Error(), "speakers") {
			t.Errorf("take of an output that is gone: %v", err)
		}
		if route := live.Take(t, r, ""); route.OutputID != "other" {
			t.Errorf("route without it: %+v", route)
		}
		if err := r.Release(context.Background()); err != nil {
			t.Error(err)
		}
		if d := s.DefaultSink(); d != "other" {
			t.Errorf("default after all is %q", d)
		}
	})
}
