package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"cushwright/config"
	"cushwright/dsp/trial"
	"cushwright/engine"
	"cushwright/engine/control"
	"cushwright/engine/sim"
	"cushwright/platform/keys"
	"cushwright/platform/soundfile"
)

// paper is a record in memory.
type paper struct{ bytes.Buffer }

func (*paper) Sync() error { return nil }

// played runs a sitting with a listener who says after each X which side he heard, rightly at the given rate.
func played(t *testing.T, plan trial.Plan, rate float64, r *rand.Rand) trial.Result {
	t.Helper()
	heard := ""
	s := &sitting{plan: plan, first: "a", second: "b", order: draw(plan.Trials), log: &paper{}, out: io.Discard,
		hear: func(side string) error { heard = side; return nil }}
	asked := 0
	res, err := s.run(func() (string, bool) {
		if asked++; asked%2 == 1 {
			return "x", true
		}
		if right := r.Float64() < rate; (heard == "second") == right {
			return "xb", true
		}
		return "xa", true
	})
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// TestBlindHasThePowerItStates runs simulated listeners of known rates through whole sittings. The figures are the exact
// binomial powers of 12 of 16, computed apart.
func TestBlindHasThePowerItStates(t *testing.T) {
	plan := trial.Plan{Trials: 16, Alpha: .05}
	if text := power(plan); !strings.HasPrefix(text, "16 trials: 12 right answers") || !strings.Contains(text, "right in 90 % of the trials in 98 of 100") {
		t.Errorf("the plan says %q", text)
	}
	r := rand.New(rand.NewPCG(11, 12))
	for _, c := range []struct {
		rate, power float64
		runs        int
	}{{.9, .983, 10000}, {.7, .450, 1000}, {.5, .0384, 1000}} {
		shown := 0
		for range c.runs {
			if played(t, plan, c.rate, r).Heard() {
				shown++
			}
		}
		got, sd := float64(shown)/float64(c.runs), math.Sqrt(c.power*(1-c.power)/float64(c.runs))
		t.Logf("rate %.1f: shown in %.4f of %d runs, stated %.4f", c.rate, got, c.runs, c.power)
		if math.Abs(got-c.power) > 4*sd+5e-4 {
			t.Errorf("rate %.1f: shown in %.4f of runs, stated %.4f", c.rate, got, c.power)
		}
	}
}

// TestBlindTellsNothingEarly: until the last answer is on record, the output and the log are the same whatever X is.
func TestBlindTellsNothingEarly(t *testing.T) {
	script := []string{"x", "a", "x", "XB", "xb", "x", "b", "?", "xa"} // the second xb comes before x was heard
	var outs, logs []string
	for _, order := range [][]bool{{false, false, true}, {true, true, true}} {
		var out bytes.Buffer
		rec := &paper{}
		s := &sitting{plan: trial.Plan{Trials: 3, Alpha: .2}, first: "wipe-clean", second: none, order: order, log: rec, out: &out,
			hear: func(string) error { return nil }}
		at := 0
		res, err := s.run(func() (string, bool) {
			if at++; at <= len(script) {
				return script[at-1], true
			}
			outs, logs = append(outs, out.String()), append(logs, rec.String())
			return "q", true
		})
		if err != nil {
			t.Fatal(err)
		}
		right := 0
		for i, said := range []bool{true, false} {
			if said == order[i] {
				right++
			}
		}
		want := trial.Result{Plan: s.plan, Answered: 2, Correct: right}
		if res != want {
			t.Errorf("%+v, want %+v", res, want)
		}
		if res.PValue() != trial.PValue(3, right) || !strings.Contains(out.String(), "Ended after 2 of 3 trials") {
			t.Errorf("an early stop: p = %v, told as %q", res.PValue(), out.String())
		}
		if !strings.Contains(rec.String(), "order "+letters(order)) || !strings.Contains(rec.String(), "trial 2: answer A after 2 switches") {
			t.Errorf("log: %s", rec.String())
		}
	}
	blur := regexp.MustCompile(`\d{4}-\d\d-\d\dT\S+ |[0-9a-f]{64}`) // time and seal
	if outs[0] != outs[1] {
		t.Errorf("the output tells X:\n%s\n%s", outs[0], outs[1])
	}
	if a, b := blur.ReplaceAllString(logs[0], ""), blur.ReplaceAllString(logs[1], ""); a != b {
		t.Errorf("the log tells X:\n%s\n%s", a, b)
	}
}

// TestBlindKeepsGoingHonestly: an engine that is lost or a log that cannot be written ends the run, never the count.
func TestBlindKeepsGoingHonestly(t *testing.T) {
	lost := errors.New("lost")
	n := 0
	s := &sitting{plan: trial.Plan{Trials: 8, Alpha: .05}, order: make([]bool, 8), log: &paper{}, out: io.Discard,
		hear: func(string) error {
			if n++; n > 4 {
				return lost
			}
			return nil
		}}
	asked := 0
	next := func() (string, bool) { asked++; return []string{"xa", "x"}[asked%2], true }
	res, err := s.run(next)
	if err != nil || res.Answered != 2 || res.Correct != 2 || res.PValue() != trial.PValue(8, 2) {
		t.Errorf("%+v %v", res, err)
	}
	s.log = broken{}
	if _, err := s.run(next); err == nil {
		t.Error("went on without a record")
	}
}

type broken struct{}

func (broken) Write([]byte) (int, error) { return 0, errors.New("disk full") }
func (broken) Sync() error               { return nil }

func TestDrawIsFair(t *testing.T) {
	const n = 40000
	ones, same := 0, 0
	o := draw(n)
	for i, b := range o {
		if b {
			ones++
		}
		if i > 0 && b == o[i-1] {
			same++
		}
	}
	for name, k := range map[string]int{"ones": ones, "repeats": same} {
		if math.Abs(float64(k)-n/2) > 5*math.Sqrt(n)/2 {
			t.Errorf("%s: %d of %d", name, k, n)
		}
	}
}

// TestLoopHasNoSeam: a sine whose period does not fit the file goes round without a jump, and mono reaches both ears.
func TestLoopHasNoSeam(t *testing.T) {
	const rate = 48000
	s := &soundfile.Sound{RateHz: rate, Channels: 1, Samples: make([]float64, rate+100)}
	for i := range s.Samples {
		s.Samples[i] = math.Sin(2 * math.Pi * 101.3 * float64(i) / rate)
	}
	frames, err := seamless(s)
	if err != nil {
		t.Fatal(err)
	}
	if len(frames) != 2*(rate+100-rate/50) {
		t.Errorf("%d samples", len(frames))
	}
	next := repeat(frames)
	buf := make([]float32, 2*1000)
	last, worst := frames[0], 0.0
	for range 250 {
		if n, err := next(buf); n != len(buf) || err != nil {
			t.Fatal(n, err)
		}
		for i := 0; i < len(buf); i += 2 {
			if buf[i] != buf[i+1] {
				t.Fatal("the ears differ")
			}
			worst = math.Max(worst, math.Abs(float64(buf[i]-last)))
			last = buf[i]
		}
	}
	if step := 2 * math.Pi * 101.3 / rate; worst > 1.2*step { // the sine's own steepest step
		t.Errorf("a jump of %.4f, the sine has %.4f", worst, step)
	}
	if _, err := seamless(&soundfile.Sound{RateHz: rate, Channels: 2, Samples: make([]float64, 2*rate/3)}); err == nil {
		t.Error("a third of a second was taken")
	}
}

func TestBlindLogsAreApart(t *testing.T) {
	dir, now := t.TempDir(), time.Now()
	for i := range 3 {
		f, err := openBlindLog(dir, now)
		if err != nil {
			t.Fatal(err)
		}
		f.Close()
		if got, _ := filepath.Glob(filepath.Join(dir, "blind", "*.log")); len(got) != i+1 {
			t.Errorf("%v", got)
		}
	}
}

// startService makes a service of the demonstration bench on a simulated device that plays a low and a high sine.
func startService(t *testing.T) (*service, *outlet) {
	t.Helper()
	o := &outlet{}
	return startServiceOn(t, &sim.Driver{Speed: 4, Sink: o.sink, Source: func(frame uint64, in []float32) {
		for i := range in {
			ph := 2 * math.Pi * float64(frame+uint64(i/2)) / 48000
			in[i] = float32(.45*math.Sin(60*ph) + .45*math.Sin(3000*ph))
		}
	}}), o
}

// startServiceOn makes a service of the demonstration bench on a device.
func startServiceOn(t *testing.T, d *sim.Driver) *service {
	t.Helper()
	dir := t.TempDir()
	if _, err := config.FirstRun(dir); err != nil {
		t.Fatal(err)
	}
	snap, err := config.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	fitted, err := pick(snap, "wipe-clean")
	if err != nil {
		t.Fatal(err)
	}
	sel, err := selection(snap, fitted, "")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	quiet := slog.New(slog.DiscardHandler)
	svc := &service{dir: dir, log: quiet, quit: cancel, keep: func(string) error { return nil }, snap: snap, fitted: fitted}
	set := engineSettings(snap.Settings)
	set.Capture, set.Output, set.RateHz = "simulated-capture", "simulated-output", 48000
	svc.fix = func(s engine.Settings) engine.Settings { return set }
	svc.session = engine.New(d, nil, set, sel, quiet)
	svc.desk = newDesk(quiet)
	var wg sync.WaitGroup
	wg.Go(func() { svc.session.Run(ctx) })
	t.Cleanup(func() { cancel(); wg.Wait() })
	if err := until(ctx, func() bool { return svc.session.Status().State == engine.Running }); err != nil {
		t.Fatal(err)
	}
	return svc
}

// outlet measures what comes out: the power of the 60 Hz part against the 3 kHz part tells the sides apart.
type outlet struct {
	mu   sync.Mutex // guards last
	last []float32
}

func (o *outlet) sink(_ uint64, out []float32) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.last = append(o.last[:0], out...)
}

