package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"os"
	"runtime"
	"strings"
	"sync"

	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/dsp"
	"cushwright/engine"
	"cushwright/engine/control"
)

// service ties the bench folder to the session: it turns snapshots and requests into selections. It implements
// control.Backend.
type service struct {
	dir     string
	session *engine.Session
	log     *slog.Logger
	quit    context.CancelFunc
	keep    func(cushion string) error            // remembers the fitted cushion
	fix     func(engine.Settings) engine.Settings // nil, or settings that the bench does not decide

	mu       sync.Mutex // guards all below; taken by the config and API goroutines, never on the audio path
	snap     *config.Snapshot
	fitted   string
	with     string // the correction that bypass compares with; empty: none
	problems []string
	muted    bool    // silenced by the panic key
	trial    *hidden // nil, or the listening trial under way

	desk   *desk          // nil, or global keys and desktop notes; set before anything runs
	asides control.Asides // who wants silence
	steady control.Asides // who wants the resampler to keep still
	moving sync.Mutex     // held by whoever mutes for a trial's switch or stands aside; taken before mu
}

// known is nil if the bench holds the cushion.
func known(snap *config.Snapshot, action, name string) error {
	if _, ok := snap.Cushion(name); ok {
		return nil
	}
	return fmt.Errorf("cushwright: %s %q: %w cushion, the bench has: %s", action, name, control.ErrUnknown, strings.Join(snap.CushionNames(), ", "))
}

// pick chooses the cushion to start with: the one fitted last, else the reference, else the first.
func pick(snap *config.Snapshot, last string) (string, error) {
	names := snap.CushionNames()
	for _, n := range append([]string{last, snap.Settings.Reference}, names...) {
		if _, ok := snap.Cushion(n); ok {
			return n, nil
		}
	}
	return "", fmt.Errorf("cushwright: choose a cushion: the bench has none: write cushions/NAME.toml or corrections/NAME.toml")
}

// selection is what the engine plays for a fitted cushion. A cushion without a correction plays flat, at the level of
// the corrections made towards it, so that changing between them does not jump.
func selection(snap *config.Snapshot, fitted, with string) (engine.Selection, error) {
	sel := engine.Selection{Cushion: fitted}
	c, ok := snap.Correction(fitted)
	switch {
	case ok:
		sel.Reference, sel.Correction = c.Reference, c.Correction
	default:
		flat, err := flatCorrection(snap, fitted)
		if err != nil {
			return sel, err
		}
		sel.Correction = flat
	}
	if with != "" {
		o, ok := snap.Correction(with)
		if !ok {
			return sel, fmt.Errorf("cushwright: compare with %q: %w correction", with, control.ErrUnknown)
		}
		sel.Other, sel.OtherName = o.Correction, with
	}
	return sel, nil
}

// flatCorrection has no bands and the largest headroom of the corrections whose reference is the cushion.
func flatCorrection(snap *config.Snapshot, name string) (*dsp.Correction, error) {
	down := 0.0
	for _, n := range snap.CushionNames() {
		if c, ok := snap.Correction(n); ok && c.Reference == name {
			ch, err := c.Correction.Compile(48000, dsp.Options{})
			if err != nil {
				return nil, err
			}
			down = min(down, ch.HeadroomDB())
		}
	}
	return dsp.NewCorrection(nil, down)
}

// engineSettings are the session's part of the settings.
func engineSettings(s config.Settings) engine.Settings {
	set := engine.Settings{Output: s.Sound.Output, Capture: s.Sound.Capture, Follow: s.Sound.Follow,
		Delay: engine.Delay(s.Sound.Delay), CaptureFrames: s.Sound.CaptureFrames, OutputFrames: s.Sound.OutputFrames,
		Guard: s.Guard.Enabled, CeilingDB: s.Guard.CeilingDB, Match: engine.Match(s.Bypass.Match)}
	return set
}

