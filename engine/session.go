package engine

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"cushwright/dsp"
	"cushwright/dsp/guard"
	"cushwright/dsp/loudness"
)

// State is where a session stands. The supervisor alone changes it:
//
//	from        event                                   to
//	stopped     Run                                     opening
//	opening     first callbacks came                    running
//	opening     any error, or no callback in time       failed
//	running     no callback for Stalled, device error,
//	            output or sink gone, server gone        recovering
//	running     another output chosen, settings that
//	            need other streams                      recovering
//	recovering  first callbacks came                    running
//	recovering  an error that time may mend             recovering (after a pause of 0.1 to 0.5 s)
//	recovering  an error whose reaction is GiveUp       failed
//	any         the context ends                        stopped
type State uint8

// The states of a session.
const (
	Stopped State = iota
	Opening
	Running
	Recovering
	Failed
)

var stateNames = [...]string{"stopped", "opening", "running", "recovering", "failed"}

func (s State) String() string { return stateNames[s] }

// MarshalText writes the state's name.
func (s State) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads a state's name.
func (s *State) UnmarshalText(b []byte) error {
	for i, n := range stateNames {
		if n == string(b) {
			*s = State(i)
			return nil
		}
	}
	return fmt.Errorf("engine: read state %q: unknown", b)
}

var transitions = map[State][]State{
	Stopped:    {Opening},
	Opening:    {Running, Failed, Stopped},
	Running:    {Recovering, Stopped},
	Recovering: {Running, Recovering, Failed, Stopped},
	Failed:     {Stopped},
}

// Match is how bypass is made as loud as the correction.
type Match string

// The ways to match loudness.
const (
	MatchProgramme Match = "programme" // BS.1770 short-term loudness of both on what plays
	MatchPink      Match = "pink"      // the fixed difference on pink noise
	MatchOff       Match = "off"       // none: switching may jump
)

// Settings of a session. Zero frames mean what the driver plans for the delay.
type Settings struct {
	Output, Capture string // device IDs; empty: the router decides
	Follow          bool   // follow when another output is made default
	Delay           Delay
	CaptureFrames   int
	OutputFrames    int
	RateHz          int // used without a Router, default 48000
	Guard           bool
	CeilingDB       float64
	Match           Match
}

func (s *Settings) fill() {
	if s.Delay == "" {
		s.Delay = DelayNormal
	}
	if s.RateHz == 0 {
		s.RateHz = 48000
	}
	if s.Match == "" {
		s.Match = MatchPink
	}
}

// needsReopen reports whether going from s to n takes other streams.
func (s Settings) needsReopen(n Settings) bool {
	s.Match, n.Match, s.Follow, n.Follow = "", "", false, false
	return s != n
}

// Selection is what the engine corrects with: the fitted cushion and its correction.
type Selection struct {
	Cushion    string
	Reference  string
	Correction *dsp.Correction
	Other      *dsp.Correction // what bypass switches to; nil: no correction, loudness matched
	OtherName  string
}

// Status is a snapshot for people and programs.
type Status struct {
	State      State    `json:"state"`
	Cushion    string   `json:"cushion"`
	Reference  string   `json:"reference"`
	Bypass     bool     `json:"bypass"`
	Other      string   `json:"other,omitempty"` // what bypass switches to, when that is a correction
	Muted      bool     `json:"muted"`
	Aside      bool     `json:"aside,omitempty"` // silent while somebody measures on the output
	Driver     string   `json:"driver"`
	Output     string   `json:"output"`
	OutputID   string   `json:"output_id"`
	RateHz     int      `json:"rate_hz"`
	HeadroomDB float64  `json:"headroom_db"` // level change, ≤ 0
	Bands      int      `json:"bands"`
	DelayMS    float64  `json:"delay_ms"`
	Reopened   int      `json:"reopened"`
	LastError  string   `json:"last_error,omitempty"`
	Counters   Counters `json:"counters"`
}

