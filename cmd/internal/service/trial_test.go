package service

import (
	"context"
	"fmt"
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
	"cushwright/engine/control"
	"cushwright/platform/keys"
)

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
	for _, bad := range []control.TrialRequest{{Hidden: true, First: None, Second: None}, {Hidden: true, First: "wipe-clean", Second: "nobody"},
		{Hidden: true, Side: "first"}, {}, {Hidden: true, First: "woven", Second: None}} {
		if err := ask(bad); err == nil {
			t.Errorf("%+v: begun", bad)
		}
	}
	if st, _ := cl.Status(ctx); st.Trial || !st.Bypass {
		t.Fatalf("after refusals: trial %v, bypass %v", st.Trial, st.Bypass)
	}
	if err := ask(control.TrialRequest{Hidden: true, First: None, Second: "wipe-clean"}); err != nil {
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
	svc.Pressed(keys.Bypass)
	svc.Pressed(keys.NextCushion)
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
	svc.Loaded(config.Load(svc.dir))
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
