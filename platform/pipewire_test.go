//go:build linux && cgo

package platform

import (
	"sync/atomic"
	"testing"

	"cushwright/engine"
	"cushwright/platform/soundtest"
)

// On PipeWire the streams belong to its graph, and where they never run the server protocol takes over.
func TestGraphAndItsStandIn(t *testing.T) {
	s := soundtest.Start(t, soundtest.PipeWire)
	s.AddSink("speakers", 48000, 2)
	s.AddSink("other", 48000, 2)
	s.SetDefault("speakers")
	s.Use(t)
	d, err := NewDriver("")
	if err != nil {
		t.Fatal(err)
	}
	g, ok := d.(*graph)
	if !ok {
		t.Fatalf("the driver is %T", d)
	}
	for _, dead := range []bool{false, true} {
		if dead { // as if the stream opened last had never run
			g.waiting = true
			g.proven.Store(false)
		}
		var captured, played atomic.Int64
		st, err := g.Open(request("speakers.monitor", "other", &captured, &played))
		if err != nil {
			t.Fatal(err)
		}
		if _, ok := st.(*graphStream); ok == dead {
			t.Errorf("after a dead stream: %v, the stream is %T", dead, st)
		}
		eventually(t, "both run", func() (bool, any) {
			n := [2]int64{captured.Load(), played.Load()}
			return n[0] > 9600 && n[1] > 9600, n
		})
		if g, ok := st.(*graphStream); ok {
			for _, n := range []int{1024, 128} {
				if _, err := g.Resize(n); err != nil {
					t.Fatal(err)
				}
				eventually(t, "the cycle follows", func() (bool, any) { return g.DelayFrames() == n, g.DelayFrames() })
			}
		}
		if err := st.Close(); err != nil {
			t.Error(err)
		}
	}
	if p, q := g.Plan(engine.DelayLow, 48000), g.native.Plan(engine.DelayLow, 48000); p.CaptureFrames != q.CaptureFrames {
		t.Errorf("plans %+v and %+v: the stand-in's buffers are not planned for", p, q)
	}
}