// Session is one engine: the supervisor and what it owns. Run drives it; the other methods may be called from any
// goroutine at any time and only send requests or read atomics.
type Session struct {
	driver Driver
	router Router
	log    *slog.Logger

	requests chan func() // run by the supervisor
	status   atomic.Pointer[Status]
	loop     atomic.Pointer[loop] // for reading flags; the supervisor replaces it
	done     chan struct{}
	once     sync.Once

	// All below belongs to the supervisor.
	asked    Settings // as given
	set      Settings // as in force
	sel      Selection
	state    State
	m        *meters
	route    Route
	stream   Stream
	bypass   bool
	muted    bool
	aside    bool
	steady   bool
	reopened int
	lastErr  string
	reopen   string      // why the streams must be reopened; empty: they need not
	plan     Plan        // of the open streams
	chains   dsp.Options // how the chains of the open streams are compiled: all alike, or a crossfade would mix delays
	step     int         // which of plan.OutputFrames is in force; kept over a reopening
	told     int         // the streams' delay as published, frames
	lost     chan error
	flows    uint64    // underflows seen when the step was last changed or the calm began
	calm     time.Time // since when
	growing  int       // the step that the output's buffer is to take at growAt, when the ring holds what it will ask for; 0: none
	growAt   time.Time
}

// New makes a session. router may be nil: then Settings must name both devices.
func New(driver Driver, router Router, set Settings, sel Selection, log *slog.Logger) *Session {
	set.fill()
	s := &Session{driver: driver, router: router, log: log, requests: make(chan func(), 16), done: make(chan struct{}),
		asked: set, set: set, sel: sel, m: &meters{}}
	s.publish()
	return s
}

// ErrStopped is returned by requests to a session that is not running.
var ErrStopped = errors.New("engine: request: the session has ended")

