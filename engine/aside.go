package engine

import (
	"context"
	"time"
)

// asideFade bounds the wait for the fade-out of Aside; asideTail is what the device's buffer may still hold then.
const (
	asideFade = 500 * time.Millisecond
	asideTail = 60 * time.Millisecond
)

// Aside silences the output so that somebody else can use it, or brings the sound back. It is apart from Mute, which may
// come and go meanwhile. Switched on, it returns when the sound has faded out, or at once where nothing runs.
func (s *Session) Aside(ctx context.Context, on bool) error {
	err := s.do(ctx, func() error {
		s.aside = on
		if l := s.loop.Load(); l != nil {
			l.mute.Store(s.muted || s.aside)
		}
		return nil
	})
	if err != nil || !on {
		return err
	}
	for end := time.Now().Add(asideFade); time.Now().Before(end); time.Sleep(2 * time.Millisecond) {
		if l := s.loop.Load(); l == nil {
			return nil
		} else if l.silent.Load() {
			break
		}
	}
	select {
	case <-time.After(asideTail):
	case <-ctx.Done():
	}
	return ctx.Err()
}

// Steady keeps the drift resampler's ratio still while something is measured through the engine, or lets it follow the
// clocks again.
func (s *Session) Steady(ctx context.Context, on bool) error {
	return s.do(ctx, func() error {
		s.steady = on
		if l := s.loop.Load(); l != nil {
			l.steady.Store(on)
		}
		return nil
	})
}
