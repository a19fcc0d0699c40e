package engine_test

import (
	"context"
	"errors"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"cushwright/engine"
	"cushwright/engine/sim"
)

// standing is a simulated pair of devices whose calls can stand still, or fail.
type standing struct {
	sim.Driver
	mu    sync.Mutex
	still map[string]chan struct{} // by call: it waits for this to be closed
	in    chan string              // the calls that stand still

	opens     atomic.Int64
	err       atomic.Pointer[engine.Error] // of Open, so many times more
	errs      atomic.Int64
	underflow atomic.Pointer[func()]
}

func newStanding() *standing {
	d := &standing{still: map[string]chan struct{}{}, in: make(chan string, 8)}
	d.Speed = 5
	d.Buffers = engine.Plan{CaptureFrames: 480, KeepFrames: 960, OutputFrames: []int{960, 1440}}
	return d
}

// hold lets a call stand still until the returned function is called.
func (d *standing) hold(call string) (release func()) {
	c := make(chan struct{})
	d.mu.Lock()
	d.still[call] = c
	d.mu.Unlock()
	return sync.OnceFunc(func() {
		d.mu.Lock()
		delete(d.still, call)
		d.mu.Unlock()
		close(c)
	})
}

func (d *standing) pass(call string) {
	d.mu.Lock()
	c := d.still[call]
	d.mu.Unlock()
	if c != nil {
		d.in <- call
		<-c
	}
}

func (d *standing) Open(r engine.Request) (engine.Stream, error) {
	d.opens.Add(1)
	d.pass("open")
	if d.errs.Add(-1) >= 0 {
		return nil, d.err.Load()
	}
	d.underflow.Store(&r.Underflow)
	s, err := d.Driver.Open(r)
	return standingStream{s, d}, err
}

type standingStream struct {
	engine.Stream
	d *standing
}

func (s standingStream) Close() error { s.d.pass("close"); return s.Stream.Close() }

func (s standingStream) Resize(frames int) (int, error) { s.d.pass("resize"); return frames, nil }

// Whichever call of the driver stands still, requests are answered meanwhile, and what they ask for holds afterwards.
func TestRequestsWhileTheDriverStandsStill(t *testing.T) {
	for _, call := range []string{"open", "resize", "close", "close at the end"} {
		t.Run(call, func(t *testing.T) {
			d := newStanding()
			name := call
			if call == "close at the end" {
				name = "close"
			}
			a := engine.Selection{Cushion: "a", Correction: correction(t, 0)}
			s, cancel, done := start(t, d, nil, settings(), a)
			eventually(t, "running", func() bool { return s.Status().State == engine.Running })
			release := d.hold(name)
			defer release()
			switch call {
			case "resize": // the server runs dry again and again: a start settles first
				ctx, stop := context.WithCancel(t.Context())
				defer stop()
				go func() {
					for ctx.Err() == nil {
						(*d.underflow.Load())()
						time.Sleep(100 * time.Millisecond)
					}
				}()
			case "open", "close":
				if err := s.Reopen(t.Context(), "a test"); err != nil {
					t.Fatal(err)
				}
			default:
				cancel()
			}
			select {
			case <-d.in:
			case <-time.After(10 * time.Second):
				t.Fatalf("%s was not called", name)
			}
			ctx, stop := context.WithTimeout(t.Context(), 5*time.Second)
			defer stop()
			on := true
			if got, err := s.Bypass(ctx, &on); err != nil || !got {
				t.Fatalf("bypass: %v, %v", got, err)
			}
			if err := s.Select(ctx, engine.Selection{Cushion: "b", Correction: correction(t, -6)}); err != nil {
				t.Fatal(err)
			}
			if st := s.Status(); !st.Bypass || st.Cushion != "b" || st.HeadroomDB != -6 {
				t.Errorf("meanwhile the status is %+v", st)
			}
			release()
			if call == "close at the end" {
				if err := <-done; err != nil {
					t.Error(err)
				}
				return
			}
			eventually(t, "running", func() bool {
				st := s.Status()
				return st.State == engine.Running && st.Bypass && st.Cushion == "b"
			})
			cancel()
			if err := <-done; err != nil {
				t.Error(err)
			}
		})
	}
}

