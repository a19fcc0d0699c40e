package main

import (
	"context"
	"errors"
	"time"

	"cushwright/engine"
	"cushwright/engine/control"
)

// Aside implements control.Asider.
func (s *service) Aside(ctx context.Context, q control.AsideRequest) error {
	s.mu.Lock()
	trial := s.trial != nil
	s.mu.Unlock()
	if trial && q.Aside {
		return errTrial
	}
	// What has begun is finished though the client may hang up.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
	defer cancel()
	s.moving.Lock()
	defer s.moving.Unlock()
	was := s.session.Status().Aside
	on := s.asides.Set(q, func() {
		s.moving.Lock()
		defer s.moving.Unlock()
		if s.asides.Held() {
			return
		}
		s.log.Warn("who asked the engine to stand aside was not heard of any more: the sound comes back")
		ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
		defer cancel()
		if err := s.session.Aside(ctx, false); err != nil && !errors.Is(err, engine.ErrStopped) {
			s.log.Error("coming back", "error", err)
		}
	})
	if on == was {
		return nil
	}
	s.log.Info("standing aside", "on", on)
	return s.session.Aside(ctx, on)
}
