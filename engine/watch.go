package engine

import (
	"context"
	"errors"
	"fmt"
	"time"

	"cushwright/engine/live"
)

const lookEvery = 50 * time.Millisecond

// watch looks after running streams until something disturbs them or the context ends.
func (v *supervisor) watch(ctx context.Context) (event, error) {
	var events <-chan RouteEvent
	if v.router != nil {
		events = v.router.Events()
	}
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	p := progress{at: time.Now()}
	v.buffers.begin(v.meters.Underflows(), time.Now())
	for {
		var err error
		select {
		case <-ctx.Done():
			return ended, nil
		case request := <-v.requests:
			request(v)
		case e := <-events:
			err = v.routeEvent(ctx, e)
		case lost := <-v.lost:
			err = v.because(lost)
		case now := <-tick.C:
			v.adapt(now)
			if d := v.stream.DelayFrames(); d != v.delay {
				v.delay = d
				v.publish()
			}
			if p.stalled(v.meters, v.router != nil, Stalled) {
				err = v.because(fmt.Errorf("no sound callback for %v", Stalled))
			}
		}
		if err == nil && v.reopenFor != "" {
			err = v.because(errors.New(v.reopenFor))
		}
		if err != nil {
			return disturbed, err
		}
	}
}

// because is why running streams are opened anew.
func (v *supervisor) because(cause error) error {
	return &Error{"run", v.route.OutputName, Reopen, cause}
}

// progress tells whether callbacks came since the last call.
type progress struct {
	play, capt uint64
	at         time.Time
}

func (p *progress) stalled(m *live.Meters, needCapture bool, limit time.Duration) bool {
	play, capt := m.Played(), m.Captured()
	if play != p.play && (capt != p.capt || !needCapture) {
		*p = progress{play, capt, time.Now()}
		return false
	}
	return time.Since(p.at) > limit
}

// routeEvent returns why an event disturbs the streams, or nil.
func (v *supervisor) routeEvent(ctx context.Context, e RouteEvent) error {
	because := func(text string) error { return v.because(errors.New(text)) }
	switch e.Kind {
	case ServerGone:
		return because("the sound server is gone")
	case OutputGone:
		return because("the output is gone")
	case OutputBack:
		return because("the output is back: " + e.Detail)
	case OutputChanged:
		return because("the output changed its rate or channels")
	case SinkGone:
		return because("somebody removed the virtual sink")
	case DefaultChanged:
		// The output that plays may be chosen again: by a session manager that remembers it, when it is back.
		if v.set.Follow && e.Detail != "" && e.Detail != v.route.OutputID {
			v.log.Info("following", "output", e.Detail)
			v.set.Output = e.Detail
			return because("another output was chosen: " + e.Detail)
		}
		if _, err := v.takeRoute(ctx, v.route.OutputID); err != nil {
			return err
		}
		if e.Detail == v.route.OutputID {
			v.log.Info("the output was made default itself: the virtual sink is default again", "output", e.Detail)
		} else {
			v.log.Info("held the output against another default", "other", e.Detail)
		}
	}
	return nil
}