// The error of a call that may succeed in a moment is answered by the same call, a few times: a start does not fail
// of it. Another error is not.
func TestRetryIsTheSameCallAgain(t *testing.T) {
	for _, c := range []struct {
		reaction engine.Reaction
		errs     int64
		opens    int64
		fails    bool
	}{
		{engine.Retry, 1, 2, false},
		{engine.Retry, 2, 3, false},
		{engine.Retry, 9, 3, true},
		{engine.Reopen, 1, 1, true},
		{engine.GiveUp, 1, 1, true},
	} {
		d := newStanding()
		d.err.Store(&engine.Error{Action: "open", Object: "x", Reaction: c.reaction, Err: errors.New("a test")})
		d.errs.Store(c.errs)
		s, cancel, done := start(t, d, nil, settings(), engine.Selection{Correction: correction(t, 0)})
		if c.fails {
			if err := <-done; err == nil {
				t.Errorf("%+v: it did not fail", c)
			}
		} else {
			eventually(t, "running", func() bool { return s.Status().State == engine.Running })
			if got := s.Status().Reopened; got != 0 {
				t.Errorf("%+v: reopened %d times", c, got)
			}
			cancel()
			if err := <-done; err != nil {
				t.Error(err)
			}
		}
		if got := d.opens.Load(); got != c.opens {
			t.Errorf("%+v: opened %d times", c, got)
		}
	}
}

// A caller that does not wait for the answer and the supervisor that gives it touch nothing in common (for the race
// detector).
func TestCallersThatDoNotWait(t *testing.T) {
	s, _, _ := start(t, &sim.Driver{Speed: 5}, nil, settings(), engine.Selection{Correction: correction(t, 0)})
	eventually(t, "running", func() bool { return s.Status().State == engine.Running })
	given, missed := 0, 0
	for k := range 3000 {
		ctx, cancel := context.WithCancel(t.Context())
		go func() {
			for range k % 50 {
				_ = s.Status()
			}
			cancel()
		}()
		want := k%2 == 0
		on, err := s.Bypass(ctx, &want)
		switch {
		case err == nil && on == want:
			given++
		case err != nil && !on:
			missed++
		default:
			t.Fatalf("bypass %v: %v, %v", want, on, err)
		}
		cancel()
	}
	t.Logf("%d answers were given, %d not waited for", given, missed)
	if given == 0 || missed == 0 {
		t.Error("both should happen")
	}
}

// What is selected while no stream is open is compiled first: what cannot be is refused, and the opening goes on with
// what there was.
func TestSelectWhileNothingIsOpen(t *testing.T) {
	r := &router{events: make(chan engine.RouteEvent, 1)}
	c := make(chan struct{})
	r.hold.Store(&c)
	set := settings()
	set.Capture, set.Output = "", ""
	s, _, done := start(t, &sim.Driver{Speed: 5}, r, set, engine.Selection{Cushion: "a", Correction: correction(t, -3)})
	eventually(t, "opening", func() bool { return s.Status().State == engine.Opening })
	if err := s.Select(t.Context(), engine.Selection{Cushion: "no correction"}); err == nil {
		t.Error("a selection that cannot be compiled is accepted")
	}
	if st := s.Status(); st.Cushion != "a" {
		t.Errorf("the cushion is %q", st.Cushion)
	}
	r.hold.Store(nil)
	close(c)
	eventually(t, "running", func() bool {
		select {
		case err := <-done:
			t.Fatal("it ended: ", err)
		default:
		}
		return s.Status().State == engine.Running
	})
	if st := s.Status(); st.Cushion != "a" || st.HeadroomDB != -3 {
		t.Errorf("status %+v", st)
	}
}

// asking is a driver whose first streams are owed more and more, and break.
type asking struct {
	sim.Driver
	owed chan int // at each opening
}

func (d *asking) Open(r engine.Request) (engine.Stream, error) {
	d.owed <- r.Outlet.Owed()
	if d.Opened() > 0 {
		return d.Driver.Open(r)
	}
	play, periods := r.Playback, 0
	r.Playback = func(out []float32) {
		play(out)
		r.Outlet.Ask(len(out))
		if periods++; periods == 100 {
			r.Lost(errors.New("the server ended the stream"))
		}
	}
	return d.Driver.Open(r)
}

// What the streams before were owed when they broke is nothing to those after.
func TestNothingIsOwedToNewStreams(t *testing.T) {
	d := &asking{owed: make(chan int, 16)}
	d.Speed = 5
	s, _, _ := start(t, d, nil, settings(), engine.Selection{Correction: correction(t, 0)})
	for i := range 2 {
		select {
		case got := <-d.owed:
			if got != 0 {
				t.Errorf("opening %d: %d frames are owed", i+1, got)
			}
		case <-time.After(10 * time.Second):
			t.Fatalf("opening %d does not come", i+1)
		}
	}
	eventually(t, "running", func() bool { return s.Status().State == engine.Running })
}
