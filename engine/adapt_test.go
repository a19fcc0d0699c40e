package engine

import (
	"bytes"
	"log/slog"
	"strings"
	"testing"
	"time"

	"cushwright/dsp"
)

// buffered is a driver whose output's buffer can change.
type buffered struct {
	sizes  []int
	inStep bool
	asked  Request
}

func (b *buffered) Name() string                   { return "buffered" }
func (b *buffered) Devices() ([]Device, error)     { return nil, nil }
func (b *buffered) Open(r Request) (Stream, error) { b.asked = r; return b, nil }
func (b *buffered) Close() error                   { return nil }
func (b *buffered) DelayFrames() int               { return b.sizes[len(b.sizes)-1] }
func (b *buffered) Plan(d Delay, _ int) Plan {
	if d == DelayLow {
		return Plan{CaptureFrames: 96, KeepFrames: 192, OutputFrames: []int{240}}
	}
	return Plan{CaptureFrames: 192, KeepFrames: 384, OutputFrames: []int{480, 720, 960}, InStep: b.inStep}
}
func (b *buffered) Resize(n int) (int, error) { b.sizes = append(b.sizes, n); return n, nil }

// opened is a supervisor with open streams of a driver that never calls by itself.
func (b *buffered) opened(t *testing.T, d Delay) *supervisor {
	t.Helper()
	c, err := dsp.NewCorrection(nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	set := Settings{Output: "out", Capture: "in", Delay: d, RateHz: 48000}
	s := New(b, nil, set, Selection{Correction: c}, slog.New(slog.DiscardHandler))
	b.sizes = []int{b.Plan(d, 48000).OutputFrames[0]}
	if err := s.sup.openStreams(t.Context()); err != nil {
		t.Fatal(err)
	}
	return s.sup
}

// play lets some callbacks come, with as much captured as is played.
func (b *buffered) play(callbacks int) {
	in, out := make([]float32, 2*480), make([]float32, 2*480)
	for range callbacks {
		b.asked.Capture(in)
		b.asked.Playback(out)
	}
}

// dry lets the server run dry until it has done so as often as is wanted.
func (v *supervisor) dry(times uint64) {
	for v.meters.Underflows() < times {
		v.meters.Underflow()
	}
}

// Where capture and playback are in step, a larger buffer takes nothing from the ring, and follows at once.
func TestBufferGrowsInStep(t *testing.T) {
	b := &buffered{inStep: true}
	v := b.opened(t, DelayNormal)
	v.dry(1)
	v.adapt(time.Now())
	if b.DelayFrames() != 720 {
		t.Errorf("the buffer is %d, want 720", b.DelayFrames())
	}
}

// A server that runs dry gets a larger buffer, once for each time it is seen to be dry, and a smaller one after ten
// calm minutes; nothing is concluded while a change settles, and "low" stays as it is. The ring comes before a larger
// buffer.
func TestBufferFollowsBreaks(t *testing.T) {
	at := func(s float64) time.Time { return time.Unix(0, 0).Add(time.Duration(s * float64(time.Second))) }
	type step struct {
		atS      float64
		dry      uint64 // times so far
		expected int    // the buffer after it
	}
	for _, c := range []struct {
		delay Delay
		steps []step
	}{
		{DelayNormal, []step{
			{0.5, 1, 480}, // the start is still settling
			{2, 1, 480},
			{3, 2, 720},
			{3.5, 3, 720}, // the change is settling
			{5, 4, 960},
			{7, 9, 960}, // there is no more
			{300, 9, 960},
			{606, 9, 960},
			{608, 9, 720},
			{608.5, 10, 720},
			{1208, 10, 720},
			{1211, 10, 480},
			{2000, 10, 480}, // there is no less
			{2001, 11, 720},
		}},
		{DelayLow, []step{{3, 2, 240}, {5, 9, 240}}},
	} {
		b := &buffered{}
		v := b.opened(t, c.delay)
		b.play(100)
		v.buffers.calm = at(1)
		for _, step := range c.steps {
			v.dry(step.dry)
			was := b.DelayFrames()
			for _, later := range []float64{0, 0.01, 0.05, 0.4} { // the ring has not come to it
				v.adapt(at(step.atS + later))
				if step.expected > was && b.DelayFrames() != was {
					t.Errorf("%s: at %.1f s the buffer grew before the ring", c.delay, step.atS)
				}
			}
			b.play(4)
			v.adapt(at(step.atS + 0.45))
			if got := b.DelayFrames(); got != step.expected {
				t.Fatalf("%s: at %.1f s after %d times dry the buffer is %d (%v), want %d",
					c.delay, step.atS, step.dry, got, b.sizes, step.expected)
			}
			largest := v.buffers.inForce.OutputFrames[len(v.buffers.inForce.OutputFrames)-1]
			if v.wishes.Grows != (step.expected < largest) {
				t.Errorf("%s: at %.1f s with %d of at most %d frames the ring hears that the buffer grows: %v",
					c.delay, step.atS, step.expected, largest, v.wishes.Grows)
			}
		}
		// what is in force outlives a reopening, and new settings begin anew
		req := Request{RateHz: 48000}
		if v.buffers.plan(b, v.set, &req); req.OutputFrames != b.DelayFrames() {
			t.Errorf("reopened with %d frames", req.OutputFrames)
		}
		if c.delay == DelayNormal {
			v.set.Delay = DelayLow
			if v.buffers.plan(b, v.set, &req); req.OutputFrames != 240 || req.CaptureFrames != 96 {
				t.Errorf("after the setting changed: %d and %d frames", req.OutputFrames, req.CaptureFrames)
			}
		}
	}
}

// Where the ring never comes to hold what a larger buffer takes, the buffer grows all the same.
func TestBufferGrowsWithoutTheRing(t *testing.T) {
	b := &buffered{}
	v := b.opened(t, DelayNormal) // no callback comes
	now := time.Now().Add(2 * settleTime)
	v.dry(1)
	v.adapt(now)
	v.adapt(now.Add(spareTime - time.Millisecond))
	if b.DelayFrames() != 480 {
		t.Errorf("the buffer is %d already", b.DelayFrames())
	}
	v.adapt(now.Add(spareTime))
	if b.DelayFrames() != 720 {
		t.Errorf("the buffer is %d, want 720", b.DelayFrames())
	}
}

// That the delay has grown is said once in words, and again only after it had shrunk; the status has by how much.
func TestGrownDelayIsToldOnce(t *testing.T) {
	var log bytes.Buffer
	b := &buffered{inStep: true}
	v := b.opened(t, DelayNormal)
	v.log = slog.New(slog.NewTextHandler(&log, nil))
	now := time.Now().Add(2 * settleTime)
	for i, k := range []struct {
		after   time.Duration
		dry     uint64
		grownMS float64
		told    int
	}{{0, 1, 5, 1}, {2 * settleTime, 2, 10, 1}, {2 * calmTime, 2, 5, 1}, {2 * calmTime, 2, 0, 1}, {2 * settleTime, 3, 5, 2}} {
		now = now.Add(k.after)
		v.dry(k.dry)
		v.adapt(now)
		if got := v.status.Load().GrownMS; got != k.grownMS {
			t.Errorf("step %d: grown by %g ms, want %g", i, got, k.grownMS)
		}
		if n := strings.Count(log.String(), "the delay grows"); n != k.told {
			t.Errorf("step %d: told %d times, want %d", i, n, k.told)
		}
	}
}
