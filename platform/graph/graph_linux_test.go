//go:build cgo

package graph

import (
	"sync"
	"sync/atomic"
	"testing"

	"cushwright/engine"
	"cushwright/platform/internal/live"
	"cushwright/platform/pulse"
	"cushwright/platform/soundtest"
)

func newDriver(t *testing.T) *Driver {
	t.Helper()
	server, name, err := pulse.Find("")
	if err != nil || name != "PipeWire" {
		t.Fatalf("found %q: %v", name, err)
	}
	g, ok := New(pulse.NewDriver(server, name), server).(*Driver)
	if !ok {
		t.Fatal("the library cannot be used: ", Missing())
	}
	return g
}

// On PipeWire the streams belong to its graph, and where they never run the server protocol takes over.
func TestGraphAndItsStandIn(t *testing.T) {
	s := soundtest.Start(t, soundtest.PipeWire)
	s.AddSink("speakers", 48000, 2)
	s.AddSink("other", 48000, 2)
	s.SetDefault("speakers")
	s.Use(t)
	g := newDriver(t)
	for _, dead := range []bool{false, true} {
		if dead { // as if the stream opened last had never run
			g.waiting = true
			g.proven.Store(false)
		}
		var captured, played atomic.Int64
		st, err := g.Open(live.Counted(live.Request("speakers.monitor", "other", &captured, &played)))
		if err != nil {
			t.Fatal(err)
		}
		if _, ok := st.(*stream); ok == dead {
			t.Errorf("after a dead stream: %v, the stream is %T", dead, st)
		}
		live.Eventually(t, "both run", func() (bool, any) {
			n := [2]int64{captured.Load(), played.Load()}
			return n[0] > 9600 && n[1] > 9600, n
		})
		if g, ok := st.(*stream); ok {
			for _, n := range []int{1024, 128} {
				if _, err := g.Resize(n); err != nil {
					t.Fatal(err)
				}
				live.Eventually(t, "the cycle follows", func() (bool, any) { return g.DelayFrames() == n, g.DelayFrames() })
			}
		}
		if err := st.Close(); err != nil {
			t.Error(err)
		}
	}
	if p, q := g.Plan(engine.DelayLow, 48000), g.Driver.Plan(engine.DelayLow, 48000); p.CaptureFrames != q.CaptureFrames {
		t.Errorf("plans %+v and %+v: the stand-in's buffers are not planned for", p, q)
	}
}

// In every cycle the capture's callback comes first and the playback takes as much right after it, so that no sound
// waits for the next cycle and none is missing; also where the graph changes its cycle.
func TestGraphInStep(t *testing.T) {
	s := soundtest.Start(t, soundtest.PipeWire)
	s.AddSink("speakers", 48000, 2)
	s.AddSink("other", 48000, 2)
	s.SetDefault("speakers")
	s.Use(t)
	g := newDriver(t)
	var captured, played, wrong, cycles atomic.Int64
	var sizes sync.Map
	between := int64(0) // what was captured and not played before a cycle; of the data thread
	req := live.Request("speakers.monitor", "other", &captured, &played)
	req.OutputFrames = g.Plan(engine.DelayLow, 48000).OutputFrames[0]
	req.Capture = func(in []float32) {
		if left := captured.Load() - played.Load(); left != between {
			between = left
			wrong.Add(1)
		}
		captured.Add(int64(len(in) / 2))
		cycles.Add(1)
		sizes.Store(int64(len(in)/2), true)
	}
	req.Playback = func(out []float32) {
		clear(out)
		played.Add(int64(len(out) / 2))
		if captured.Load()-played.Load() < between {
			wrong.Add(1)
		}
	}
	var gone atomic.Int64
	req.Underflow = func() { gone.Add(1) }
	st, err := g.Open(live.Counted(req))
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	live.Eventually(t, "it runs", func() (bool, any) { return cycles.Load() > 100, cycles.Load() })
	wrong.Store(0) // links come one after the other
	for _, n := range []int{1024, 128, 512, 128} {
		if _, err := st.(engine.Resizer).Resize(n); err != nil {
			t.Fatal(err)
		}
		live.Eventually(t, "the cycle follows", func() (bool, any) { return st.DelayFrames() == n, st.DelayFrames() })
		from := cycles.Load()
		live.Eventually(t, "it goes on", func() (bool, any) { return cycles.Load() > from+50, cycles.Load() })
	}
	for _, n := range []int64{1024, 128, 512} {
		if _, ok := sizes.Load(n); !ok {
			t.Errorf("no cycle of %d frames was seen", n)
		}
	}
	if n := wrong.Load(); n > 0 {
		t.Errorf("%d times in %d cycles the two callbacks were not in step", n, cycles.Load())
	}
	t.Logf("%d cycles, %d missed", cycles.Load(), gone.Load())
}
