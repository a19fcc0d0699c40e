package pulse_test

import (
	"context"
	"math"
	"slices"
	"sync"
	"testing"
	"time"

	"cushwright/engine"
	"cushwright/platform"
	"cushwright/platform/device"
	"cushwright/platform/internal/live"
	"cushwright/platform/soundtest"
)

// loop is the shortest engine: what is captured, times InputGain and held within full scale, goes to the output. It
// carries the sound by the driver under test.
func startLoop(t *testing.T, r engine.Router, route engine.Route) engine.Stream {
	t.Helper()
	d, err := platform.NewDriver("")
	if err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex // a test's luxury
	ring := make([]float32, 0, 1<<16)
	st, err := d.Open(live.Counted(engine.Request{
		CaptureID: route.CaptureID, OutputID: route.OutputID, RateHz: route.RateHz, CaptureFrames: 480, OutputFrames: 1920,
		Capture: func(in []float32) {
			g := r.InputGain()
			mu.Lock()
			defer mu.Unlock()
			if len(ring)+len(in) > 1<<14 { // after a stall
				ring = ring[:0]
			}
			for _, v := range in {
				ring = append(ring, max(-1, min(1, v*g)))
			}
		},
		Playback: func(out []float32) {
			mu.Lock()
			defer mu.Unlock()
			n := copy(out, ring)
			ring = ring[:copy(ring, ring[n:])]
			clear(out[n:])
		},
	}))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	return st
}

// levelNow records the source for a while and gives its level in each ear: the median of 10 ms windows, so that a
// crowded machine's gaps do not count.
func levelNow(t *testing.T, s *soundtest.Server, source string) (left, right float64) {
	t.Helper()
	rec := s.Record(source, 48000)
	live.Eventually(t, "recording", func() (bool, any) { n := rec.Frames(); return n > 19200, n })
	in := rec.Stop()
	var l, r []float64
	for in = in[len(in)-2*14400:]; len(in) >= 960; in = in[960:] {
		a, b := soundtest.LevelDB(in[:960])
		l, r = append(l, a), append(r, b)
	}
	slices.Sort(l)
	slices.Sort(r)
	return l[len(l)/2], r[len(r)/2]
}

