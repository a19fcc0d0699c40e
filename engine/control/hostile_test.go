//go:build linux

package control_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"cushwright/dsp"
	"cushwright/dsp/testrun"
	"cushwright/engine"
	"cushwright/engine/control"
	"cushwright/engine/sim"
)

// bench is a Backend with a session of simulated devices in real time behind it.
type bench struct {
	s     *engine.Session
	worn  atomic.Int64
	odd   atomic.Int64 // requests for names that are none
	stops atomic.Int64

	played atomic.Uint64 // frames
	broken atomic.Int64  // places where the sine that plays jumps
}

func (b *bench) Status() control.Status {
	return control.Status{Status: b.s.Status(), Summary: "a test", Cushions: []string{"wipe-clean"}}
}

func (b *bench) Wear(_ context.Context, name string) error {
	if name != "wipe-clean" {
		b.odd.Add(1)
		return fmt.Errorf("wear %q: %w", name, control.ErrUnknown)
	}
	b.worn.Add(1)
	return nil
}

func (b *bench) Bypass(ctx context.Context, mode, with string) (bool, error) {
	on := mode == "on"
	return b.s.Bypass(ctx, &on)
}

func (b *bench) Trial(context.Context, control.TrialRequest) error {
	return errors.New("no trials here")
}
func (b *bench) Stop() { b.stops.Add(1) }

