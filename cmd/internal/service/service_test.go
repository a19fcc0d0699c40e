package service

import (
	"context"
	"errors"
	"math"
	"sync"
	"testing"
	"time"

	"cushwright/config"
	"cushwright/engine"
	"cushwright/engine/sim"
)

const rateHz = 48000

// startService makes a service of the demonstration bench on a simulated device that plays a low and a high sine.
func startService(t *testing.T) (*Service, *outlet) {
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
func startServiceOn(t *testing.T, d *sim.Driver) *Service {
	t.Helper()
	dir := t.TempDir()
	if _, err := config.FirstRun(dir); err != nil {
		t.Fatal(err)
	}
	snap, err := config.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	svc, err := New(Options{Dir: dir, Snap: snap, Fitted: "wipe-clean", Driver: d, Fix: func(s engine.Settings) engine.Settings {
		s.Capture, s.Output, s.RateHz = "simulated-capture", "simulated-output", rateHz
		return s
	}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() { svc.Play(ctx) })
	t.Cleanup(func() { cancel(); wg.Wait() })
	if err := until(ctx, func() bool { return svc.session.Status().State == engine.Running }); err != nil {
		t.Fatal(err)
	}
	return svc
}

// until waits for a condition, at most 10 s.
func until(ctx context.Context, ok func() bool) error {
	for end := time.Now().Add(10 * time.Second); !ok(); time.Sleep(time.Millisecond) {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if time.Now().After(end) {
			return errors.New("not within 10 s")
		}
	}
	return nil
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
