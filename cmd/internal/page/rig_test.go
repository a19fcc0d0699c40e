package page

import (
	"context"
	"math"
	"net"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"cushwright/cmd/internal/service"
	"cushwright/cmd/internal/viewtest"
	"cushwright/config"
	"cushwright/engine"
	"cushwright/engine/control"
	"cushwright/engine/sim"
)

// servePage serves the page of an engine in good order until the test ends.
func servePage(t *testing.T, ask service.Asker, snap *config.Snapshot) (*Server, net.Addr) {
	t.Helper()
	p := New(ask, snap, nil)
	ln, err := net.Listen("tcp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := p.Serve(ctx, ln); err != nil {
			t.Error(err)
		}
	})
	t.Cleanup(func() { cancel(); wg.Wait() })
	return p, ln.Addr()
}

// guarded is an service.Asker for tests of the server alone: it is safe for any goroutine.
type guarded struct {
	mu sync.Mutex
	viewtest.Engine
	calls int
}

func (g *guarded) Status(ctx context.Context) (control.Status, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.calls++
	return g.Engine.Status(ctx)
}

func (g *guarded) Wear(ctx context.Context, name string) (control.Status, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.Engine.Wear(ctx, name)
}

func (g *guarded) Bypass(ctx context.Context, mode, with string) (bool, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.Engine.Bypass(ctx, mode, with)
}

func (g *guarded) requests() string {
	g.mu.Lock()
	defer g.mu.Unlock()
	return strings.Join(g.Asked, ", ")
}

func pageFolder(t *testing.T) *config.Snapshot {
	t.Helper()
	dir := t.TempDir()
	if _, err := config.FirstRun(dir); err != nil {
		t.Fatal(err)
	}
	snap, err := config.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	return snap
}

// whole is an engine on a simulated device, whose programme swells and fades, with its socket and its bench.
type whole struct {
	*service.Service
	dir    string
	client *control.Client
	hangUp func() // closes the socket
}

func startWhole(t *testing.T) *whole {
	t.Helper()
	snap := pageFolder(t)
	svc, err := service.New(service.Options{Dir: snap.Dir, Snap: snap, Fitted: "wipe-clean",
		Driver: &sim.Driver{Speed: 1, Source: func(frame uint64, in []float32) {
			for i := range in {
				at := float64(frame+uint64(i/2)) / 48000
				in[i] = float32(.25 * (.55 + .45*math.Sin(2*math.Pi*at/1.7)) * math.Sin(2*math.Pi*440*at))
			}
		}},
		Fix: func(s engine.Settings) engine.Settings {
			s.Capture, s.Output, s.RateHz = "simulated-capture", "simulated-output", 48000
			return s
		}})
	if err != nil {
		t.Fatal(err)
	}
	socket := filepath.Join(t.TempDir(), "s")
	ctx, cancel := context.WithCancel(context.Background())
	serving, hangUp := context.WithCancel(ctx)
	var wg sync.WaitGroup
	wg.Go(func() { svc.Play(ctx) })
	wg.Go(func() { control.Serve(serving, socket, svc) })
	wg.Go(func() { config.Watch(ctx, snap.Dir, svc.Loaded) })
	t.Cleanup(func() { cancel(); wg.Wait() })
	cl := control.NewClient(socket)
	for end := time.Now().Add(10 * time.Second); ; time.Sleep(time.Millisecond) {
		if st, err := cl.Status(ctx); err == nil && st.State == engine.Running {
			return &whole{svc, snap.Dir, cl, hangUp}
		}
		if time.Now().After(end) {
			t.Fatal("the engine does not run within 10 s")
		}
	}
}
