package control

import (
	"context"
	"errors"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"
)

// silencer is a backend that only stands aside.
type silencer struct {
	Backend
	asides Asides
	on     atomic.Bool
	asked  atomic.Int64
}

func (s *silencer) Aside(_ context.Context, q AsideRequest) error {
	s.asked.Add(1)
	s.on.Store(s.asides.Set(q, func() { s.on.Store(s.asides.Held()) }))
	return nil
}

func serveSilencer(t *testing.T) (*silencer, *Client) {
	t.Helper()
	s := &silencer{}
	socket := filepath.Join(t.TempDir(), "run", "e.sock")
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- Serve(ctx, socket, s) }()
	t.Cleanup(func() { cancel(); <-done })
	c := NewClient(socket)
	for end := time.Now().Add(10 * time.Second); c.call(ctx, "POST", "/aside", AsideRequest{Token: strings.Repeat("x", 16)}, &struct{}{}) != nil; {
		if time.Now().After(end) {
			t.Fatal("the socket does not answer")
		}
		time.Sleep(10 * time.Millisecond)
	}
	return s, c
}

func TestAsideIsKeptUpAndReleased(t *testing.T) {
	s, c := serveSilencer(t)
	release, lost, err := c.StandAside(context.Background())
	if err != nil || !s.on.Load() {
		t.Fatalf("%v, on %v", err, s.on.Load())
	}
	before := s.asked.Load()
	time.Sleep(AsideLease + AsideLease/2) // longer than the lease: it must have been renewed
	if !s.on.Load() || s.asked.Load() < before+3 {
		t.Errorf("on %v after %d renewals", s.on.Load(), s.asked.Load()-before)
	}
	select {
	case <-lost:
		t.Error("taken for lost")
	default:
	}
	other, _, err := c.StandAside(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	release()
	release()
	if !s.on.Load() {
		t.Error("one that ended ended the other too")
	}
	other()
	if s.on.Load() {
		t.Error("still aside when all have ended")
	}
}

// Who dies sends nothing more: the lease runs out.
func TestAsideRunsOut(t *testing.T) {
	s, c := serveSilencer(t)
	if err := c.call(context.Background(), "POST", "/aside", AsideRequest{Token: strings.Repeat("d", 20), Aside: true}, &struct{}{}); err != nil {
		t.Fatal(err)
	}
	if !s.on.Load() {
		t.Fatal("not aside")
	}
	start := time.Now()
	for s.on.Load() && time.Since(start) < 10*AsideLease {
		time.Sleep(10 * time.Millisecond)
	}
	if d := time.Since(start); s.on.Load() || d < AsideLease/2 {
		t.Errorf("aside %v after %v, the lease is %v", s.on.Load(), d, AsideLease)
	}
	if err := c.call(context.Background(), "POST", "/aside", AsideRequest{Token: "short", Aside: true}, &struct{}{}); err == nil || !strings.Contains(err.Error(), "token") {
		t.Errorf("a short token: %v", err)
	}
}

func TestAsideWithoutEngine(t *testing.T) {
	release, _, err := NewClient(filepath.Join(t.TempDir(), "none")).StandAside(context.Background())
	if !errors.Is(err, ErrNoEngine) {
		t.Errorf("%v", err)
	}
	release()
}
