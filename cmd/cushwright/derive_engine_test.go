package main

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/service"
	"cushwright/config"
	"cushwright/engine"
	"cushwright/engine/sim"
)

// beside runs an engine on a simulated device, with its socket, on a bench.
func beside(t *testing.T, dir, fitted string) *service.Service {
	t.Helper()
	alone(t)
	snap, err := config.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	svc, err := service.New(service.Options{Dir: dir, Snap: snap, Fitted: fitted, Driver: &sim.Driver{Speed: 1},
		Fix: func(s engine.Settings) engine.Settings {
			s.Capture, s.Output, s.RateHz = "simulated-capture", "simulated-output", 48000
			return s
		}})
	if err != nil {
		t.Fatal(err)
	}
	socket, err := service.Socket()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() { svc.Run(ctx, socket) })
	t.Cleanup(func() { cancel(); wg.Wait() })
	for end := time.Now().Add(10 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		if _, st, err := service.Open(ctx); err == nil && st.State == engine.Running {
			return svc
		}
		if time.Now().After(end) {
			t.Fatal("the engine does not run within 10 s")
		}
	}
}

// Derive says that the running engine has taken the correction over, once that is so; one that is not proven is called so
// by status; what is fitted cannot be taken away.
func TestDeriveSaysThatTheEngineHasTakenItOver(t *testing.T) {
	dir := demoBench(t)
	svc := beside(t, dir, "wipe-clean")
	was := svc.Status()
	d := reply[bench.Derived](t, dir, "derive", "wipe-clean", "--bands", "5", "--yes")
	now := svc.Status()
	if !strings.HasSuffix(d.Engine, "It is heard now.") || now.Bands != len(d.Bands) || now.Bands == was.Bands || now.Doubt != "" {
		t.Errorf("%q; %d bands were derived, the engine had %d and has %d; doubt %q", d.Engine, len(d.Bands), was.Bands, now.Bands, now.Doubt)
	}
	out, _, err := command(dir, "derive", "deep-foam")
	if err != nil || !strings.Contains(out, "The running engine has taken it over. It is heard once deep-foam is worn.") {
		t.Errorf("%v\n%s", err, out)
	}
	if d := reply[bench.Derived](t, dir, "derive", "deep-foam", "--dry"); d.Engine != "" {
		t.Errorf("nothing was written, and it says %q", d.Engine)
	}
	if d := reply[bench.Derived](t, demoBench(t), "derive", "deep-foam"); d.Engine != "" {
		t.Errorf("of another bench it says %q", d.Engine)
	}
	alterSeats(t, dir, "wipe-clean", func(r config.SeatRef, s *config.Seat) bool { return leftOne(r) })
	if _, _, err := command(dir, "derive", "wipe-clean", "--yes"); err != nil {
		t.Fatal(err)
	}
	if out, _, err := command(dir, "status"); err != nil || !strings.Contains(out, "not proven: wipe-clean has one seat of one ear") {
		t.Errorf("%v\n%s", err, out)
	}
	for _, args := range [][]string{{"remove", "wipe-clean"}, {"rename", "wipe-clean", "sealed"}, {"remove", "--demo"}} {
		if _, _, err := command(dir, append([]string{"cushions"}, args...)...); err == nil {
			t.Errorf("%v is done under the running engine", args)
		}
	}
	if _, err := os.Stat(filepath.Join(dir, "cushions", "wipe-clean.toml")); err != nil {
		t.Error(err)
	}
}
