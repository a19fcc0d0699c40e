package engine

import (
	"context"
	"errors"
	"fmt"
	"time"

	"cushwright/engine/live"
)

// leastCeilingDB is the lowest that a guard takes.
const leastCeilingDB = -20

// open takes the route, opens the streams and waits for the first sound.
func (v *supervisor) open(ctx context.Context) (event, error) {
	if ctx.Err() != nil {
		return ended, nil
	}
	v.reopenFor = "" // settings that change from here on ask for another opening
	err := v.openStreams(ctx)
	if err == nil {
		err = v.firstSound(ctx)
	}
	var e *Error
	switch {
	case ctx.Err() != nil:
		return ended, nil
	case err == nil:
		return sounding, nil
	case errors.As(err, &e) && e.Reaction == GiveUp:
		return hopeless, err
	}
	return troubled, err
}

func (v *supervisor) openStreams(ctx context.Context) error {
	route, gain, err := v.findRoute(ctx)
	if err != nil {
		return err
	}
	v.route = route
	req := Request{CaptureID: route.CaptureID, OutputID: route.OutputID, RateHz: route.RateHz, Lost: v.hearOfLoss()}
	v.buffers.plan(v.driver, v.set, &req)
	v.chains = v.set.Delay.chains()
	v.learnLevel(float64(route.RateHz))
	selected, match := v.sel, v.set.Match
	path, err := v.makePath(req, gain)
	if err != nil {
		return &Error{"open", req.OutputID, GiveUp, err}
	}
	req.Capture, req.Playback, req.Outlet = path.Capture, path.Render, path
	req.Underflow, req.Gap = path.Underflow, path.Gap
	stream, err := insist(ctx, v, func() (Stream, error) { return v.driver.Open(req) })
	if err != nil {
		return err
	}
	v.stream, v.delay = stream, stream.DelayFrames()
	v.path.Store(path)
	v.wish() // as requests have asked meanwhile
	if v.sel != selected || v.set.Match != match {
		p, err := compile(v.sel, v.chains, v.set.Match, float64(route.RateHz))
		if err != nil {
			return &Error{"open", req.OutputID, GiveUp, err}
		}
		v.level = p.level
		path.Publish(p.program)
	}
	return nil
}

// learnLevel has the shared level computed for a rate; of thousands of corrections that takes a while.
func (v *supervisor) learnLevel(rateHz float64) {
	if shared := v.sel.Shared; shared != nil {
		wait(v, func() (struct{}, error) { shared.LevelDB(rateHz); return struct{}{}, nil })
	}
}

// findRoute takes the sound routing, or finds the devices that the settings name. gain is that of what is captured.
func (v *supervisor) findRoute(ctx context.Context) (r Route, gain func() float32, err error) {
	if v.router != nil && v.set.Capture == "" {
		r, err = v.takeRoute(ctx, v.set.Output)
		if errors.Is(err, ErrNoOutput) && v.set.Output != v.asked.Output {
			// A followed output that is gone is not a setting: another one plays until it is back.
			v.set.Output = v.asked.Output
			r, err = v.takeRoute(ctx, v.set.Output)
		}
		return r, v.router.InputGain, err
	}
	in, out := v.set.Capture, v.set.Output
	switch {
	case in == "" || out == "":
		err = &Error{"open", "devices", GiveUp, errors.New("there is no automatic sound routing on this system: " +
			"name sound.capture and sound.output in settings.toml")}
	case in == out || in == out+".monitor":
		err = &Error{"open", out, GiveUp, errors.New("the output would feed back into its own capture: " +
			"name another sound.output or sound.capture")}
	}
	r = Route{CaptureID: in, OutputID: out, OutputName: out, RateHz: v.set.RateHz, Channels: 2}
	return r, func() float32 { return 1 }, err
}

func (v *supervisor) takeRoute(ctx context.Context, output string) (Route, error) {
	return insist(ctx, v, func() (Route, error) { return v.router.Take(ctx, output) })
}

// makePath compiles what is selected and makes the audio path for the streams of a request.
func (v *supervisor) makePath(req Request, gain func() float32) (*live.Path, error) {
	first, err := compile(v.sel, v.chains, v.set.Match, float64(req.RateHz))
	if err != nil {
		return nil, err
	}
	v.level = first.level
	start := time.Now()
	now := func() int64 { return int64(time.Since(start)) } // monotonic: a clock that is set back changes nothing
	if c, ok := v.driver.(Clocked); ok {
		now = c.Now
	}
	v.wish()
	return live.New(live.Config{RateHz: float64(req.RateHz), CaptureFrames: req.CaptureFrames,
		OutputFrames: req.OutputFrames, LeaveFrames: v.buffers.inForce.KeepFrames, Guard: v.set.Guard,
		LookAheadS: v.set.Delay.lookAheadS(), CeilingDB: max(leastCeilingDB, v.set.CeilingDB-v.route.MixDB),
		InputGain: gain, NowNs: now}, v.meters, first.program, v.wishes)
}

// hearOfLoss makes the Lost of a Request: the supervisor hears of the first loss, and of none of streams that it has
// closed.
func (v *supervisor) hearOfLoss() func(error) {
	c := make(chan error, 1)
	v.lost = c
	return func(err error) {
		select {
		case c <- err:
		default:
		}
	}
}

// firstSound waits for the first callbacks of freshly opened streams.
func (v *supervisor) firstSound(ctx context.Context) error {
	play, capt := v.meters.Played(), v.meters.Captured()
	sounds := func() bool {
		return v.meters.Played() != play && (v.meters.Captured() != capt || v.router == nil)
	}
	if v.serve(ctx, 4*Stalled, sounds); !sounds() {
		return &Error{"start", v.route.OutputName, Reopen, fmt.Errorf("no sound callback within %v", 4*Stalled)}
	}
	return nil
}

// fadeOutMost bounds the wait for a fade-out before the streams are closed.
const fadeOutMost = 150 * time.Millisecond

// close closes the streams; fade: softly, if the callbacks still come.
func (v *supervisor) close(fade bool) {
	if v.stream == nil {
		return
	}
	if fade {
		v.leaving = true
		v.wish()
		v.serve(context.Background(), fadeOutMost, v.path.Load().Silent)
		// what is silent already still has to pass the device's buffer
		v.rest(context.Background(), v.duration(v.buffers.frames()))
	}
	stream := v.stream
	v.stream, v.leaving = nil, false
	v.path.Store(nil)
	if _, err := wait(v, func() (struct{}, error) { return struct{}{}, stream.Close() }); err != nil {
		v.log.Warn("closing the streams", "error", err)
	}
}

// duration is how long so many frames last.
func (v *supervisor) duration(frames int) time.Duration {
	return time.Duration(float64(frames) / float64(v.route.RateHz) * float64(time.Second))
}
