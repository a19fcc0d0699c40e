package service

import (
	"context"
	"errors"
	"time"

	"cushwright/engine"
	"cushwright/engine/control"
)

// Aside implements control.Asider.
func (s *Service) Aside(ctx context.Context, q control.AsideRequest) error {
	s.mu.Lock()
	trial := s.trial != nil
	s.mu.Unlock()
	if trial && q.Aside {
		return errTrial
	}
	leases, apply, what := &s.asides, s.session.Aside, "silence for a measurement"
	if q.Steady {
		leases, apply, what = &s.steady, s.session.Steady, "a steady resampler for a measurement"
	}
	// What has begun is finished though the client may hang up.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
	defer cancel()
	s.moving.Lock()
	defer s.moving.Unlock()
	was := leases.Held()
	on := leases.Set(q, func() {
		s.moving.Lock()
		defer s.moving.Unlock()
		if leases.Held() {
			return
		}
		s.log.Warn("who asked for it was not heard of any more, so it ends", "what", what)
		ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
		defer cancel()
		if err := apply(ctx, false); err != nil && !errors.Is(err, engine.ErrStopped) {
			s.log.Error("ending it", "what", what, "error", err)
		}
	})
	if on == was {
		return nil
	}
	s.log.Info(what, "on", on)
	return apply(ctx, on)
}
