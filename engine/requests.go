package engine

import (
	"context"
	"errors"
	"time"

	"cushwright/engine/live"
)

// ErrStopped is returned by requests to a session that is not running.
var ErrStopped = errors.New("engine: request: the session has ended")

// ask runs f on the supervisor and waits for what it returns. A caller whose context ends first gets nothing of it.
func ask[T any](ctx context.Context, s *Session, f func(*supervisor) (T, error)) (T, error) {
	type answer struct {
		v   T
		err error
	}
	answers := make(chan answer, 1)
	var none T
	select {
	case s.requests <- func(v *supervisor) {
		got, err := f(v)
		v.publish() // before the answer: who asks next sees it
		answers <- answer{got, err}
	}:
	case <-s.done:
		return none, ErrStopped
	case <-ctx.Done():
		return none, ctx.Err()
	}
	select {
	case a := <-answers:
		return a.v, a.err
	case <-s.done:
		return none, ErrStopped
	case <-ctx.Done():
		return none, ctx.Err()
	}
}

func (s *Session) do(ctx context.Context, f func(*supervisor) error) error {
	_, err := ask(ctx, s, func(v *supervisor) (struct{}, error) { return struct{}{}, f(v) })
	return err
}

// Apply takes over settings and a selection together. What is selected is heard by one crossfade; the streams are
// reopened only if they must be. On error nothing changes.
func (s *Session) Apply(ctx context.Context, set Settings, sel Selection) error {
	set.fill()
	return s.do(ctx, func(v *supervisor) error { return v.apply(&set, &sel) })
}

// Select makes sel what is heard, by one crossfade. On error nothing changes.
func (s *Session) Select(ctx context.Context, sel Selection) error {
	return s.do(ctx, func(v *supervisor) error { return v.apply(nil, &sel) })
}

// Configure takes over new settings; the streams are reopened only if they must be. On error nothing changes.
func (s *Session) Configure(ctx context.Context, set Settings) error {
	set.fill()
	return s.do(ctx, func(v *supervisor) error { return v.apply(&set, nil) })
}

// apply compiles what is asked for and only then takes it over. nil leaves the settings, or the selection, as they are.
func (v *supervisor) apply(set *Settings, sel *Selection) error {
	asked, inForce, selected, reopenFor := v.asked, v.set, v.sel, v.reopenFor
	if sel != nil {
		selected = *sel
	}
	if set != nil {
		output := inForce.Output // may be one that is followed: it stays until the settings name another
		if asked.needsReopen(*set) {
			reopenFor = "settings changed"
			output = set.Output
		}
		asked, inForce = *set, *set
		inForce.Output = output
	}
	chains := inForce.Delay.chains()
	goesOn := v.stream != nil && reopenFor == ""
	if goesOn {
		chains = v.chains
	}
	p, err := compile(selected, chains, inForce.Match, v.rateHz(inForce))
	if err != nil {
		return err
	}
	if goesOn && (sel != nil || inForce.Match != v.set.Match) {
		v.path.Load().Publish(p.program)
	}
	v.asked, v.set, v.sel, v.reopenFor, v.level = asked, inForce, selected, reopenFor, p.level
	return nil
}

// rateHz is the output's rate, or the one that is asked for while the output's is unknown.
func (v *supervisor) rateHz(set Settings) float64 {
	if v.route.RateHz > 0 {
		return float64(v.route.RateHz)
	}
	return float64(set.RateHz)
}

// Rematch changes how loudness is matched and nothing else; the next Select builds on it.
func (s *Session) Rematch(ctx context.Context, m Match) error {
	return s.do(ctx, func(v *supervisor) error { v.set.Match = m; return nil })
}

// Bypass switches between the correction and the other side and returns the new state. want nil toggles.
func (s *Session) Bypass(ctx context.Context, want *bool) (on bool, err error) {
	toggle, to := want == nil, want != nil && *want
	return ask(ctx, s, func(v *supervisor) (bool, error) {
		v.wishes.Bypass = toggle && !v.wishes.Bypass || to
		v.wish()
		return v.wishes.Bypass, nil
	})
}

// Mute silences the output by a short fade, or lifts the silence.
func (s *Session) Mute(ctx context.Context, on bool) error {
	return s.do(ctx, func(v *supervisor) error { v.muted = on; v.wish(); return nil })
}

// Steady keeps the drift resampler's ratio still while something is measured through the engine, or lets it follow the
// clocks again.
func (s *Session) Steady(ctx context.Context, on bool) error {
	return s.do(ctx, func(v *supervisor) error { v.wishes.Steady = on; v.wish(); return nil })
}

// Reopen closes and opens the streams again.
func (s *Session) Reopen(ctx context.Context, why string) error {
	return s.do(ctx, func(v *supervisor) error { v.reopenFor = why; return nil })
}

// wish tells the path, if there is one, how it is to sound.
func (v *supervisor) wish() {
	v.wishes.Mute = v.muted || v.aside || v.leaving
	v.wishes.Grows = v.buffers.grows()
	if p := v.path.Load(); p != nil {
		p.Wish(v.wishes)
	}
}

// asideFade bounds the wait for the fade-out of Aside; asideTail is what the device's buffer may still hold then.
const (
	asideFade = 500 * time.Millisecond
	asideTail = 60 * time.Millisecond
)

// Aside silences the output so that somebody else can use it, or brings the sound back. Mute is independent of it.
// Switched on, Aside returns when the sound has faded out, or at once where nothing runs.
func (s *Session) Aside(ctx context.Context, on bool) error {
	err := s.do(ctx, func(v *supervisor) error { v.aside = on; v.wish(); return nil })
	if err != nil || !on {
		return err
	}
	var p *live.Path
	for end := time.Now().Add(asideFade); time.Now().Before(end); time.Sleep(2 * time.Millisecond) {
		if p = s.path.Load(); p == nil {
			return nil
		} else if p.Silent() {
			break
		}
	}
	select {
	case <-time.After(asideTail):
	case <-ctx.Done():
	}
	return ctx.Err()
}
