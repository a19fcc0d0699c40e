package pulse

import (
	"errors"
	"net"
	"path/filepath"
	"sync/atomic"
	"testing"

	"cushwright/engine"
	"cushwright/platform/internal/live"
	"cushwright/platform/soundtest"
)

// A server address that fails before a stream is open is no loss of a stream: the next address is used, and nothing is
// opened again.
func TestOnlyAnOpenStreamIsLost(t *testing.T) {
	l, err := net.Listen("unix", filepath.Join(t.TempDir(), "shut"))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	var refused atomic.Int32
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			refused.Add(1)
			conn.Close()
		}
	}()
	s := soundtest.Start(t, soundtest.PulseAudio)
	s.AddSink("speakers", 48000, 2)
	var captured, played atomic.Int64
	lost := make(chan error, 8)
	req := live.Request("speakers.monitor", "speakers", &captured, &played)
	req.Lost = func(err error) { lost <- err }
	st, err := NewDriver("unix:"+l.Addr().String()+" "+s.Address(), s.Kind).Open(live.Counted(req))
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	live.Eventually(t, "frames run", func() (bool, any) { n := played.Load(); return n > 4800, n })
	if refused.Load() == 0 {
		t.Error("the first address was not tried")
	}
	select {
	case err := <-lost:
		t.Errorf("a loss is told of a stream that runs: %v", err)
	default:
	}
	s.Kill()
	live.Eventually(t, "a true loss is told", func() (bool, any) { return len(lost) == 1, len(lost) })
}

// Whoever opens a stream has to count what it is owed: without that the thread could give nothing. No server is asked.
func TestDriverWantsAnOutlet(t *testing.T) {
	var captured, played atomic.Int64
	_, err := NewDriver("unix:"+filepath.Join(t.TempDir(), "none"), "PulseAudio").
		Open(live.Request("speakers.monitor", "speakers", &captured, &played))
	var e *engine.Error
	if !errors.As(err, &e) || e.Reaction != engine.GiveUp || e.Object != "speakers" {
		t.Errorf("a Request without an Outlet: %v", err)
	}
}