// The virtual sink's volume and mute act as the output's, which alone sets what is heard.
func TestVolumeMirror(t *testing.T) {
	live.OnEach(t, func(t *testing.T, s *soundtest.Server) {
		s.SetVolume("speakers", 0.8)
		const peak = 0.1
		sineDB := 20*math.Log10(peak) - 10*math.Log10(2)
		s.PlayFunc("", 48000, soundtest.Sine(1000, 48000, peak))
		levelIs := func(what string, volL, volR float64) {
			t.Helper()
			var l, r float64
			live.Eventually(t, what+": level", func() (bool, any) {
				l, r = levelNow(t, s, "speakers.monitor")
				return math.Abs(l-(sineDB+60*math.Log10(volL))) < 0.1 && math.Abs(r-(sineDB+60*math.Log10(volR))) < 0.1, [2]float64{l, r}
			})
			t.Logf("%s: %.3f, %.3f dB, expected %.3f, %.3f", what, l, r, sineDB+60*math.Log10(volL), sineDB+60*math.Log10(volR))
		}
		levelIs("before", 0.8, 0.8)

		r, err := platform.NewRouter(platform.RouterOptions{})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { r.Release(context.Background()) })
		route := live.Take(t, r, "")
		stream := startLoop(t, r, route)
		levelIs("taken", 0.8, 0.8)
		virt, _ := levelNow(t, s, route.CaptureID)
		t.Logf("the virtual sink at volume 0.8 shows %.2f dB at its monitor: gain %.3f", virt, r.InputGain())
		if got := virt + 20*math.Log10(float64(r.InputGain())); math.Abs(got-sineDB) > 0.1 {
			t.Errorf("captured level times InputGain: %.2f dB, want %.2f", got, sineDB)
		}

		volumeIs := func(what, sink string, want []float64, mute bool) {
			t.Helper()
			live.Eventually(t, what+": volume of "+sink, func() (bool, any) {
				ch, m := s.Volume(sink)
				for i := range ch {
					if math.Abs(ch[i]-want[i]) > 2e-3 {
						return false, ch
					}
				}
				return m == mute, []any{ch, m}
			})
		}
		s.SetVolume(device.VirtualSink, 0.4)
		volumeIs("turned down", "speakers", []float64{0.4, 0.4}, false)
		levelIs("turned down", 0.4, 0.4)

		// Loud again: nothing on the way may be louder than the end.
		rec := s.Record("speakers.monitor", 48000)
		live.Eventually(t, "recording", func() (bool, any) { n := rec.Frames(); return n > 9600, n })
		s.SetVolume(device.VirtualSink, 0.9)
		volumeIs("turned up", "speakers", []float64{0.9, 0.9}, false)
		levelIs("turned up", 0.9, 0.9)
		s.SetVolume(device.VirtualSink, 0.5)
		volumeIs("down again", "speakers", []float64{0.5, 0.5}, false)
		levelIs("down again", 0.5, 0.5)
		var top float64
		for _, v := range rec.Stop() {
			top = max(top, math.Abs(float64(v)))
		}
		allowed := peak * math.Pow(0.9, 3)
		t.Logf("largest sample while turning: %.4f, at the louder volume %.4f", top, allowed)
		if top > allowed*1.02 {
			t.Errorf("a sample of %.4f while the volume was turned; at the louder volume the sine has %.4f", top, allowed)
		}

		s.SetMute(device.VirtualSink, true)
		volumeIs("muted", "speakers", []float64{0.5, 0.5}, true)
		s.SetMute(device.VirtualSink, false)
		volumeIs("unmuted", "speakers", []float64{0.5, 0.5}, false)
		levelIs("unmuted", 0.5, 0.5)

		// The other way: a knob at the device.
		s.SetVolume("speakers", 0.6)
		volumeIs("device turned", device.VirtualSink, []float64{0.6, 0.6}, false)
		levelIs("device turned", 0.6, 0.6)

		// Balance belongs to the output; the virtual sink stays even.
		s.SetVolume(device.VirtualSink, 0.6, 0.3)
		volumeIs("balance", "speakers", []float64{0.6, 0.3}, false)
		volumeIs("balance", device.VirtualSink, []float64{0.6, 0.6}, false)
		levelIs("balance", 0.6, 0.3)

		// Nothing, and back from nothing.
		s.SetVolume(device.VirtualSink, 0)
		volumeIs("nothing", "speakers", []float64{0, 0}, false)
		if g := float64(r.InputGain()); math.IsInf(g, 0) || math.IsNaN(g) {
			t.Errorf("gain %v at volume 0", g)
		}
		s.SetVolume(device.VirtualSink, 0.5)
		volumeIs("from nothing", "speakers", []float64{0.5, 0.5}, false)
		levelIs("from nothing", 0.5, 0.5)

		// No echo: left alone, nothing moves.
		time.Sleep(600 * time.Millisecond)
		volumeIs("left alone", "speakers", []float64{0.5, 0.5}, false)
		volumeIs("left alone", device.VirtualSink, []float64{0.5, 0.5}, false)

		// Turned up and released at once: what was put off is done.
		s.SetVolume(device.VirtualSink, 0.7)
		live.Eventually(t, "turned up", func() (bool, any) { v, _ := s.Volume(device.VirtualSink); return math.Abs(v[0]-0.7) < 1e-3, v })
		time.Sleep(20 * time.Millisecond)
		if err := stream.Close(); err != nil {
			t.Error(err)
		}
		if err := r.Release(context.Background()); err != nil {
			t.Error(err)
		}
		volumeIs("released", "speakers", []float64{0.7, 0.7}, false)
		levelIs("released", 0.7, 0.7)
	})
}
