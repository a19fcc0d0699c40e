package engine

import (
	"context"
	"fmt"
	"log/slog"
	"sync/atomic"
	"time"

	"cushwright/dsp"
	"cushwright/engine/live"
)

// Session is one engine. Run drives it; the other methods may be called from any goroutine at any time and only send
// requests or read atomics.
type Session struct {
	// owner: nobody; they never change
	driver   Driver
	router   Router // nil: there is none
	log      *slog.Logger
	meters   *live.Meters // its fields have owners of their own
	requests chan func(*supervisor)
	done     chan struct{} // closed when Run has ended

	// owner: the supervisor, who stores; everybody reads
	status atomic.Pointer[Status]
	path   atomic.Pointer[live.Path] // of the open streams; nil: there are none

	sup *supervisor // owner: Run
}

// supervisor is a session's own goroutine, that of Run, and what belongs to it.
//
// Owner of every field: that goroutine.
type supervisor struct {
	*Session
	asked     Settings // as given
	set       Settings // as in force
	sel       Selection
	level     level // of sel, as compiled
	state     State
	route     Route
	stream    Stream // nil: none is open
	wishes    live.Wishes
	muted     bool
	aside     bool
	leaving   bool // the streams are about to be closed
	reopened  int
	lastErr   string
	pause     time.Duration // before the next attempt
	reopenFor string        // why the streams must be reopened; empty: they need not
	chains    dsp.Options   // how the chains of the open streams are compiled: all alike, or a crossfade mixes delays
	delay     int           // of the streams, frames, as the driver said last
	lost      chan error
	buffers   buffers
}

// New makes a session. router may be nil: then Settings must name both devices.
func New(driver Driver, router Router, set Settings, sel Selection, log *slog.Logger) *Session {
	set.fill()
	s := &Session{driver: driver, router: router, log: log, meters: &live.Meters{},
		requests: make(chan func(*supervisor), 16), done: make(chan struct{})}
	s.sup = &supervisor{Session: s, asked: set, set: set, sel: sel, pause: shortestPause}
	if p, err := compile(sel, set.Delay.chains(), set.Match, float64(set.RateHz)); err == nil { // otherwise Run says so
		s.sup.level = p.level
	}
	s.sup.publish()
	return s
}

// The pauses between two attempts. The longest one is short enough for streams to be open within a second after what is
// missing is back.
const (
	shortestPause = 100 * time.Millisecond
	longestPause  = 500 * time.Millisecond
)

// releaseTime bounds how long a router may take to put the sound routing back.
const releaseTime = 3 * time.Second

// Run opens the session and supervises it until the context ends (nil is returned) or it fails. It may be called once.
func (s *Session) Run(ctx context.Context) error {
	defer close(s.done)
	return s.sup.run(ctx)
}

func (v *supervisor) run(ctx context.Context) error {
	for happened, cause := begun, error(nil); ; {
		to, do := next(v.state, happened)
		v.log.Debug("state", "from", v.state, "event", happened, "to", to, "action", do)
		v.note(happened, cause)
		if do != fail && do != leave {
			v.enter(to)
		}
		switch do {
		case open:
			happened, cause = v.open(ctx)
		case reopen:
			v.close(true)
			happened, cause = v.open(ctx)
		case again:
			v.close(false)
			v.rest(ctx, v.pause)
			v.pause = min(2*v.pause, longestPause)
			happened, cause = v.open(ctx)
		case watch:
			happened, cause = v.watch(ctx)
		case fail:
			if cause == nil {
				cause = fmt.Errorf("engine: run: %v while %v", happened, v.state)
			}
			v.close(false)
			v.enter(to)
			v.release()
			return cause
		case leave:
			v.close(true)
			err := v.release()
			v.enter(to)
			return err
		}
	}
}

// note keeps and logs what has happened.
func (v *supervisor) note(happened event, cause error) {
	switch {
	case happened == sounding:
		if v.state == Recovering {
			v.log.Info("sound is back", "output", v.route.OutputName, "rate_hz", v.route.RateHz)
		}
		v.lastErr, v.pause = "", shortestPause
		return
	case happened == disturbed:
		v.reopened++
		v.log.Warn("reopening", "cause", cause)
	case happened == troubled && v.state == Recovering && cause.Error() != v.lastErr:
		v.log.Warn("not back yet", "cause", cause)
	}
	if cause != nil {
		v.lastErr = cause.Error()
	}
}

func (v *supervisor) enter(to State) {
	v.state = to
	v.publish()
}

// release puts the sound routing back.
func (v *supervisor) release() error {
	if v.router == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), releaseTime)
	defer cancel()
	_, err := wait(v, func() (struct{}, error) { return struct{}{}, v.router.Release(ctx) })
	return err
}
