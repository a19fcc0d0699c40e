// Package sim is a simulated pair of devices: for the demonstration on a machine without sound, and for tests. Signals
// come from a function and go to a function; the two clocks can differ and faults can be injected.
package sim

import (
	"errors"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"time"

	"cushwright/engine"
)

// Driver simulates one capture and one playback device on a clock that runs Speed times as fast as real time.
// Its goroutine plays the part of both device threads.
type Driver struct {
	// Source fills its slice with stereo frames, the first of which has number frame. Nil: silence.
	Source func(frame uint64, in []float32)
	// Sink takes the output's frames; it must not hold on to the slice. Nil: dropped.
	Sink func(frame uint64, out []float32)
	// Speed of the simulated clock against real time; 0 means as fast as it goes.
	Speed float64
	// CapturePPM is how much faster the capture clock runs than the playback clock.
	CapturePPM float64
	// JitterMS is how late a callback comes at most; each is late by another part of it.
	JitterMS float64
	// Buffered makes the output a server's: a buffer of OutputFrames, of which it takes and asks for a quarter at a
	// time, and which may run low while the capture is late.
	Buffered bool
	// Buffers, where it has a capture period, is the plan for every delay.
	Buffers engine.Plan

	OpenErr atomic.Pointer[engine.Error] // returned by Open while set
	dead    atomic.Bool
	opened  atomic.Int64
	lose    atomic.Int64 // capture periods still to be lost
	now     atomic.Int64 // ns of simulated time
}

// Now implements engine.Clocked: it is the time at which the callback under way comes, on the playback clock.
func (d *Driver) Now() int64 { return d.now.Load() }

// Plan implements engine.Planner.
func (d *Driver) Plan(engine.Delay, int) engine.Plan {
	if d.Buffers.CaptureFrames > 0 {
		return d.Buffers
	}
	return engine.Plan{CaptureFrames: 480, KeepFrames: 960, OutputFrames: []int{1920}}
}

// Lose drops the next periods of the capture device, as a busy machine does.
func (d *Driver) Lose(periods int) { d.lose.Add(int64(periods)) }

// Name implements engine.Driver.
func (d *Driver) Name() string { return "simulated" }

// Devices implements engine.Driver.
func (d *Driver) Devices() ([]engine.Device, error) {
	return []engine.Device{
		{ID: "simulated-capture", Name: "simulated system sound", RateHz: 48000, Channels: 2, Capture: true, Monitor: true},
		{ID: "simulated-output", Name: "simulated headphones", RateHz: 48000, Channels: 2, Playback: true, Default: true},
	}, nil
}

// Stall makes the callbacks cease, as they do when a sound server dies; Revive lets streams opened from then on run.
func (d *Driver) Stall() { d.dead.Store(true) }

// Revive ends a Stall for streams opened from now on.
func (d *Driver) Revive() { d.dead.Store(false) }

// Opened is the number of streams opened so far.
func (d *Driver) Opened() int { return int(d.opened.Load()) }

// Open implements engine.Driver.
func (d *Driver) Open(r engine.Request) (engine.Stream, error) {
	if e := d.OpenErr.Load(); e != nil {
		return nil, e
	}
	if r.RateHz <= 0 || r.CaptureFrames <= 0 || r.OutputFrames <= 0 {
		return nil, &engine.Error{Action: "open", Object: r.OutputID, Reaction: engine.GiveUp,
			Err: errors.New("rate and periods must be positive")}
	}
	d.opened.Add(1)
	s := &stream{stop: make(chan struct{})}
	s.wg.Add(1)
	go s.run(d, r)
	return s, nil
}

type stream struct {
	stop chan struct{}
	once sync.Once
	wg   sync.WaitGroup
}

func (s *stream) DelayFrames() int { return 0 }

func (s *stream) Close() error {
	s.once.Do(func() { close(s.stop) })
	s.wg.Wait()
	return nil
}