// loaded takes a new reading of the bench folder: a valid one is played, a bad one is reported and the last good
// sound goes on. Called by the config goroutine.
func (s *service) loaded(snap *config.Snapshot, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err != nil {
		s.report(err)
		return
	}
	if s.trial != nil {
		s.trial.late = snap // an edit must not be heard in the middle of a trial
		return
	}
	if snap.Hash == s.snap.Hash && s.problems == nil {
		return
	}
	fitted, with := s.fitted, s.with
	if known(snap, "wear", fitted) != nil {
		s.report(fmt.Errorf("cushwright: reload: the fitted cushion %q is gone from the bench, its correction goes on", fitted))
		return
	}
	if _, ok := snap.Correction(with); !ok {
		with = ""
	}
	sel, err := selection(snap, fitted, with)
	if err == nil {
		set := engineSettings(snap.Settings)
		if s.fix != nil {
			set = s.fix(set)
		}
		err = s.session.Configure(context.Background(), set)
	}
	if err == nil {
		err = s.session.Select(context.Background(), sel)
	}
	if err != nil {
		if !errors.Is(err, engine.ErrStopped) {
			s.report(err)
		}
		return
	}
	s.snap, s.with, s.problems = snap, with, nil
	s.desk.configure(snap.Settings)
	s.log.Info("reloaded", "cushion", fitted)
}

// report keeps the problems for status and logs each once.
func (s *service) report(err error) {
	old := strings.Join(s.problems, "\n")
	s.problems = nil
	var ps config.Problems
	if errors.As(err, &ps) {
		for _, p := range ps {
			s.problems = append(s.problems, p.Error())
		}
	} else {
		s.problems = []string{err.Error()}
	}
	if strings.Join(s.problems, "\n") != old {
		for _, p := range s.problems {
			s.log.Error("not taken over, the last good sound goes on", "problem", p)
		}
	}
}

// Status implements control.Backend.
func (s *service) Status() control.Status {
	s.mu.Lock()
	st := control.Status{Status: s.session.Status(), PID: os.Getpid(), Bench: s.dir, Cushions: s.snap.CushionNames(), Problems: s.problems,
		Goroutines: runtime.NumGoroutine()}
	st.KeysTaken, st.Match = s.desk.taken(), s.snap.Settings.Bypass.Match
	if s.trial != nil {
		s.trial.blank(&st, s.muted)
	}
	s.mu.Unlock()
	st.Summary = summary(st)
	return st
}

// summary says it in one sentence.
func summary(st control.Status) string {
	var p []string
	p = append(p, st.Cushion+" fitted")
	switch {
	case st.State != engine.Running:
		p = append(p, st.State.String())
	case st.Trial:
		p = append(p, "a listening trial is under way")
	case st.Bypass && st.Other != "":
		p = append(p, "comparing with the correction "+st.Other)
	case st.Bypass:
		p = append(p, "bypassed")
	case st.Bands == 0:
		p = append(p, "no correction")
	case st.Reference != "":
		p = append(p, "corrected towards "+st.Reference)
	default:
		p = append(p, "corrected")
	}
	if st.Muted {
		p = append(p, "muted")
	}
	if st.Aside {
		p = append(p, "standing aside, silent, for a measurement")
	}
	p = append(p, fmt.Sprintf("%.1f dB headroom", math.Abs(st.HeadroomDB)), words.Plural(st.Counters.Overs, "over"))
	if st.State == engine.Running {
		p = append(p, fmt.Sprintf("%.0f ms", st.DelayMS))
	}
	return strings.Join(p, ", ")
}

// Wear implements control.Backend.
func (s *service) Wear(ctx context.Context, name string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.trial != nil {
		return errTrial
	}
	if err := known(s.snap, "wear", name); err != nil {
		return err
	}
	sel, err := selection(s.snap, name, "")
	if err != nil {
		return err
	}
	if err := s.session.Select(ctx, sel); err != nil {
		return err
	}
	s.fitted, s.with = name, ""
	s.log.Info("fitted", "cushion", name)
	s.desk.note(name+" is fitted", sel)
	if err := s.keep(name); err != nil {
		s.log.Warn("the fitted cushion is not remembered", "error", err)
	}
	return nil
}

// Bypass implements control.Backend.
func (s *service) Bypass(ctx context.Context, mode, with string) (bool, error) {
	var want *bool
	switch mode {
	case "on", "off":
		on := mode == "on"
		want = &on
	case "toggle":
	default:
		return false, fmt.Errorf("cushwright: bypass %q: allowed: on, off or toggle", mode)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.trial != nil {
		return false, errTrial
	}
	if with != s.with && (with != "" || mode == "off") {
		sel, err := selection(s.snap, s.fitted, with)
		if err != nil {
			return false, err
		}
		if err := s.session.Select(ctx, sel); err != nil {
			return false, err
		}
		s.with = with
	}
	on, err := s.session.Bypass(ctx, want)
	if err == nil {
		s.desk.bypassed(on, s.fitted, s.with, s.snap.Settings.Bypass.Match)
	}
	return on, err
}

// Stop implements control.Backend.
func (s *service) Stop() { s.quit() }