// do runs f on the supervisor and waits for it.
func (s *Session) do(ctx context.Context, f func() error) error {
	res := make(chan error, 1)
	select {
	case s.requests <- func() { err := f(); s.publish(); res <- err }: // published first: who asks next sees it
	case <-s.done:
		return ErrStopped
	case <-ctx.Done():
		return ctx.Err()
	}
	select {
	case err := <-res:
		return err
	case <-s.done:
		return ErrStopped
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Select makes sel what is heard, by one crossfade. On error nothing changes.
func (s *Session) Select(ctx context.Context, sel Selection) error {
	return s.do(ctx, func() error {
		if s.stream != nil {
			p, err := s.program(sel, float64(s.route.RateHz))
			if err != nil {
				return err
			}
			s.loop.Load().pending.Store(p)
		}
		s.sel = sel
		return nil
	})
}

// Configure takes over new settings; the streams are reopened only if they must be.
func (s *Session) Configure(ctx context.Context, set Settings) error {
	set.fill()
	return s.do(ctx, func() error {
		rematch := s.set.Match != set.Match
		output := s.set.Output // may be one that was followed: it stays until the settings name another
		if s.asked.needsReopen(set) {
			s.reopen = "settings changed"
			output = set.Output
		}
		s.asked, s.set = set, set
		s.set.Output = output
		if rematch && s.stream != nil && s.reopen == "" {
			p, err := s.program(s.sel, float64(s.route.RateHz))
			if err != nil {
				return err
			}
			s.loop.Load().pending.Store(p)
		}
		return nil
	})
}

// Rematch changes how loudness is matched and nothing else; the next Select builds on it.
func (s *Session) Rematch(ctx context.Context, m Match) error {
	return s.do(ctx, func() error { s.set.Match = m; return nil })
}

// Bypass switches between the correction and the other side and returns the new state. want nil toggles.
func (s *Session) Bypass(ctx context.Context, want *bool) (on bool, err error) {
	err = s.do(ctx, func() error {
		s.bypass = !s.bypass
		if want != nil {
			s.bypass = *want
		}
		on = s.bypass
		if l := s.loop.Load(); l != nil {
			l.bypass.Store(on)
		}
		return nil
	})
	return on, err
}

// Mute silences the output by a short fade, or lifts the silence.
func (s *Session) Mute(ctx context.Context, on bool) error {
	return s.do(ctx, func() error {
		s.muted = on
		if l := s.loop.Load(); l != nil {
			l.mute.Store(s.muted || s.aside)
		}
		return nil
	})
}

// Reopen closes and opens the streams again.
func (s *Session) Reopen(ctx context.Context, why string) error {
	return s.do(ctx, func() error { s.reopen = why; return nil })
}

// Status returns the latest snapshot with the counters of this moment.
func (s *Session) Status() Status {
	st := *s.status.Load()
	st.Counters = s.m.snapshot()
	if st.State == Running {
		st.DelayMS += float64(st.Counters.RingFillFrames) / float64(st.RateHz) * 1e3
	}
	return st
}

// publish makes the supervisor's view readable.
func (s *Session) publish() {
	st := &Status{State: s.state, Cushion: s.sel.Cushion, Reference: s.sel.Reference, Bypass: s.bypass, Other: s.sel.OtherName,
		Muted: s.muted, Aside: s.aside, OutputID: s.route.OutputID, Driver: s.driver.Name(), Output: s.route.OutputName, RateHz: s.route.RateHz, Reopened: s.reopened,
		LastError: s.lastErr}
	if s.sel.Correction != nil {
		st.Bands = len(s.sel.Correction.Bands())
		rate := float64(s.route.RateHz)
		if rate == 0 {
			rate = 48000
		}
		if c, err := s.sel.Correction.Compile(rate, dsp.Options{}); err == nil {
			st.HeadroomDB = c.HeadroomDB()
		}
	}
	if s.stream != nil {
		st.DelayMS = float64(s.stream.DelayFrames()+int(s.m.lag.Load())) / float64(s.route.RateHz) * 1e3
	}
	s.status.Store(st)
}

// lagSteps are the delays chains are padded to where they have any, so that most corrections are in step with each other.
var lagSteps = []int{48, 96, 192, 384}

// chains is how the chains of a session are compiled: without a delay of their own, but where the delay is of no concern.
func (d Delay) chains() dsp.Options { return dsp.Options{NoLag: d != DelaySafe} }

// lookAheadS is how far the guard looks ahead, s.
func (d Delay) lookAheadS() float64 {
	if d == DelayLow {
		return guard.LeastLookAheadS
	}
	return guard.DefaultLookAheadS
}

// program compiles a selection. It is built by the supervisor and given away by publishing it.
func (s *Session) program(sel Selection, rateHz float64) (*program, error) {
	if sel.Correction == nil {
		return nil, fmt.Errorf("engine: select %q: no correction given", sel.Cushion)
	}
	flat, err := dsp.NewCorrection(nil, 0)
	if err != nil {
		return nil, err
	}
	other := sel.Other
	if other == nil {
		other = flat
	}
	opts := s.chains
	for _, c := range []*dsp.Correction{sel.Correction, other} {
		ch, err := c.Compile(rateHz, s.chains)
		if err != nil {
			return nil, fmt.Errorf("engine: compile %q: %w", sel.Cushion, err)
		}
		opts.LagFrames = max(opts.LagFrames, ch.LagFrames())
	}
	if s.chains.Lags() {
		for _, step := range lagSteps {
			if opts.LagFrames <= step {
				opts.LagFrames = step
				break
			}
		}
	}
	p := &program{fade: dsp.NewCrossfade(int(fadeSeconds * rateHz))}
	if p.a, err = sel.Correction.Compile(rateHz, opts); err != nil {
		return nil, err
	}
	if p.b, err = other.Compile(rateHz, opts); err != nil {
		return nil, err
	}
	over := make([]float64, 2*blockFrames)
	for !p.fade.Done() { // no fade is under way yet
		p.fade.Mix(over, over)
	}
	if s.set.Match != MatchOff {
		p.match.set(pinkDB(p.a) - pinkDB(p.b))
	}
	if s.set.Match == MatchProgramme {
		if p.match.meterA, err = loudness.New(rateHz, loudness.WithoutTruePeak()); err != nil {
			return nil, err
		}
		if p.match.meterB, err = loudness.New(rateHz, loudness.WithoutTruePeak()); err != nil {
			return nil, err
		}
	}
	p.gainA, p.gainB = dsp.Ratio(p.match.levelA), dsp.Ratio(p.match.levelB)
	return p, nil
}

// pinkDB is the loudness change a chain makes on pink noise, mean power of both ears, headroom included.
func pinkDB(c *dsp.Chain) float64 {
	return c.HeadroomDB() + loudness.PinkGainDB(func(f float64) float64 {
		l, r := dsp.Ratio(c.DB(dsp.Left, f)), dsp.Ratio(c.DB(dsp.Right, f))
		return dsp.DB(l*l+r*r)/2 - dsp.DB(2)/2
	})
}

// to moves to another state; a move the table does not hold is a defect of the supervisor.
func (s *Session) to(n State) {
	for _, ok := range transitions[s.state] {
		if ok == n {
			s.log.Debug("state", "from", s.state, "to", n)
			s.state = n
			s.publish()
			return
		}
	}
	panic(fmt.Sprintf("engine: state %v -> %v", s.state, n))
}

// leastCeilingDB is the lowest that a guard takes.
const leastCeilingDB = -20

// open takes the route and opens the streams.
func (s *Session) open(ctx context.Context) error {
	req := Request{CaptureID: s.set.Capture, OutputID: s.set.Output, RateHz: s.set.RateHz,
		Lost: s.ended()}
	gain := func() float32 { return 1 }
	if s.router != nil && s.set.Capture == "" {
		r, err := s.takeRoute(ctx, s.set.Output)
		if errors.Is(err, ErrNoOutput) && s.set.Output != s.asked.Output {
			s.set.Output = s.asked.Output // one that was followed is nobody's setting: what is left will do, until it is back
			r, err = s.takeRoute(ctx, s.set.Output)
		}
		if err != nil {
			return err
		}
		s.route = r
		req.CaptureID, req.OutputID, req.RateHz = r.CaptureID, r.OutputID, r.RateHz
		gain = s.router.InputGain
	} else {
		if req.CaptureID == "" || req.OutputID == "" {
			return &Error{"open", "devices", GiveUp, errors.New("there is no automatic sound routing on this system: name sound.capture and sound.output in settings.toml")}
		}
		if req.CaptureID == req.OutputID || req.CaptureID == req.OutputID+".monitor" {
			return &Error{"open", req.OutputID, GiveUp, errors.New("the output would feed back into its own capture: name another sound.output or sound.capture")}
		}
		s.route = Route{CaptureID: req.CaptureID, OutputID: req.OutputID, OutputName: req.OutputID, RateHz: req.RateHz, Channels: 2}
	}
	s.planFor(&req)
	s.chains = s.set.Delay.chains()
	rate := float64(req.RateHz)
	sel := s.sel
	p, err := s.program(sel, rate)
	if err != nil {
		return &Error{"open", req.OutputID, GiveUp, err}
	}
	p.side = s.bypass
	start := time.Now()
	now := func() int64 { return int64(time.Since(start)) } // monotonic: a clock that is set back changes nothing
	if c, ok := s.driver.(Clocked); ok {
		now = c.Now
	}
	l, err := newLoop(loopConfig{rateHz: rate, captureFrames: req.CaptureFrames, outputFrames: req.OutputFrames, keepFrames: s.plan.KeepFrames, guard: s.set.Guard,
		aheadS: s.set.Delay.lookAheadS(), ceilingDB: max(leastCeilingDB, s.set.CeilingDB-s.route.MixDB), inputGain: gain, now: now}, s.m, p)
	if err != nil {
		return &Error{"open", req.OutputID, GiveUp, err}
	}
	l.bypass.Store(s.bypass)
	l.mute.Store(s.muted || s.aside)
	l.steady.Store(s.steady)
	l.grows.Store(s.outputGrows())
	req.Capture, req.Playback, req.Ready = l.capture, l.render, l.ready
	req.Underflow = func() { s.m.underflows.Add(1) }
	req.Gap = func() { l.gap.Store(true) }
	st, err := waitFor(s, func() (Stream, error) { return s.driver.Open(req) })
	if err != nil {
		return err
	}
	s.loop.Store(l)
	s.stream = st
	// what was asked for meanwhile
	l.bypass.Store(s.bypass)
	l.mute.Store(s.muted || s.aside)
	l.steady.Store(s.steady)
	if s.sel != sel {
		if p, err := s.program(s.sel, rate); err == nil {
			l.pending.Store(p)
		}
	}
	return nil
}

func (s *Session) takeRoute(ctx context.Context, output string) (Route, error) {
	return waitFor(s, func() (Route, error) { return s.router.Take(ctx, output) })
}

// waitFor waits for f, which a server that stands still can hold up for seconds, and serves requests meanwhile. f must not touch
// what belongs to the supervisor.
func waitFor[T any](s *Session, f func() (T, error)) (T, error) {
	type result struct {
		v   T
		err error
	}
	done := make(chan result, 1)
	go func() {
		v, err := f()
		done <- result{v, err}
	}()
	for {
		select {
		case r := <-done:
			return r.v, r.err
		case request := <-s.requests:
			request()
		}
	}
}

// planFor fills in the frames of the request: as the settings say, or as the driver plans for the wished delay.
func (s *Session) planFor(req *Request) {
	keep := s.plan
	s.plan = Plan{CaptureFrames: 480, KeepFrames: 960, OutputFrames: []int{1920}}
	if d, ok := s.driver.(Planner); ok {
		s.plan = d.Plan(s.set.Delay, req.RateHz)
	}
	if n := s.set.CaptureFrames; n > 0 {
		s.plan.CaptureFrames, s.plan.KeepFrames = n, 2*n
	}
	if n := s.set.OutputFrames; n > 0 {
		s.plan.OutputFrames = []int{n}
	}
	if !slices.Equal(keep.OutputFrames, s.plan.OutputFrames) {
		s.step = 0
	}
	req.CaptureFrames, req.OutputFrames = s.plan.CaptureFrames, s.plan.OutputFrames[s.step]
}

// ended makes the Lost of a Request: the supervisor hears of the first loss, and of none of streams that it has closed.
func (s *Session) ended() func(error) {
	c := make(chan error, 1)
	s.lost = c
	return func(err error) {
		select {
		case c <- err:
		default:
		}
	}
}

const (
	settleTime = time.Second      // after a change of the buffers nothing is concluded for so long
	calmTime   = 10 * time.Minute // without a break, before a smaller buffer is tried
)

// adapt grows the output's buffer after the server ran dry, and tries a smaller one after a long calm.
func (s *Session) adapt(now time.Time) {
	flows := s.m.underflows.Load()
	step := s.step
	switch {
	case s.growing > 0 && now.Before(s.growAt):
		return
	case s.growing > 0:
		step, s.growing = s.growing, 0
		s.resize(step)
		return
	case now.Before(s.calm): // settling
		s.flows = flows
		return
	case flows != s.flows && s.step+1 < len(s.plan.OutputFrames):
		step++
	case flows != s.flows:
		s.flows, s.calm = flows, now
		return
	case now.Sub(s.calm) > calmTime && s.step > 0:
		step--
	default:
		return
	}
	s.flows, s.calm = flows, now.Add(settleTime)
	l := s.loop.Load()
	if _, ok := s.stream.(Resizer); !ok || l == nil {
		return
	}
	from, to := s.plan.OutputFrames[s.step], s.plan.OutputFrames[step]
	if to <= from || s.plan.InStep {
		s.resize(step)
		return
	}
	l.stretch.Store(int64(to - from)) // what the larger buffer will ask for at once
	s.growing, s.growAt = step, now.Add(2*time.Duration(float64(from)/float64(s.route.RateHz)*float64(time.Second)))
}

// outputGrows reports whether adapt has a larger output buffer that covers what is late at either end.
func (s *Session) outputGrows() bool { return !s.plan.InStep && s.step+1 < len(s.plan.OutputFrames) }

// resize makes the output's buffer as large as the plan's step says.
func (s *Session) resize(step int) {
	from, to := s.plan.OutputFrames[s.step], s.plan.OutputFrames[step]
	got, err := s.stream.(Resizer).Resize(to)
	if err != nil {
		s.log.Warn("changing the output's buffer", "frames", to, "error", err)
		return
	}
	s.step = step
	if l := s.loop.Load(); l != nil {
		l.grows.Store(s.outputGrows())
	}
	s.log.Info("the output's buffer changed", "from_frames", from, "to_frames", got, "server_ran_dry", s.flows)
	s.publish()
}

// close fades out if the callbacks still come, and closes the streams.
func (s *Session) close(fade bool) {
	if s.stream == nil {
		return
	}
	if l := s.loop.Load(); fade && l != nil {
		l.mute.Store(true)
		for end := time.Now().Add(150 * time.Millisecond); !l.silent.Load() && time.Now().Before(end); {
			time.Sleep(2 * time.Millisecond)
		}
		// what is silent already still has to pass the device's buffer
		time.Sleep(time.Duration(float64(s.plan.OutputFrames[s.step]) / float64(s.route.RateHz) * float64(time.Second)))
	}
	if err := s.stream.Close(); err != nil {
		s.log.Warn("closing the streams", "error", err)
	}
	s.stream = nil
	s.loop.Store(nil)
}

// longestPause between two attempts leaves room for opening within a second of what was missing being back.
const longestPause = 500 * time.Millisecond

// progress tells whether callbacks came since the last call.
type progress struct {
	play, capt uint64
	at         time.Time
}

func (p *progress) stalled(m *meters, needCapture bool, limit time.Duration) bool {
	play, capt := m.callbacks.Load(), m.captured.Load()
	if play != p.play && (capt != p.capt || !needCapture) {
		*p = progress{play, capt, time.Now()}
		return false
	}
	return time.Since(p.at) > limit
}

// Run opens the session and supervises it until the context ends (nil is returned) or it fails. It may be called once.
func (s *Session) Run(ctx context.Context) (err error) {
	defer s.once.Do(func() { close(s.done) })
	defer func() {
		s.close(true)
		if s.router != nil {
			rel, cancel := context.WithTimeout(context.Background(), 3*time.Second)
			defer cancel()
			if e := s.router.Release(rel); e != nil && err == nil {
				err = e
			}
		}
		if s.state != Failed {
			s.to(Stopped)
		}
	}()
	var events <-chan RouteEvent
	if s.router != nil {
		events = s.router.Events()
	}
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	pause := 100 * time.Millisecond
	s.to(Opening)
	for {
		s.reopen = "" // from here on settings that change are others than those that are opened
		err := s.open(ctx)
		if err == nil {
			err = s.await(ctx, tick.C)
		}
		if ctx.Err() != nil {
			return nil
		}
		if err == nil {
			pause = 100 * time.Millisecond
			if s.state == Recovering {
				s.log.Info("sound is back", "output", s.route.OutputName, "rate_hz", s.route.RateHz)
			}
			s.lastErr = ""
			s.to(Running)
			err = s.supervise(ctx, events, tick.C)
			if err == nil {
				return nil
			}
			s.reopened++
			s.log.Warn("reopening", "cause", err)
		} else if s.state == Opening {
			s.fail(err)
			return err
		}
		var e *Error
		if errors.As(err, &e) && e.Reaction == GiveUp && s.state == Recovering {
			s.fail(err)
			return err
		}
		if s.lastErr != err.Error() && s.state == Recovering {
			s.log.Warn("not back yet", "cause", err)
		}
		s.lastErr = err.Error()
		wasRunning := s.state == Running
		s.to(Recovering)
		s.close(wasRunning)
		if !wasRunning {
			s.rest(ctx, pause)
			pause = min(2*pause, longestPause)
		}
		if ctx.Err() != nil {
			return nil
		}
	}
}

func (s *Session) fail(err error) {
	s.close(false)
	s.lastErr = err.Error()
	s.to(Failed)
}

// rest serves requests for a while.
func (s *Session) rest(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case f := <-s.requests:
			f()
		case <-t.C:
			return
		}
	}
}

