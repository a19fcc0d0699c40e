//go:build linux

package platform

import (
	"context"
	"errors"
	"math"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"cushwright/engine"
	"cushwright/platform/internal/live"
	"cushwright/platform/soundtest"
)

func TestDevices(t *testing.T) {
	live.OnEach(t, func(t *testing.T, s *soundtest.Server) {
		d, err := NewDriver("")
		if err != nil {
			t.Fatal(err)
		}
		if !strings.EqualFold(d.Name(), s.Kind) {
			t.Errorf("driver %q on %s", d.Name(), s.Kind)
		}
		all, err := d.Devices()
		if err != nil {
			t.Fatal(err)
		}
		got := map[string]engine.Device{}
		for _, dev := range all {
			got[dev.ID] = dev
		}
		for _, want := range []engine.Device{
			{ID: "speakers", Name: "Test output speakers", Playback: true, Default: true, RateHz: 48000, Channels: 2},
			{ID: "other", Name: "Test output other", Playback: true, RateHz: 44100, Channels: 2},
			{ID: "other.monitor", Name: "Monitor of Test output other", Capture: true, Monitor: true, RateHz: 44100, Channels: 2},
		} {
			if got[want.ID] != want {
				t.Errorf("%+v, want %+v", got[want.ID], want)
			}
		}
	})
}

// What the playback callback writes arrives at the output, and what the capture callback gets is what its source plays.
func TestStreams(t *testing.T) {
	live.OnEach(t, func(t *testing.T, s *soundtest.Server) {
		d, err := NewDriver("")
		if err != nil {
			t.Fatal(err)
		}
		const peakIn, peakOut = 0.25, 0.5
		s.PlayFunc("speakers", 48000, soundtest.Sine(1000, 48000, peakIn))
		var captured, played atomic.Int64
		var top atomic.Uint32
		out := soundtest.Sine(500, 48000, peakOut)
		req := live.Request("speakers.monitor", "other", &captured, &played)
		req.Capture = func(in []float32) {
			captured.Add(int64(len(in) / 2))
			for _, v := range in {
				top.Store(max(top.Load(), math.Float32bits(max(v, 0)))) // positive floats sort as their bits do
			}
		}
		req.Playback = func(o []float32) {
			played.Add(int64(len(o) / 2))
			for i := 0; i+1 < len(o); i += 2 {
				o[i], o[i+1], _ = out()
			}
		}
		st, err := d.Open(live.Counted(req))
		if err != nil {
			t.Fatal(err)
		}
		if st.DelayFrames() < 480 {
			t.Errorf("delay of %d frames", st.DelayFrames())
		}
		rec := s.Record("other.monitor", 44100)
		live.Eventually(t, "frames run", func() (bool, any) {
			n := [3]int64{captured.Load(), played.Load(), int64(rec.Frames())}
			return n[0] > 24000 && n[1] > 24000 && n[2] > 24000, n
		})
		in := rec.Stop()
		l, r := soundtest.LevelDB(in[len(in)-2*4410:])
		want := 20*math.Log10(peakOut) - 10*math.Log10(2)
		if math.Abs(l-want) > 0.2 || math.Abs(r-want) > 0.2 {
			t.Errorf("played at %.2f, %.2f dB, want %.2f", l, r, want)
		}
		if got := math.Float32frombits(top.Load()); math.Abs(float64(got)-peakIn) > 0.005 {
			t.Errorf("captured a peak of %.4f, want %.4f", got, peakIn)
		}
		for range 2 {
			if err := st.Close(); err != nil {
				t.Error(err)
			}
		}
		at := captured.Load() + played.Load()
		time.Sleep(50 * time.Millisecond)
		if now := captured.Load() + played.Load(); now != at {
			t.Errorf("callbacks after Close")
		}
		if _, err := d.Open(live.Counted(live.Request("no-such-source", "other", &captured, &played))); err == nil || !strings.Contains(err.Error(), "no-such-source") {
			t.Errorf("no such source: %v", err)
		}
	})
}

// The data callbacks of the driver allocate nothing themselves.
func TestCallbackAllocations(t *testing.T) {
	s := soundtest.Start(t, soundtest.PulseAudio)
	s.Use(t)
	s.AddSink("speakers", 48000, 2)
	d, err := NewDriver("")
	if err != nil {
		t.Fatal(err)
	}
	var captured, played atomic.Int64
	st, err := d.Open(live.Counted(live.Request("speakers.monitor", "speakers", &captured, &played)))
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	live.Eventually(t, "frames run", func() (bool, any) { n := captured.Load(); return n > 4800 && played.Load() > 4800, n })
	before := captured.Load()
	allocs := testing.AllocsPerRun(1, func() { time.Sleep(300 * time.Millisecond) }) // counts the whole process
	callbacks := float64(captured.Load()-before) / 480 / 2                           // of capture alone, in each of two runs
	t.Logf("%v allocations in the process while %v captures ran", allocs, callbacks)
	if allocs > callbacks/2 {
		t.Errorf("%v allocations while %v capture callbacks ran", allocs, callbacks)
	}
}

// A server that dies: the router says so, the streams close, and after its restart all comes back with a new
// connection.
func TestServerGone(t *testing.T) {
	live.OnEach(t, func(t *testing.T, s *soundtest.Server) {
		r := newRouter(t)
		route := live.Take(t, r, "")
		d, err := NewDriver("")
		if err != nil {
			t.Fatal(err)
		}
		var captured, played atomic.Int64
		st, err := d.Open(live.Counted(live.Request(route.CaptureID, route.OutputID, &captured, &played)))
		if err != nil {
			t.Fatal(err)
		}
		live.Eventually(t, "frames run", func() (bool, any) { n := played.Load(); return n > 4800, n })
		s.Kill()
		live.AwaitEvent(t, r, engine.ServerGone, "")
		began := time.Now()
		st.Close() // may say that it had to leave the streams behind
		if d := time.Since(began); d > 5*time.Second {
			t.Errorf("Close took %v", d)
		}
		began = time.Now()
		_, err = r.Take(context.Background(), "")
		var e *engine.Error
		if !errors.As(err, &e) || e.Reaction != engine.Reopen || strings.Contains(err.Error(), "\n") || !strings.Contains(err.Error(), s.Socket()) {
			t.Errorf("take without a server: %v", err)
		}
		if d := time.Since(began); d > 5*time.Second {
			t.Errorf("the error took %v", d)
		}
		if _, err := d.Open(live.Counted(live.Request("", "", &captured, &played))); !errors.As(err, &e) || e.Reaction != engine.Reopen {
			t.Errorf("open without a server: %v", err)
		}

		s.Restart()
		s.AddSink("speakers", 48000, 2)
		s.SetDefault("speakers")
		if again := live.Take(t, r, ""); again != route {
			t.Errorf("after the restart %+v, before %+v", again, route)
		}
		st, err = d.Open(live.Counted(live.Request(route.CaptureID, route.OutputID, &captured, &played)))
		if err != nil {
			t.Fatal(err)
		}
		c, p := captured.Load(), played.Load()
		live.Eventually(t, "frames run again", func() (bool, any) {
			return captured.Load() > c+4800 && played.Load() > p+4800, []int64{captured.Load() - c, played.Load() - p}
		})
		if err := st.Close(); err != nil {
			t.Error(err)
		}
		if err := r.Release(context.Background()); err != nil {
			t.Error(err)
		}
		if got := s.DefaultSink(); got != "speakers" {
			t.Errorf("default after all is %q", got)
		}
	})
}