// output is the playback device: it takes its next period.
type output interface {
	period() int           // frames that it takes at a time
	want()                 // it wants a period
	captured()             // there is more to be had
	take() (out []float32) // the period that it plays; valid until the next call
}

// plain asks by the callback alone, and plays what it is given.
type plain struct {
	r   engine.Request
	out []float32
}

func (p *plain) period() int     { return p.r.OutputFrames }
func (p *plain) want()           { p.r.Playback(p.out) }
func (p *plain) captured()       {}
func (p *plain) take() []float32 { return p.out }

// buffered plays from a buffer, which is filled up as far as there is sound for it, and in full before it runs dry.
type buffered struct {
	r   engine.Request
	buf []float32 // what it holds
	out []float32
}

func newBuffered(r engine.Request) *buffered {
	return &buffered{r: r, buf: make([]float32, 2*r.OutputFrames), out: make([]float32, 2*(r.OutputFrames/4))}
}

func (b *buffered) period() int { return len(b.out) / 2 }

func (b *buffered) take() []float32 { return b.out }

func (b *buffered) want() {
	clear(b.out)
	n := copy(b.out, b.buf)
	b.buf = b.buf[:copy(b.buf, b.buf[n:])]
	if b.r.Outlet.Ask(b.period()); n < len(b.out) {
		b.r.Underflow()
		b.r.Gap()
	}
	b.settle()
}

func (b *buffered) captured() { b.settle() }

// settle fills the buffer as far as there is sound for it, and in full where less than a period is left of it.
func (b *buffered) settle() {
	owed := b.r.Outlet.Owed()
	if owed == 0 {
		return
	}
	n := b.r.Outlet.Due()
	if owed > b.r.OutputFrames-b.period() {
		n = owed
	}
	if n > 0 {
		at := len(b.buf)
		b.buf = append(b.buf, make([]float32, 2*n)...)
		b.r.Playback(b.buf[at:])
	}
}

func (s *stream) run(d *Driver, r engine.Request) {
	defer s.wg.Done()
	in := make([]float32, 2*r.CaptureFrames)
	var out output = &plain{r, make([]float32, 2*r.OutputFrames)}
	if d.Buffered {
		out = newBuffered(r)
	}
	var capt, play uint64
	rnd := rand.New(rand.NewPCG(1, 2))
	late := func() float64 { return rnd.Float64() * d.JitterMS * 1e6 }
	zero := d.now.Load()
	start := time.Now()
	// when a period has been captured, and when the output wants its next one, ns
	captured := func() float64 {
		return float64(capt+uint64(r.CaptureFrames)) / (float64(r.RateHz) * (1 + d.CapturePPM*1e-6)) * 1e9
	}
	wanted := func() float64 { return float64(play) / float64(r.RateHz) * 1e9 }
	nextIn, nextOut := captured()+late(), wanted()+late()
	for {
		select {
		case <-s.stop:
			return
		default:
		}
		if d.dead.Load() {
			<-s.stop
			return
		}
		if nextIn <= nextOut {
			d.now.Store(max(d.now.Load(), zero+int64(nextIn)))
			clear(in)
			if d.Source != nil {
				d.Source(capt, in)
			}
			if d.lose.Load() > 0 {
				d.lose.Add(-1)
			} else {
				r.Capture(in)
				out.captured()
			}
			capt += uint64(r.CaptureFrames)
			nextIn = max(nextIn, captured()+late())
			continue
		}
		d.now.Store(max(d.now.Load(), zero+int64(nextOut)))
		out.want()
		if d.Sink != nil {
			d.Sink(play, out.take())
		}
		play += uint64(out.period())
		nextOut = max(nextOut, wanted()+late())
		if d.Speed > 0 {
			due := start.Add(time.Duration(float64(play) / float64(r.RateHz) / d.Speed * float64(time.Second)))
			if wait := time.Until(due); wait > 0 {
				time.Sleep(wait)
			}
		}
	}
}