// await waits for the first callbacks of freshly opened streams.
func (s *Session) await(ctx context.Context, tick <-chan time.Time) error {
	play, capt := s.m.callbacks.Load(), s.m.captured.Load()
	deadline := time.Now().Add(4 * Stalled)
	for s.m.callbacks.Load() == play || (s.m.captured.Load() == capt && s.router != nil) {
		if time.Now().After(deadline) {
			return &Error{"start", s.route.OutputName, Reopen, fmt.Errorf("no sound callback within %v", 4*Stalled)}
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case f := <-s.requests:
			f()
		case <-time.After(2 * time.Millisecond):
		case <-tick:
		}
	}
	return nil
}

// supervise watches running streams; it returns why they must be reopened, or nil when the context ends.
func (s *Session) supervise(ctx context.Context, events <-chan RouteEvent, tick <-chan time.Time) error {
	p := progress{at: time.Now()}
	s.flows, s.calm, s.growing = s.m.underflows.Load(), time.Now().Add(settleTime), 0
	for {
		select {
		case <-ctx.Done():
			return nil
		case f := <-s.requests:
			f()
		case ev := <-events:
			if err := s.routeEvent(ctx, ev); err != nil {
				return err
			}
		case err := <-s.lost:
			return &Error{"run", s.route.OutputName, Reopen, err}
		case now := <-tick:
			s.adapt(now)
			if d := s.stream.DelayFrames(); d != s.told {
				s.told = d
				s.publish()
			}
			if p.stalled(s.m, s.router != nil, Stalled) {
				return &Error{"run", s.route.OutputName, Reopen, fmt.Errorf("no sound callback for %v", Stalled)}
			}
		}
		if s.reopen != "" {
			why := s.reopen
			s.reopen = ""
			return &Error{"run", s.route.OutputName, Reopen, errors.New(why)}
		}
	}
}

func (s *Session) routeEvent(ctx context.Context, ev RouteEvent) error {
	because := func(text string) error { return &Error{"run", s.route.OutputName, Reopen, errors.New(text)} }
	switch ev.Kind {
	case ServerGone:
		return because("the sound server is gone")
	case OutputGone:
		return because("the output is gone")
	case OutputBack:
		return because("the output is back: " + ev.Detail)
	case OutputChanged:
		return because("the output changed its rate or channels")
	case SinkGone:
		return because("somebody removed the virtual sink")
	case DefaultChanged:
		// The output that plays may be chosen again: by a session manager that remembers it, when it is back.
		if s.set.Follow && ev.Detail != "" && ev.Detail != s.route.OutputID {
			s.log.Info("following", "output", ev.Detail)
			s.set.Output = ev.Detail
			return because("another output was chosen: " + ev.Detail)
		}
		if _, err := s.takeRoute(ctx, s.route.OutputID); err != nil {
			return err
		}
		if ev.Detail == s.route.OutputID {
			s.log.Info("the output was made default itself: the virtual sink is default again", "output", ev.Detail)
		} else {
			s.log.Info("held the output against another default", "other", ev.Detail)
		}
	}
	return nil
}
