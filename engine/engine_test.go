package engine_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"regexp"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"cushwright/dsp"
	"cushwright/engine"
	"cushwright/engine/sim"
)

func correction(t testing.TB, headroom float64, bands ...dsp.Band) *dsp.Correction {
	t.Helper()
	c, err := dsp.NewCorrection(bands, headroom)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func settings() engine.Settings {
	return engine.Settings{Capture: "simulated-capture", Output: "simulated-output", Guard: true, CeilingDB: -1, Match: engine.MatchPink}
}

// recorder keeps what a simulated output plays. The mutex is shared with the simulated device.
type recorder struct {
	mu  sync.Mutex
	out []float32
}

func (r *recorder) sink(_ uint64, out []float32) {
	r.mu.Lock()
	r.out = append(r.out, out...)
	r.mu.Unlock()
}

// last returns a copy of the last n frames once total frames were played.
func (r *recorder) last(t testing.TB, total, n int) []float32 {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(time.Millisecond) {
		r.mu.Lock()
		if len(r.out) >= 2*total {
			out := append([]float32(nil), r.out[2*(total-n):2*total]...)
			r.mu.Unlock()
			return out
		}
		r.mu.Unlock()
	}
	t.Fatal("the simulated output did not play in time")
	return nil
}

func (r *recorder) frames() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.out) / 2
}

func sine(hz, amplitude float64) func(uint64, []float32) {
	return func(frame uint64, in []float32) {
		for i := range in {
			in[i] = float32(amplitude * math.Sin(2*math.Pi*hz*float64(frame+uint64(i/2))/48000))
		}
	}
}

func start(t testing.TB, d *sim.Driver, r engine.Router, set engine.Settings, sel engine.Selection) (*engine.Session, context.CancelFunc, chan error) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	s := engine.New(d, r, set, sel, slog.New(slog.DiscardHandler))
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	t.Cleanup(func() { cancel() })
	return s, cancel, done
}

func eventually(t testing.TB, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(10 * time.Second); time.Now().Before(end); time.Sleep(time.Millisecond) {
		if ok() {
			return
		}
	}
	t.Fatal("not within 10 s:", what)
}

func rms(x []float32) float64 {
	sum := 0.0
	for _, v := range x {
		sum += float64(v) * float64(v)
	}
	return math.Sqrt(sum / float64(len(x)))
}

