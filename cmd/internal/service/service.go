// Package service is what a running engine is beside its sound: it plays what the bench folder says, answers its
// clients, hides the sides of a listening trial, and holds the desktop's global keys and notes. Its clients find it by
// Open.
package service

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"runtime"
	"strings"
	"sync"
	"time"

	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/engine"
	"cushwright/engine/control"
	"cushwright/platform"
)

// Options are what a service is made of.
type Options struct {
	Dir    string           // the bench folder
	Snap   *config.Snapshot // its first reading
	Fitted string           // the cushion to start with
	Driver engine.Driver
	Router engine.Router // nil: the settings name the devices
	Log    *slog.Logger  // nil: nothing is logged

	Remember func(cushion string) error            // nil, or what stores the fitted cushion for the next start
	Fix      func(engine.Settings) engine.Settings // nil, or what sets what the bench does not decide
}

// Service ties the bench folder to the session: it turns snapshots and requests into selections. It implements
// control.Backend.
type Service struct {
	dir      string
	session  *engine.Session
	outputs  engine.OutputFinder // nil where nobody can say which outputs there are
	log      *slog.Logger
	ended    context.Context // done when Stop was called
	stop     context.CancelFunc
	remember func(cushion string) error
	fix      func(engine.Settings) engine.Settings
	desk     *desk

	mu       sync.Mutex // guards what follows; taken by the config and API goroutines, never on the audio path
	snap     *config.Snapshot
	shared   *engine.Shared // of snap; nil: every cushion plays at its own level
	fitted   string
	with     string           // the correction that bypass compares with; empty: none
	waiting  *config.Snapshot // nil, or the bench as it is on disk where it lacks the fitted cushion
	awaited  *time.Timer      // nil, or what looks again for the output that the bench on disk names
	problems []string
	muted    bool    // silenced by the panic key
	trial    *hidden // nil, or the listening trial under way

	asides control.Asides // who wants silence
	steady control.Asides // who wants the resampler to keep still
	moving sync.Mutex     // held by whoever mutes for a trial's switch or stands aside; taken before mu
}

// New makes a service. It plays once Run or Play is called.
func New(o Options) (*Service, error) {
	shared := Share(o.Snap, nil)
	sel, err := Selection(o.Snap, shared, o.Fitted, "")
	if err != nil {
		return nil, err
	}
	s := &Service{dir: o.Dir, log: o.Log, remember: o.Remember, fix: o.Fix, snap: o.Snap, shared: shared,
		fitted: o.Fitted}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	s.outputs, _ = o.Router.(engine.OutputFinder)
	s.ended, s.stop = context.WithCancel(context.Background())
	s.desk = newDesk(s.log)
	s.desk.configure(o.Snap.Settings)
	s.session = engine.New(o.Driver, o.Router, s.settings(o.Snap), sel, s.log)
	return s, nil
}

// settings are the session's part of a bench's settings.
func (s *Service) settings(snap *config.Snapshot) engine.Settings {
	set := engineSettings(snap.Settings)
	if s.fix != nil {
		set = s.fix(set)
	}
	return set
}

// Play plays until ctx ends or Stop is called.
func (s *Service) Play(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	defer context.AfterFunc(s.ended, cancel)()
	return s.session.Run(ctx)
}

// Run plays until ctx ends or Stop is called. Meanwhile it answers at the socket, follows the bench folder, holds the
// global keys and shows notes; it tells the service manager when sound runs.
func (s *Service) Run(ctx context.Context, socket string) error {
	ctx, cancel := context.WithCancel(ctx)
	defer context.AfterFunc(s.ended, cancel)()
	var wg sync.WaitGroup
	defer wg.Wait()
	defer cancel()
	wg.Go(func() { s.desk.runKeys(ctx, s.Pressed) })
	wg.Go(func() { s.desk.runNotes(ctx) })
	wg.Go(func() {
		if err := control.Serve(ctx, socket, s); err != nil {
			s.log.Error("the engine cannot be controlled", "error", err)
		}
	})
	wg.Go(func() {
		if err := config.Watch(ctx, s.dir, s.Loaded); err != nil && ctx.Err() == nil {
			s.log.Error("edits are not noticed", "error", err)
		}
	})
	wg.Go(func() { s.tellReady(ctx) })
	return s.session.Run(ctx)
}

// tellReady waits until sound runs and says so.
func (s *Service) tellReady(ctx context.Context) {
	for ; ctx.Err() == nil; time.Sleep(20 * time.Millisecond) {
		if s.session.Status().State == engine.Running {
			st := s.Status()
			s.log.Info("running", "cushion", st.Cushion, "status", st.Summary)
			if err := platform.NotifyReady(); err != nil {
				s.log.Warn("telling the service manager", "error", err)
			}
			return
		}
	}
}

// Loaded takes a new reading of the bench folder: a valid one is played, a bad one is reported and the last good
// sound goes on. Called by the config goroutine.
func (s *Service) Loaded(snap *config.Snapshot, err error) { s.loaded(snap, err, nil) }

