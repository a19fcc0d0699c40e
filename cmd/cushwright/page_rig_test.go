package main

import (
	"context"
	"io"
	"math"
	"net"
	"net/http"
	"net/http/cookiejar"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"cushwright/config"
	"cushwright/engine"
	"cushwright/engine/control"
	"cushwright/engine/sim"
)

// servePage serves the page of an engine in good order until the test ends.
func servePage(t *testing.T, ask asker, snap *config.Snapshot) (*pageServer, net.Addr) {
	t.Helper()
	p := newPage(ask, snap)
	ln, err := net.Listen("tcp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := p.serve(ctx, ln); err != nil {
			t.Error(err)
		}
	})
	t.Cleanup(func() { cancel(); wg.Wait() })
	return p, ln.Addr()
}

// guarded is an asker for tests of the server alone: it is safe for any goroutine.
type guarded struct {
	mu sync.Mutex
	posed
	calls int
}

func (g *guarded) Status(ctx context.Context) (control.Status, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.calls++
	return g.posed.Status(ctx)
}

func (g *guarded) Wear(ctx context.Context, name string) (control.Status, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.posed.Wear(ctx, name)
}

func (g *guarded) Bypass(ctx context.Context, mode, with string) (bool, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.posed.Bypass(ctx, mode, with)
}

func (g *guarded) requests() string {
	g.mu.Lock()
	defer g.mu.Unlock()
	return strings.Join(g.asked, ", ")
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

// pageVisitor is a browser without a screen.
type pageVisitor struct {
	t    *testing.T
	http http.Client
	at   string // http://host
	home string // the page's address
	body string // the page
}

func enter(t *testing.T, address string) *pageVisitor {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	v := &pageVisitor{t: t, http: http.Client{Jar: jar, Timeout: 20 * time.Second}}
	res, err := v.http.Get(address)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s, %v: %s", address, res.Status, err, b)
	}
	v.home, v.body = res.Request.URL.String(), string(b)
	v.at = res.Request.URL.Scheme + "://" + res.Request.URL.Host
	return v
}

func (v *pageVisitor) token() string {
	v.t.Helper()
	m := pageTokenIn.FindStringSubmatch(v.body)
	if m == nil {
		v.t.Fatal("the page has no token")
	}
	return m[1]
}

// pageService is a whole engine on a simulated device, whose programme swells and fades, with its socket and its bench.
func pageService(t *testing.T) (svc *service, cl *control.Client, hangUp func()) {
	t.Helper()
	svc = startServiceOn(t, &sim.Driver{Speed: 1, Source: func(frame uint64, in []float32) {
		for i := range in {
			at := float64(frame+uint64(i/2)) / 48000
			in[i] = float32(.25 * (.55 + .45*math.Sin(2*math.Pi*at/1.7)) * math.Sin(2*math.Pi*440*at))
		}
	}})
	socket := filepath.Join(t.TempDir(), "s")
	ctx, cancel := context.WithCancel(context.Background())
	serving, hang := context.WithCancel(ctx)
	var wg sync.WaitGroup
	wg.Go(func() { control.Serve(serving, socket, svc) })
	wg.Go(func() { config.Watch(ctx, svc.dir, svc.loaded) })
	t.Cleanup(func() { cancel(); wg.Wait() })
	cl = control.NewClient(socket)
	if err := until(ctx, func() bool { st, err := cl.Status(ctx); return err == nil && st.State == engine.Running }); err != nil {
		t.Fatal(err)
	}
	return svc, cl, hang
}
