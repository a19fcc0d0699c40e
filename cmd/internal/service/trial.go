package service

import (
	"context"
	"crypto/subtle"
	"errors"
	"fmt"
	"time"

	"cushwright/config"
	"cushwright/dsp"
	"cushwright/engine"
	"cushwright/engine/control"
)

var errTrial = errors.New("cushwright: a listening trial is under way: end it first")

// hidden is a listening trial that the engine keeps the secret of. The service's mutex guards it.
type hidden struct {
	token     string
	firstIsB  bool // the first side is what bypass switches to
	wasBypass bool
	overs     uint64           // the count when it began
	late      *config.Snapshot // nil, or the edit to take over at the end
	lapse     *time.Timer
}

// blank takes out of a status what could differ between the sides.
func (h *hidden) blank(st *control.Status, muted bool) {
	const nothing = -200 // how a level of nothing is reported
	st.Trial, st.Bypass, st.Other, st.Reference, st.Muted = true, false, "", "", muted
	c := &st.Counters
	c.OutPeakDB, c.OutTrueDB, c.OutHoldDB, c.GuardDB, c.GuardMaxDB, c.MatchDB, c.Overs = nothing, nothing, nothing, 0,
		0, 0, h.overs
}

// Trial implements control.Backend.
func (s *Service) Trial(ctx context.Context, q control.TrialRequest) error {
	s.moving.Lock()
	defer s.moving.Unlock()
	s.mu.Lock()
	h := s.trial
	ours := h != nil && subtle.ConstantTimeCompare([]byte(h.token), []byte(q.Token)) == 1
	if ours {
		h.lapse.Reset(control.TrialLease)
	}
	s.mu.Unlock()
	// What has begun is finished though the client may hang up: nobody else would bring the sound back.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 4*time.Second)
	defer cancel()
	switch {
	case q.Hidden && q.First != "":
		if h != nil {
			return errTrial
		}
		return s.hide(ctx, q)
	case !ours:
		return errors.New("cushwright: trial: no trial of that token is under way")
	case !q.Hidden:
		return s.reveal(ctx, h)
	case q.Side == "first" || q.Side == "second":
		return s.move(ctx, (q.Side == "first") == h.firstIsB, nil)
	case q.Side == "":
		return nil
	}
	return fmt.Errorf("cushwright: trial: side %q: allowed: first, second", q.Side)
}

// sides is what the session plays in a trial, and whether the first side is what bypass switches to.
func sides(snap *config.Snapshot, first, second string) (sel engine.Selection, firstIsB bool, err error) {
	if first == second {
		return sel, false, fmt.Errorf("cushwright: trial: %q against itself: name two sides", first)
	}
	if first == None {
		first, second, firstIsB = second, first, true
	}
	get := func(name string) (*dsp.Correction, error) {
		if n, ok := snap.Called(name); ok {
			name = n
		}
		c, ok := snap.Correction(name)
		if !ok {
			return nil, fmt.Errorf("cushwright: trial: %q: %w correction", name, control.ErrUnknown)
		}
		return c.Correction, nil
	}
	if sel.Correction, err = get(first); err == nil && second != None {
		sel.Other, err = get(second)
	}
	return sel, firstIsB, err
}

// hide begins a trial.
func (s *Service) hide(ctx context.Context, q control.TrialRequest) error {
	if len(q.Token) < 16 {
		return errors.New("cushwright: trial: the token is shorter than 16 characters")
	}
	s.mu.Lock()
	sel, firstIsB, err := sides(s.snap, q.First, q.Second)
	sel.Cushion, sel.Shared = s.fitted, s.shared
	st := s.session.Status()
	s.mu.Unlock()
	if err != nil {
		return err
	}
	if st.State != engine.Running {
		return fmt.Errorf("cushwright: trial: the engine is %v", st.State)
	}
	h := &hidden{token: q.Token, firstIsB: firstIsB, wasBypass: st.Bypass, overs: st.Counters.Overs}
	h.lapse = time.AfterFunc(control.TrialLease, func() {
		s.moving.Lock()
		defer s.moving.Unlock()
		ctx, cancel := context.WithTimeout(context.Background(), 4*time.Second)
		defer cancel()
		s.log.Warn("the listening trial was not heard of any more and is over")
		if err := s.reveal(ctx, h); err != nil && !errors.Is(err, engine.ErrStopped) {
			s.log.Error("ending a listening trial", "error", err)
		}
	})
	s.mu.Lock()
	s.trial = h
	s.mu.Unlock()
	// By what plays, whatever the settings say: a difference in loudness is heard before any other.
	if err = s.session.Rematch(ctx, engine.MatchProgramme); err == nil {
		err = s.move(ctx, firstIsB, &sel)
	}
	if err != nil {
		s.reveal(ctx, h)
		return err
	}
	s.log.Info("a listening trial begins")
	return nil
}

// reveal ends a trial and brings back what was before.
func (s *Service) reveal(ctx context.Context, h *hidden) error {
	s.mu.Lock()
	if s.trial != h {
		s.mu.Unlock()
		return nil
	}
	h.lapse.Stop()
	sel, err := Selection(s.snap, s.shared, s.fitted, s.with)
	match := s.snap.Settings.Bypass.Match
	s.mu.Unlock()
	if err == nil {
		err = s.session.Rematch(ctx, engine.Match(match))
	}
	if err == nil {
		err = s.move(ctx, h.wasBypass, &sel)
	}
	s.mu.Lock()
	s.trial = nil
	s.mu.Unlock()
	if h.late != nil {
		s.Loaded(h.late, nil)
	}
	return err
}

// move lets the wanted side be heard. Every move takes the same way, through a short silence, whether the side changes
// or not: neither the time it takes nor a trace of the fade between two sides tells them apart. moving is held.
func (s *Service) move(ctx context.Context, toB bool, sel *engine.Selection) error {
	err := s.session.Mute(ctx, true)
	if err == nil {
		s.pass(ctx)
		if sel != nil {
			err = s.session.Select(ctx, *sel)
		}
	}
	if err == nil {
		if _, err = s.session.Bypass(ctx, &toB); err == nil {
			s.pass(ctx)
		}
	}
	s.mu.Lock()
	muted := s.muted
	s.mu.Unlock()
	if e := s.session.Mute(ctx, muted); err == nil {
		err = e
	}
	return err
}

// pass waits until the audio thread has seen the last request and a fade of 20 ms is over, at most half a second.
func (s *Service) pass(ctx context.Context) {
	start, first := time.Now(), s.session.Status().Counters.PlaybackCallbacks
	for {
		took := time.Since(start)
		if took > 500*time.Millisecond || ctx.Err() != nil ||
			took > 30*time.Millisecond && s.session.Status().Counters.PlaybackCallbacks >= first+2 {
			return
		}
		time.Sleep(2 * time.Millisecond)
	}
}