// tilt is the level of 60 Hz over that of 3 kHz in the last period, dB.
func (o *outlet) tilt() float64 {
	o.mu.Lock()
	defer o.mu.Unlock()
	amp := func(f float64) float64 {
		re, im := 0.0, 0.0
		for i := 0; i < 1600 && 2*i < len(o.last); i++ { // two periods of 60 Hz
			s, c := math.Sincos(2 * math.Pi * f * float64(i) / 48000)
			re, im = re+c*float64(o.last[2*i]), im+s*float64(o.last[2*i])
		}
		return math.Hypot(re, im)
	}
	return 20 * math.Log10(amp(60)/amp(3000))
}

const token = "0123456789abcdef"

// TestTrialHides: through the control interface, a trial plays the side it is asked for, nothing that is told differs
// between the sides, nobody else can move or peek, and the end brings back what was.
func TestTrialHides(t *testing.T) {
	svc, out := startService(t)
	socket := filepath.Join(t.TempDir(), "s")
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() { control.Serve(ctx, socket, svc) })
	defer wg.Wait()
	defer cancel()
	cl := control.NewClient(socket)
	if err := until(ctx, func() bool { _, err := cl.Status(ctx); return err == nil }); err != nil {
		t.Fatal(err)
	}
	if _, err := cl.Bypass(ctx, "on", ""); err != nil {
		t.Fatal(err)
	}
	ask := func(q control.TrialRequest) error { q.Token = token; return cl.Trial(ctx, q) }
	for _, bad := range []control.TrialRequest{{Hidden: true, First: none, Second: none}, {Hidden: true, First: "wipe-clean", Second: "nobody"},
		{Hidden: true, Side: "first"}, {}, {Hidden: true, First: "woven", Second: none}} {
		if err := ask(bad); err == nil {
			t.Errorf("%+v: begun", bad)
		}
	}
	if st, _ := cl.Status(ctx); st.Trial || !st.Bypass {
		t.Fatalf("after refusals: trial %v, bypass %v", st.Trial, st.Bypass)
	}
	if err := ask(control.TrialRequest{Hidden: true, First: none, Second: "wipe-clean"}); err != nil {
		t.Fatal(err)
	}
	settle := func() float64 {
		n := svc.session.Status().Counters.PlaybackCallbacks
		if err := until(ctx, func() bool { return svc.session.Status().Counters.PlaybackCallbacks > n+8 }); err != nil {
			t.Fatal(err)
		}
		return out.tilt()
	}
	var told [2][]string
	var tilts [2][]float64
	steady := func(st control.Status) string { // what moves by itself on both sides is not compared
		c := &st.Counters
		c.CaptureCallbacks, c.PlaybackCallbacks, c.RingFillFrames, c.LateCallbacks, c.DriftPPM, c.InPeakDB, c.InHoldDB, c.Trims, c.Underruns,
			c.OverrunFrames, st.DelayMS = 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0
		return regexp.MustCompile(`, \d+ ms`).ReplaceAllString(fmt.Sprintf("%+v", st), "")
	}
	r := rand.New(rand.NewPCG(3, 4))
	for range 10 {
		side := r.IntN(2)
		if err := ask(control.TrialRequest{Hidden: true, Side: []string{"first", "second"}[side]}); err != nil {
			t.Fatal(err)
		}
		tilts[side] = append(tilts[side], settle())
		st, err := cl.Status(ctx)
		if err != nil {
			t.Fatal(err)
		}
		told[side] = append(told[side], steady(st))
	}
	all := append(told[0], told[1]...)
	for _, s := range all {
		if s != all[0] {
			t.Fatalf("status differs:\n%s\n%s", s, all[0])
		}
	}
	// The test itself must be able to tell: the two sides do sound different.
	for side := range tilts {
		if len(tilts[side]) == 0 {
			t.Fatal("one side was never heard")
		}
		for _, x := range tilts[side] {
			if math.Abs(x-tilts[side][0]) > .1 {
				t.Errorf("side %d is not steady: %v", side, tilts[side])
			}
		}
	}
	if d := math.Abs(tilts[0][0] - tilts[1][0]); d < 1 {
		t.Errorf("the sides differ by %.2f dB only", d)
	}
	// Others.
	if _, err := cl.Bypass(ctx, "toggle", ""); err == nil || !strings.Contains(err.Error(), "listening trial") {
		t.Errorf("bypass in a trial: %v", err)
	}
	if _, err := cl.Wear(ctx, "deep-foam"); err == nil {
		t.Error("wear in a trial")
	}
	if err := cl.Trial(ctx, control.TrialRequest{Token: "another-token-of-somebody", Hidden: true, Side: "first"}); err == nil {
		t.Error("moved by a stranger")
	}
	if err := cl.Trial(ctx, control.TrialRequest{Token: "another-token-of-somebody"}); err == nil {
		t.Error("ended by a stranger")
	}
	svc.pressed(keys.Bypass)
	svc.pressed(keys.NextCushion)
	// An edit waits for the end.
	edited := filepath.Join(svc.dir, "corrections", "wipe-clean.toml")
	text, err := os.ReadFile(edited)
	if err != nil {
		t.Fatal(err)
	}
	if err := config.WriteAtomic(edited, append(text, "\n[[band]]\nshape = \"bell\"\nfreq_hz = 1000\ngain_db = -6.0\nq = 2.0\n"...)); err != nil {
		t.Fatal(err)
	}
	bands := svc.session.Status().Bands
	svc.loaded(config.Load(svc.dir))
	if got := svc.session.Status().Bands; got != bands {
		t.Errorf("the edit was taken over in the trial: %d bands", got)
	}
	if err := ask(control.TrialRequest{}); err != nil {
		t.Fatal(err)
	}
	st, err := cl.Status(ctx)
	if err != nil || st.Trial || !st.Bypass || st.Muted || st.Cushion != "wipe-clean" || st.Bands != bands+1 || st.Reference == "" {
		t.Errorf("after the trial: %+v, %v", st, err)
	}
}

// TestTrialLapses: a client that died leaves no engine behind that refuses for ever.
func TestTrialLapses(t *testing.T) {
	svc, _ := startService(t)
	ctx := t.Context()
	if err := svc.Trial(ctx, control.TrialRequest{Token: token, Hidden: true, First: "wipe-clean", Second: "deep-foam"}); err != nil {
		t.Fatal(err)
	}
	svc.mu.Lock()
	svc.trial.lapse.Reset(time.Millisecond)
	svc.mu.Unlock()
	if err := until(ctx, func() bool { return !svc.Status().Trial }); err != nil {
		t.Fatal("the trial did not lapse")
	}
	if err := svc.Trial(ctx, control.TrialRequest{Token: token, Hidden: true, Side: "first"}); err == nil {
		t.Error("moved after it lapsed")
	}
	if _, err := svc.Bypass(ctx, "toggle", ""); err != nil {
		t.Error(err)
	}
}