func TestSineComesOutAtItsLevel(t *testing.T) {
	rec := &recorder{}
	sel := engine.Selection{Cushion: "wipe-clean", Correction: correction(t, -6, dsp.Band{Shape: dsp.Bell, FreqHz: 1000, GainDB: 4, Q: 1})}
	s, cancel, done := start(t, &sim.Driver{Source: sine(1000, 0.25), Sink: rec.sink, Speed: 20}, nil, settings(), sel)
	out := rec.last(t, 3*48000, 48000)
	got, want := dsp.DB(rms(out)*math.Sqrt2/0.25), -2.0
	if math.Abs(got-want) > 0.01 {
		t.Errorf("1 kHz came out at %.4f dB, want %.2f", got, want)
	}
	st := s.Status()
	if st.State != engine.Running || st.Counters.Underruns != 0 || st.HeadroomDB != -6 || st.Bands != 1 {
		t.Errorf("status %+v", st)
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
	if s.Status().State != engine.Stopped {
		t.Errorf("after the end the state is %v", s.Status().State)
	}
	if tail := rec.last(t, rec.frames(), 100); rms(tail) > 1e-4 {
		t.Errorf("the last frames before the end have %.1f dBFS: no fade-out", dsp.DB(rms(tail)))
	}
}

func TestStartFadesIn(t *testing.T) {
	rec := &recorder{}
	start(t, &sim.Driver{Source: sine(1000, 0.5), Sink: rec.sink, Speed: 20}, nil, settings(), engine.Selection{Correction: correction(t, 0)})
	out := rec.last(t, 48000, 48000)
	first := 0
	for i, x := range out {
		if math.Abs(float64(x)) > 1e-4 {
			first = i / 2
			break
		}
	}
	early, late := rms(out[2*first:2*(first+480)]), rms(out[2*40000:])
	if early > late/20 {
		t.Errorf("the first 10 ms of sound are at %.1f dBFS, the settled sound at %.1f: no fade-in", dsp.DB(early), dsp.DB(late))
	}
}

func TestSwitchesAreClean(t *testing.T) {
	rec := &recorder{}
	mk := func(g float64) engine.Selection {
		return engine.Selection{Correction: correction(t, -12, dsp.Band{Shape: dsp.LowShelf, FreqHz: 105, GainDB: g, Q: 0.7}, dsp.Band{Shape: dsp.Bell, FreqHz: 3000, GainDB: -g, Q: 2})}
	}
	s, _, _ := start(t, &sim.Driver{Source: sine(1000, 1), Sink: rec.sink, Speed: 10}, nil, settings(), mk(6))
	rec.last(t, 48000, 1)
	from := rec.frames()
	ctx := context.Background()
	for i := range 40 {
		var err error
		switch i % 4 {
		case 0:
			err = s.Select(ctx, mk(-6))
		case 2:
			err = s.Select(ctx, mk(6))
		default:
			_, err = s.Bypass(ctx, nil)
		}
		if err != nil {
			t.Fatal(err)
		}
		time.Sleep(7 * time.Millisecond)
	}
	to := rec.frames()
	out := rec.last(t, to, to-from)
	if worst := splatterDB(out); worst > -80 {
		t.Errorf("switching splatters %.1f dBFS outside 0.5 to 2 kHz, allowed: -80", worst)
	} else {
		t.Logf("largest splatter outside 0.5 to 2 kHz: %.1f dBFS", worst)
	}
}

// splatterDB is the largest level, in windows of 4096 frames, of a left ear outside 0.5 to 2 kHz, sampled every 250 Hz.
func splatterDB(out []float32) float64 {
	const n = 4096
	worst := -300.0
	win := make([]float64, n)
	for at := 0; at+2*n <= len(out); at += n {
		for i := range win { // Blackman-Harris, F. J. Harris, Proc. IEEE 66(1), 1978: side lobes below -92 dB
			p := 2 * math.Pi * float64(i) / n
			w := 0.35875 - 0.48829*math.Cos(p) + 0.14128*math.Cos(2*p) - 0.01168*math.Cos(3*p)
			win[i] = float64(out[at+2*i]) * w / (0.35875 * n / 2)
		}
		for f := 125.0; f < 20000; f += 250 {
			if f > 500 && f < 2000 {
				continue
			}
			r := dsp.ResponseOf(win, f, 48000)
			worst = max(worst, dsp.DB(math.Hypot(real(r), imag(r))))
		}
	}
	return worst
}

func TestClippedProgrammeIsCounted(t *testing.T) {
	rec := &recorder{}
	src := func(frame uint64, in []float32) {
		sine(100, 2)(frame, in)
		for i := range in {
			in[i] = max(-1, min(1, in[i]))
		}
	}
	s, _, _ := start(t, &sim.Driver{Source: src, Sink: rec.sink, Speed: 20}, nil, settings(), engine.Selection{Correction: correction(t, 0)})
	out := rec.last(t, 2*48000, 48000)
	c := s.Status().Counters
	if c.ClippedRuns == 0 || c.GuardMaxDB < 0.5 {
		t.Errorf("counters %+v", c)
	}
	peak := 0.0
	for _, x := range out {
		peak = max(peak, math.Abs(float64(x)))
	}
	if dsp.DB(peak) > -1+1e-6 {
		t.Errorf("largest sample %.3f dBFS behind a guard at -1", dsp.DB(peak))
	}
}

func TestStallIsRecovered(t *testing.T) {
	d := &sim.Driver{Source: sine(1000, 0.5), Speed: 5}
	s, _, _ := start(t, d, nil, settings(), engine.Selection{Correction: correction(t, 0)})
	eventually(t, "running", func() bool { return s.Status().State == engine.Running })
	for round := 1; round <= 3; round++ {
		d.OpenErr.Store(&engine.Error{Action: "open", Object: "x", Reaction: engine.Reopen, Err: errors.New("server away")})
		d.Stall()
		eventually(t, "recovering", func() bool { return s.Status().State == engine.Recovering && s.Status().LastError != "" })
		time.Sleep(50 * time.Millisecond)
		d.Revive()
		d.OpenErr.Store(nil)
		eventually(t, "running again", func() bool { return s.Status().State == engine.Running })
		if got := s.Status().Reopened; got != round {
			t.Errorf("reopened %d times, want %d", got, round)
		}
	}
}

func TestFirstOpenFails(t *testing.T) {
	d := &sim.Driver{}
	d.OpenErr.Store(&engine.Error{Action: "open", Object: "x", Reaction: engine.Reopen, Err: errors.New("no such device")})
	s, _, done := start(t, d, nil, settings(), engine.Selection{Correction: correction(t, 0)})
	err := <-done
	if err == nil || err.Error() != `engine: open "x": no such device` {
		t.Errorf("error %v", err)
	}
	if s.Status().State != engine.Failed {
		t.Errorf("state %v", s.Status().State)
	}
	if err := s.Select(context.Background(), engine.Selection{}); !errors.Is(err, engine.ErrStopped) {
		t.Errorf("a request to a failed session: %v", err)
	}
}

func TestFeedbackIsRefused(t *testing.T) {
	set := settings()
	set.Output, set.Capture = "speakers", "speakers.monitor"
	_, _, done := start(t, &sim.Driver{}, nil, set, engine.Selection{Correction: correction(t, 0)})
	var e *engine.Error
	if err := <-done; !errors.As(err, &e) || e.Reaction != engine.GiveUp {
		t.Errorf("error %v", err)
	}
}

// router is a Router whose events a test sends.
type router struct {
	events chan engine.RouteEvent
	mu     sync.Mutex
	taken  []string
	freed  int

	missing string
	hold    atomic.Pointer[chan struct{}] // Take waits for it to be closed
}

func (r *router) Take(_ context.Context, output string) (engine.Route, error) {
	if c := r.hold.Load(); c != nil {
		<-*c
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.taken = append(r.taken, output)
	if output != "" && output == r.missing {
		return engine.Route{}, &engine.Error{Action: "use output", Object: output, Reaction: engine.Reopen, Err: fmt.Errorf("%w; there are none", engine.ErrNoOutput)}
	}
	return engine.Route{CaptureID: "virtual.monitor", OutputID: "real", OutputName: "real", RateHz: 48000, Channels: 2}, nil
}
func (r *router) Release(context.Context) error    { r.mu.Lock(); r.freed++; r.mu.Unlock(); return nil }
func (r *router) Events() <-chan engine.RouteEvent { return r.events }
func (r *router) InputGain() float32               { return 2 }

func TestRouteEvents(t *testing.T) {
	for _, c := range []struct {
		name     string
		follow   bool
		event    engine.RouteEvent
		reopened int
		last     string // what the route was taken for at last
	}{
		{"server gone", true, engine.RouteEvent{Kind: engine.ServerGone}, 1, ""},
		{"output gone", true, engine.RouteEvent{Kind: engine.OutputGone}, 1, ""},
		{"output changed", true, engine.RouteEvent{Kind: engine.OutputChanged}, 1, ""},
		{"sink removed", true, engine.RouteEvent{Kind: engine.SinkGone}, 1, ""},
		{"another default, followed", true, engine.RouteEvent{Kind: engine.DefaultChanged, Detail: "other"}, 1, "other"},
		{"the output that plays made default, followed", true, engine.RouteEvent{Kind: engine.DefaultChanged, Detail: "real"}, 0, "real"},
		{"another default, held", false, engine.RouteEvent{Kind: engine.DefaultChanged, Detail: "other"}, 0, "real"},
		{"output back", false, engine.RouteEvent{Kind: engine.OutputBack, Detail: "other"}, 1, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := &router{events: make(chan engine.RouteEvent, 1)}
			set := settings()
			set.Capture, set.Output, set.Follow = "", "", c.follow
			s, cancel, done := start(t, &sim.Driver{Speed: 5}, r, set, engine.Selection{Correction: correction(t, 0)})
			eventually(t, "running", func() bool { return s.Status().State == engine.Running })
			r.events <- c.event
			eventually(t, "taken again", func() bool { r.mu.Lock(); defer r.mu.Unlock(); return len(r.taken) == 2 })
			eventually(t, "running again", func() bool { return s.Status().State == engine.Running })
			if got := s.Status().Reopened; got != c.reopened {
				t.Errorf("reopened %d times, want %d", got, c.reopened)
			}
			cancel()
			if err := <-done; err != nil {
				t.Error(err)
			}
			if r.taken[1] != c.last || r.freed != 1 {
				t.Errorf("taken for %q, released %d times", r.taken, r.freed)
			}
		})
	}
}

func TestInputGainUndoesTheVirtualVolume(t *testing.T) {
	rec := &recorder{}
	r := &router{events: make(chan engine.RouteEvent, 1)}
	set := settings()
	set.Capture, set.Output = "", ""
	start(t, &sim.Driver{Source: sine(1000, 0.1), Sink: rec.sink, Speed: 20}, r, set, engine.Selection{Correction: correction(t, 0)})
	if got := dsp.DB(rms(rec.last(t, 2*48000, 24000)) * math.Sqrt2 / 0.2); math.Abs(got) > 0.01 {
		t.Errorf("level %.3f dB from what the programme had", got)
	}
}

func TestLessHeadroomComesUpSlowly(t *testing.T) {
	rec := &recorder{}
	s, _, _ := start(t, &sim.Driver{Source: sine(1000, 0.25), Sink: rec.sink, Speed: 5}, nil, settings(), engine.Selection{Correction: correction(t, -12)})
	rec.last(t, 48000, 1)
	if err := s.Select(context.Background(), engine.Selection{Correction: correction(t, 0)}); err != nil {
		t.Fatal(err)
	}
	from := rec.frames() - 4800
	out := rec.last(t, from+4*48000, 4*48000)
	prev := rms(out[:960])
	for at := 960; at+960 <= len(out); at += 960 { // 10 ms
		now := rms(out[at : at+960])
		if d := dsp.DB(now / prev); d > 0.3 {
			t.Fatalf("the level rose %.2f dB in 10 ms at %d", d, at/2)
		}
		prev = now
	}
	if got := dsp.DB(prev * math.Sqrt2 / 0.25); math.Abs(got) > 0.02 {
		t.Errorf("the level settled at %.3f dB, want 0", got)
	}
}

func TestReloadKeepsTheFollowedOutput(t *testing.T) {
	r := &router{events: make(chan engine.RouteEvent, 1)}
	set := settings()
	set.Capture, set.Output, set.Follow = "", "", true
	s, _, _ := start(t, &sim.Driver{Speed: 5}, r, set, engine.Selection{Correction: correction(t, 0)})
	eventually(t, "running", func() bool { return s.Status().State == engine.Running })
	r.events <- engine.RouteEvent{Kind: engine.DefaultChanged, Detail: "other"}
	eventually(t, "following", func() bool { return s.Status().Reopened == 1 && s.Status().State == engine.Running })
	for _, c := range []struct {
		output   string
		reopened int
		last     string
	}{{"", 1, "other"}, {"third", 2, "third"}} {
		set.Output = c.output
		if err := s.Configure(t.Context(), set); err != nil {
			t.Fatal(err)
		}
		time.Sleep(150 * time.Millisecond)
		eventually(t, "running", func() bool { return s.Status().State == engine.Running })
		r.mu.Lock()
		last := r.taken[len(r.taken)-1]
		r.mu.Unlock()
		if got := s.Status().Reopened; got != c.reopened || last != c.last {
			t.Errorf("settings with output %q: reopened %d times, want %d; taken for %q, want %q", c.output, got, c.reopened, last, c.last)
		}
	}
}

// An output that was followed and then lost is given up for what the settings say; one that the settings name is waited for.
func TestLostOutputThatWasFollowed(t *testing.T) {
	for _, named := range []string{"", "other"} {
		r := &router{events: make(chan engine.RouteEvent, 1)}
		set := settings()
		set.Capture, set.Output, set.Follow = "", named, true
		s, _, _ := start(t, &sim.Driver{Speed: 5}, r, set, engine.Selection{Correction: correction(t, 0)})
		eventually(t, "running", func() bool { return s.Status().State == engine.Running })
		r.events <- engine.RouteEvent{Kind: engine.DefaultChanged, Detail: "other"}
		eventually(t, "following", func() bool { return s.Status().Reopened == 1 && s.Status().State == engine.Running })
		r.mu.Lock()
		r.missing = "other"
		r.mu.Unlock()
		r.events <- engine.RouteEvent{Kind: engine.OutputGone, Detail: "other"}
		if named == "" {
			eventually(t, "running on what is left", func() bool { return s.Status().Reopened == 2 && s.Status().State == engine.Running })
		} else {
			eventually(t, "waiting", func() bool { return s.Status().State == engine.Recovering && s.Status().LastError != "" })
		}
		r.mu.Lock()
		last := r.taken[len(r.taken)-1]
		r.mu.Unlock()
		if last != named {
			t.Errorf("the settings name %q: taken for %q at last", named, last)
		}
	}
}

// While a server stands still, requests are answered, and what they ask for holds when it is back: also settings that need other
// streams.
func TestRequestsWhileTheServerStandsStill(t *testing.T) {
	rec := &recorder{}
	r := &router{events: make(chan engine.RouteEvent, 1)}
	set := settings()
	set.Capture, set.Output = "", ""
	s, _, _ := start(t, &sim.Driver{Source: sine(1000, 0.1), Sink: rec.sink, Speed: 5}, r, set, engine.Selection{Cushion: "a", Correction: correction(t, 0)})
	eventually(t, "running", func() bool { return s.Status().State == engine.Running })
	c := make(chan struct{})
	r.hold.Store(&c)
	r.events <- engine.RouteEvent{Kind: engine.ServerGone}
	eventually(t, "recovering", func() bool { return s.Status().State == engine.Recovering })
	time.Sleep(300 * time.Millisecond) // it waits for the route by now
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	if err := s.Select(ctx, engine.Selection{Cushion: "b", Correction: correction(t, -6)}); err != nil {
		t.Fatal(err)
	}
	set.Output = "other"
	if err := s.Configure(ctx, set); err != nil {
		t.Fatal(err)
	}
	on := true
	if _, err := s.Bypass(ctx, &on); err != nil {
		t.Fatal(err)
	}
	if st := s.Status(); st.Cushion != "b" || !st.Bypass || st.State != engine.Recovering {
		t.Errorf("meanwhile the status is %+v", st)
	}
	r.hold.Store(nil)
	close(c)
	eventually(t, "the other output", func() bool {
		r.mu.Lock()
		defer r.mu.Unlock()
		return r.taken[len(r.taken)-1] == "other" && s.Status().State == engine.Running && s.Status().Bypass
	})
}

// No number of a status is a negative zero, which JSON prints as -0: here a correction that only cuts takes no
// headroom.
func TestStatusHasNoNegativeZero(t *testing.T) {
	rec := &recorder{}
	for _, headroom := range []float64{dsp.AutoHeadroom, 0, math.Copysign(0, -1)} {
		s, _, _ := start(t, &sim.Driver{Source: sine(1000, 0.25), Sink: rec.sink, Speed: 20}, nil, settings(),
			engine.Selection{Correction: correction(t, headroom, dsp.Band{Shape: dsp.Bell, FreqHz: 1000, GainDB: -6,
				Q: 1})})
		rec.last(t, 48000, 4800)
		text, err := json.Marshal(s.Status())
		if err != nil {
			t.Fatal(err)
		}
		if m := regexp.MustCompile(`"\w+":-0(\.0*)?[,}]`).FindAll(text, -1); m != nil {
			t.Errorf("headroom given as %g: %q", headroom, m)
		}
	}
}