// serve starts an engine that plays a sine and its interface, and returns when it answers.
func serve(t *testing.T) (*bench, string) {
	t.Helper()
	dir, err := os.MkdirTemp("", "ctl") // a socket's path has 107 bytes at most
	if err != nil {
		t.Fatal(err)
	}
	flat, err := dsp.NewCorrection(nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{}
	step := 2 * math.Pi * 1000 / 48000
	last, loud := float32(0), 0
	d := &sim.Driver{Speed: 1,
		Source: func(frame uint64, in []float32) {
			for i := range in {
				in[i] = float32(0.25 * math.Sin(step*float64(frame+uint64(i/2))))
			}
		},
		Sink: func(_ uint64, out []float32) {
			for i := 0; i < len(out); i += 2 {
				if math.Abs(float64(out[i]-last)) > 0.25*step*1.05 {
					b.broken.Add(1)
				}
				if last = out[i]; math.Abs(float64(last)) > 0.1 {
					loud = 0
				} else if loud++; loud == 48 && b.played.Load() > 48000 { // a period and more without a crest
					b.broken.Add(1)
				}
			}
			b.played.Add(uint64(len(out) / 2))
		}}
	b.s = engine.New(d, nil, engine.Settings{Capture: "simulated-capture", Output: "simulated-output", Guard: true, CeilingDB: -1, Match: engine.MatchOff},
		engine.Selection{Cushion: "wipe-clean", Correction: flat}, slog.New(slog.DiscardHandler))
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	socket := filepath.Join(dir, "run", "engine.sock")
	wg.Go(func() {
		if err := b.s.Run(ctx); err != nil {
			t.Error(err)
		}
	})
	wg.Go(func() {
		if err := control.Serve(ctx, socket, b); err != nil {
			t.Error(err)
		}
	})
	t.Cleanup(func() { cancel(); wg.Wait(); os.RemoveAll(dir) })
	for end := time.Now().Add(10 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		if st, err := control.NewClient(socket).Status(t.Context()); err == nil && st.State == engine.Running && st.Counters.PlaybackCallbacks > 30 {
			return b, socket
		} else if time.Now().After(end) {
			t.Fatal("the engine does not run: ", err)
		}
	}
}

func dial(t *testing.T, socket string) net.Conn {
	c, err := net.DialTimeout("unix", socket, 5*time.Second)
	if err != nil {
		t.Error(err)
		return nil
	}
	return c
}

// attacks are what a client may do that means harm, or is mad. Each is one connection's worth, done again and again.
var attacks = []struct {
	name string
	do   func(c net.Conn, r *rand.Rand, stop <-chan struct{})
}{
	{"random bytes", func(c net.Conn, r *rand.Rand, _ <-chan struct{}) {
		b := make([]byte, 1+r.IntN(20000))
		for i := range b {
			b[i] = byte(r.Uint32())
		}
		c.Write(b)
		io.Copy(io.Discard, io.LimitReader(c, 1<<16))
	}},
	{"half a request", func(c net.Conn, r *rand.Rand, stop <-chan struct{}) {
		whole := "POST /wear HTTP/1.1\r\nHost: engine\r\nContent-Length: 24\r\n\r\n{\"cushion\":\"wipe-clean\"}"
		io.WriteString(c, whole[:r.IntN(len(whole))])
		sleep(stop, 500*time.Millisecond)
	}},
	{"a header without end", func(c net.Conn, r *rand.Rand, _ <-chan struct{}) {
		io.WriteString(c, "GET /status HTTP/1.1\r\nHost: engine\r\n")
		for i := range 1 << 14 {
			if _, err := fmt.Fprintf(c, "X-%d: %s\r\n", i, strings.Repeat("y", 1000)); err != nil {
				return
			}
		}
	}},
	{"a line without end", func(c net.Conn, r *rand.Rand, _ <-chan struct{}) {
		io.WriteString(c, "GET /")
		for range 10 << 10 {
			if _, err := io.WriteString(c, strings.Repeat("a", 1024)); err != nil {
				return
			}
		}
	}},
	{"byte by byte", func(c net.Conn, r *rand.Rand, stop <-chan struct{}) {
		for _, b := range []byte("POST /wear HTTP/1.1\r\nHost: engine\r\nContent-Length: 4000\r\n\r\n" + strings.Repeat(" ", 4000)) {
			if _, err := c.Write([]byte{b}); err != nil || sleep(stop, 50*time.Millisecond) {
				return
			}
		}
	}},
	{"requests without reading an answer", func(c net.Conn, r *rand.Rand, stop <-chan struct{}) {
		c.SetWriteDeadline(time.Now().Add(time.Second))
		for range 5000 {
			if _, err := io.WriteString(c, "GET /status HTTP/1.1\r\nHost: engine\r\n\r\n"); err != nil {
				return
			}
		}
		sleep(stop, time.Second)
	}},
	{"pipelined requests", func(c net.Conn, r *rand.Rand, _ <-chan struct{}) {
		go io.WriteString(c, strings.Repeat("GET /status HTTP/1.1\r\nHost: engine\r\n\r\n", 300)+"GET /status HTTP/1.1\r\nConnection: close\r\nHost: engine\r\n\r\n")
		io.Copy(io.Discard, c)
	}},
	{"a name of ten megabytes", func(c net.Conn, r *rand.Rand, _ <-chan struct{}) {
		const n = 10 << 20
		fmt.Fprintf(c, "POST /wear HTTP/1.1\r\nHost: engine\r\nContent-Length: %d\r\n\r\n{\"cushion\":\"", n+14)
		for range n / 1024 {
			if _, err := io.WriteString(c, strings.Repeat("a", 1024)); err != nil {
				return
			}
		}
		io.WriteString(c, "\"}")
	}},
	{"endless chunks", func(c net.Conn, r *rand.Rand, _ <-chan struct{}) {
		io.WriteString(c, "POST /wear HTTP/1.1\r\nHost: engine\r\nTransfer-Encoding: chunked\r\n\r\n")
		for range 20000 {
			if _, err := io.WriteString(c, "100\r\n"+strings.Repeat(" ", 256)+"\r\n"); err != nil {
				return
			}
		}
	}},
	{"deep nesting", func(c net.Conn, r *rand.Rand, _ <-chan struct{}) {
		body := strings.Repeat("[", 4000)
		fmt.Fprintf(c, "POST /bypass HTTP/1.1\r\nHost: engine\r\nConnection: close\r\nContent-Length: %d\r\n\r\n%s", len(body), body)
		io.Copy(io.Discard, c)
	}},
	{"paths", func(c net.Conn, r *rand.Rand, _ <-chan struct{}) {
		paths := []string{"/../../etc/passwd", "/%00", "//status", "/status/../../..", "/wear%0d%0aX: y", "http://elsewhere/", "*", "/\x00"}
		fmt.Fprintf(c, "GET %s HTTP/1.1\r\nHost: engine\r\nConnection: close\r\n\r\n", paths[r.IntN(len(paths))])
		io.Copy(io.Discard, c)
	}},
	{"coming and going", func(c net.Conn, r *rand.Rand, _ <-chan struct{}) {}},
	{"sitting there", func(c net.Conn, r *rand.Rand, stop <-chan struct{}) { sleep(stop, 3*time.Second) }},
}

// sleep waits and reports whether stop was closed meanwhile.
func sleep(stop <-chan struct{}, d time.Duration) bool {
	select {
	case <-stop:
		return true
	case <-time.After(d):
		return false
	}
}

func openFiles(t *testing.T) int {
	e, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	return len(e)
}

// Whatever clients do, whoever asks properly is answered, the sound goes on, and nothing is left of it.
func TestHostileClients(t *testing.T) {
	b, socket := serve(t)
	cl := control.NewClient(socket)
	span := 4 * time.Second
	if testrun.Long() {
		span = 2 * time.Minute
	}
	const begin = 7
	before, files := runtime.NumGoroutine(), openFiles(t)
	c0, played0, broken0, start := b.s.Status().Counters, b.played.Load(), b.broken.Load(), time.Now()
	stop := make(chan struct{})
	var wg sync.WaitGroup
	var tries [32]atomic.Int64
	for i, a := range attacks {
		for k := range 4 {
			wg.Go(func() {
				r := rand.New(rand.NewPCG(begin, uint64(i*10+k)))
				for {
					select {
					case <-stop:
						return
					default:
					}
					c := dial(t, socket)
					if c == nil {
						return
					}
					c.SetDeadline(time.Now().Add(5 * time.Second))
					a.do(c, r, stop)
					c.Close()
					tries[i].Add(1)
					if sleep(stop, time.Millisecond) {
						return
					}
				}
			})
		}
	}
	asked, slowest := 0, time.Duration(0)
	for time.Since(start) < span {
		at := time.Now()
		if _, err := cl.Status(t.Context()); err != nil {
			t.Errorf("status: %v", err)
		}
		if _, err := cl.Wear(t.Context(), "wipe-clean"); err != nil {
			t.Errorf("wear: %v", err)
		}
		if _, err := cl.Wear(t.Context(), "../../etc/passwd\x00\n"); !errors.Is(err, control.ErrUnknown) {
			t.Errorf("a name that is a path: %v", err)
		}
		if _, err := cl.Bypass(t.Context(), "off", ""); err != nil {
			t.Errorf("bypass: %v", err)
		}
		asked++
		slowest = max(slowest, time.Since(at)/4)
		time.Sleep(20 * time.Millisecond)
	}
	took := time.Since(start)
	c1, played := b.s.Status().Counters, b.played.Load()-played0
	close(stop)
	wg.Wait()
	n := 0
	for i, a := range attacks {
		if n += int(tries[i].Load()); tries[i].Load() == 0 && a.name != "byte by byte" {
			t.Errorf("%s was never done to the end", a.name)
		}
	}
	t.Logf("%d rounds of requests among %d hostile connections, slowest %v a request; %.2f s of sound in %.2f s; late callbacks %d",
		asked, n, slowest, float64(played)/48000, took.Seconds(), c1.LateCallbacks-c0.LateCallbacks)
	if int64(asked) != b.worn.Load() {
		t.Errorf("worn %d times, asked for %d times: a hostile request got through, or one got lost", b.worn.Load(), asked)
	}
	if c1.Underruns != c0.Underruns || c1.OverrunFrames != c0.OverrunFrames || c1.BadBlocks != c0.BadBlocks || c1.Trims != c0.Trims || b.broken.Load() != broken0 {
		t.Errorf("the sound was touched: %+v, before %+v; jumps %d, before %d", c1, c0, b.broken.Load(), broken0)
	}
	if want := took.Seconds() * 48000; float64(played) < 0.9*want-4800 {
		t.Errorf("%d frames played in %v: the audio thread was held up", played, took)
	}
	if b.stops.Load() != 0 {
		t.Error("the engine was stopped")
	}
	for end := time.Now().Add(15 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		g, f := runtime.NumGoroutine(), openFiles(t)
		if g <= before+4 && f <= files+2 { // the client's own idle connection
			break
		}
		if time.Now().After(end) {
			buf := make([]byte, 1<<20)
			t.Fatalf("left behind: %d goroutines (before %d), %d open files (before %d)\n%s", g, before, f, files, buf[:runtime.Stack(buf, true)])
		}
	}
}