// loaded is Loaded; by is the timer that looks again for an output, nil where the reading is new.
func (s *Service) loaded(snap *config.Snapshot, err error, by *time.Timer) {
	var missing error
	var shared *engine.Shared
	if err == nil {
		missing = s.outputThere(snap.Settings.Sound)
		shared = s.share(snap)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if by != nil && by != s.awaited {
		return // there is a newer reading
	}
	if s.awaited != nil {
		s.awaited.Stop()
	}
	s.waiting, s.awaited = nil, nil
	switch {
	case err != nil:
		s.report(err)
		return
	case missing != nil:
		s.report(missing)
		s.await(snap)
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
	if wearable(snap, fitted) != nil {
		s.waiting = snap
		s.report(fmt.Errorf("cushwright: reload: the fitted cushion %q is gone from the bench, its correction goes on",
			fitted))
		return
	}
	if _, ok := snap.Correction(with); !ok {
		with = ""
	}
	sel, err := Selection(snap, shared, fitted, with)
	if err == nil {
		err = s.session.Apply(context.Background(), s.settings(snap), sel)
	}
	if err != nil {
		if !errors.Is(err, engine.ErrStopped) {
			s.report(err)
		}
		return
	}
	s.snap, s.shared, s.with, s.problems = snap, shared, with, nil
	s.desk.configure(snap.Settings)
	s.log.Info("reloaded", "cushion", fitted)
}

// share makes the shared level of a snapshot. It is computed here, where nobody waits for it.
func (s *Service) share(snap *config.Snapshot) *engine.Shared {
	s.mu.Lock()
	before := s.shared
	s.mu.Unlock()
	shared := Share(snap, before)
	if rate := s.session.Status().RateHz; shared != nil && rate > 0 {
		shared.LevelDB(float64(rate))
	}
	return shared
}

// outputThere is nil unless the settings name an output that is not played to now and that cannot be used. It asks the
// sound server, and is called without the mutex.
func (s *Service) outputThere(now config.Sound) error {
	s.mu.Lock()
	was := s.snap.Settings.Sound.Output
	s.mu.Unlock()
	if s.outputs == nil || now.Output == "" || now.Output == was || now.Capture != "" {
		return nil
	}
	err := s.outputs.FindOutput(context.Background(), now.Output)
	var e *engine.Error
	if errors.As(err, &e) && (errors.Is(err, engine.ErrNoOutput) || e.Reaction == engine.GiveUp) {
		return fmt.Errorf("settings.toml: sound.output %q: %w; the sound stays where it was until it is there", now.Output, e.Err)
	}
	return nil // there, or nobody can say
}

// lookAgain is how often an output is looked for that is not there.
const lookAgain = 2 * time.Second

// await takes a reading over once the output that it names is there. Called under the mutex.
func (s *Service) await(snap *config.Snapshot) {
	if st := s.session.Status().State; st == engine.Stopped || st == engine.Failed {
		return
	}
	var mine *time.Timer
	mine = time.AfterFunc(lookAgain, func() {
		s.mu.Lock() // mine is set once await has returned
		by := mine
		s.mu.Unlock()
		s.loaded(snap, nil, by)
	})
	s.awaited = mine
}

// report keeps the problems for status and logs each once.
func (s *Service) report(err error) {
	old := strings.Join(s.problems, "\n")
	s.problems = nil
	var ps config.Problems
	if errors.As(err, &ps) {
		for _, p := range ps {
			s.problems = append(s.problems, words.Plain(p.Error()))
		}
	} else {
		s.problems = []string{words.Plain(err.Error())}
	}
	if strings.Join(s.problems, "\n") != old {
		for _, p := range s.problems {
			s.log.Error("not taken over, the last good sound goes on", "problem", p)
		}
	}
}

// Status implements control.Backend.
func (s *Service) Status() control.Status {
	s.mu.Lock()
	st := control.Status{Status: s.session.Status(), PID: os.Getpid(), Bench: s.dir, Cushions: s.latest().CushionNames(),
		Problems:   s.problems,
		Goroutines: runtime.NumGoroutine()}
	st.Reading = s.snap.Hash
	if c, ok := s.snap.Correction(s.fitted); ok && c.Derived != nil {
		st.Doubt = c.Derived.Caution
	}
	st.KeysTaken, st.Match = s.desk.taken(), s.snap.Settings.Bypass.Match
	if s.trial != nil {
		s.trial.blank(&st, s.muted)
	}
	s.mu.Unlock()
	st.LastError = words.Plain(st.LastError)
	st.Summary, st.Lower = Summary(st), Lower(st)
	return st
}

// Wear implements control.Backend.
func (s *Service) Wear(ctx context.Context, name string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.trial != nil {
		return errTrial
	}
	snap := s.latest()
	if n, ok := snap.Called(name); ok {
		name = n
	}
	if err := wearable(snap, name); err != nil {
		return err
	}
	shared := s.shared
	if snap == s.waiting {
		shared = Share(snap, s.shared)
	}
	sel, err := Selection(snap, shared, name, "")
	if err != nil {
		return err
	}
	if snap == s.waiting { // what kept it waiting is over
		err = s.session.Apply(ctx, s.settings(snap), sel)
	} else {
		err = s.session.Select(ctx, sel)
	}
	if err != nil {
		return err
	}
	if snap == s.waiting {
		s.snap, s.shared, s.waiting, s.problems = snap, shared, nil, nil
		s.desk.configure(snap.Settings)
	}
	s.fitted, s.with = name, ""
	s.log.Info("fitted", "cushion", name)
	s.desk.note(fittedText(name), sel)
	if s.remember == nil {
		return nil
	}
	if err := s.remember(name); err != nil {
		s.log.Warn("the fitted cushion is not remembered", "error", err)
	}
	return nil
}

// latest is the newest good reading of the bench. Called under the service's mutex.
func (s *Service) latest() *config.Snapshot {
	if s.waiting != nil {
		return s.waiting
	}
	return s.snap
}

// Bypass implements control.Backend.
func (s *Service) Bypass(ctx context.Context, mode, with string) (bool, error) {
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
	if n, ok := s.snap.Called(with); ok {
		with = n
	}
	change := with != s.with && (with != "" || mode == "off")
	if with == None {
		with, change = "", s.with != ""
	}
	if change {
		sel, err := Selection(s.snap, s.shared, s.fitted, with)
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
func (s *Service) Stop() { s.stop() }
