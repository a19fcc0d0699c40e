//go:build linux

// Package live runs a test on real sound servers of its own, each kind in turn.
package live

import (
	"context"
	"sync/atomic"
	"testing"
	"time"

	"cushwright/engine"
	"cushwright/platform/soundtest"
)

// OnEach runs a test on a private server of each kind, with two outputs: `speakers` (default) and `other`.
func OnEach(t *testing.T, f func(t *testing.T, s *soundtest.Server)) {
	for _, kind := range soundtest.Kinds {
		t.Run(kind, func(t *testing.T) {
			s := soundtest.Start(t, kind)
			s.Use(t)
			s.AddSink("speakers", 48000, 2)
			s.AddSink("other", 44100, 2)
			s.SetDefault("speakers")
			f(t, s)
		})
	}
}

// Take takes the route, and fails the test if it cannot.
func Take(t testing.TB, r engine.Router, output string) engine.Route {
	t.Helper()
	route, err := r.Take(context.Background(), output)
	if err != nil {
		t.Fatal(err)
	}
	return route
}

// Eventually waits until ok, up to 5 s, and fails with what is the case instead.
func Eventually(t testing.TB, what string, ok func() (bool, any)) {
	t.Helper()
	deadline := time.Now().Add(5 * time.Second)
	for {
		done, got := ok()
		if done {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("%s: not so after 5 s, but %v", what, got)
		}
		time.Sleep(5 * time.Millisecond)
	}
}

// StreamOn is the output that a stream plays to.
func StreamOn(s *soundtest.Server, index uint32) string {
	for _, in := range s.SinkInputs() {
		if in.Index == index {
			return in.Sink
		}
	}
	return "(gone)"
}

// AwaitEvent waits up to 5 s for an event of the kind.
func AwaitEvent(t testing.TB, r engine.Router, kind engine.RouteEventKind, detail string) {
	t.Helper()
	late := time.After(5 * time.Second)
	for {
		select {
		case e := <-r.Events():
			if e.Kind == kind {
				if detail != "" && e.Detail != detail {
					t.Errorf("event %d says %q, want %q", kind, e.Detail, detail)
				}
				return
			}
			t.Logf("event %+v while waiting for kind %d", e, kind)
		case <-late:
			t.Fatalf("no event of kind %d within 5 s", kind)
		}
	}
}

// Counted is a Request with an Outlet that has sound for all that is owed. It is asked for when Playback stands.
func Counted(r engine.Request) engine.Request {
	o, play := &outlet{}, r.Playback
	r.Outlet = o
	r.Playback = func(out []float32) {
		play(out)
		o.owed = max(0, o.owed-len(out)/2)
	}
	return r
}

// outlet counts on the driver's playback thread.
type outlet struct{ owed int }

func (o *outlet) Ask(frames int) { o.owed += frames }
func (o *outlet) Owed() int      { return o.owed }
func (o *outlet) Due() int       { return o.owed }

// Request asks for streams whose callbacks count frames.
func Request(capture, output string, captured, played *atomic.Int64) engine.Request {
	return engine.Request{
		CaptureID: capture, OutputID: output, RateHz: 48000, CaptureFrames: 480, OutputFrames: 1920,
		Capture:  func(in []float32) { captured.Add(int64(len(in) / 2)) },
		Playback: func(out []float32) { clear(out); played.Add(int64(len(out) / 2)) },
	}
}
