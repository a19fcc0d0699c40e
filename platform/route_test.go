//go:build linux

package platform

import (
	"context"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"cushwright/engine"
	"cushwright/platform/soundtest"
)

func TestMain(m *testing.M) {
	if handled, code := GuardianMain(os.Args[1:]); handled {
		os.Exit(code)
	}
	if len(os.Args) > 1 && os.Args[1] == childArg {
		os.Exit(childMain())
	}
	if len(os.Args) > 1 && os.Args[1] == sessionArg {
		sid, err := unix.Getsid(0)
		fmt.Println("leads its session:", err == nil && sid == os.Getpid())
		fmt.Fprintln(os.Stderr, "said on standard error")
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// Hidden arguments of the test binary.
const (
	childArg   = "take-the-route"
	sessionArg = "say-your-session"
)

// childMain is an engine's life in short: the lock, a guardian, the route; then it waits to be killed.
func childMain() int {
	dir, _ := RuntimeDir()
	fail := func(err error) int { fmt.Println("error:", err); return 1 }
	if _, _, err := Lock(dir); err != nil {
		return fail(err)
	}
	if _, err := StartGuardian(RouterOptions{}); err != nil {
		return fail(err)
	}
	r, err := NewRouter(RouterOptions{})
	if err != nil {
		return fail(err)
	}
	if _, err := r.Take(context.Background(), ""); err != nil {
		return fail(err)
	}
	fmt.Println("taken")
	select {}
}

// onEach runs a test on a private server of each kind, with two outputs: `speakers` (default) and `other`.
func onEach(t *testing.T, f func(t *testing.T, s *soundtest.Server)) {
	for _, kind := range soundtest.Kinds {
		t.Run(kind, func(t *testing.T) {
			s := soundtest.Start(t, kind)
			s.Use(t)
			s.AddSink("speakers", 48000, 2)
			s.AddSink("other", 44100, 2)
			s.SetDefault("speakers")
			f(t, s)
		})
	}
}

func newRouter(t *testing.T) *router {
	t.Helper()
	r, err := NewRouter(RouterOptions{Log: func(m string) { t.Log("router:", m) }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Release(context.Background()) })
	return r.(*router)
}

func take(t *testing.T, r engine.Router, output string) engine.Route {
	t.Helper()
	route, err := r.Take(context.Background(), output)
	if err != nil {
		t.Fatal(err)
	}
	return route
}

// eventually waits until ok, up to 5 s, and fails with what is the case instead.
func eventually(t *testing.T, what string, ok func() (bool, any)) {
	t.Helper()
	deadline := time.Now().Add(5 * time.Second)
	for {
		done, got := ok()
		if done {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("%s: not so after 5 s, but %v", what, got)
		}
		time.Sleep(5 * time.Millisecond)
	}
}

func streamOn(s *soundtest.Server, index uint32) string {
	for _, in := range s.SinkInputs() {
		if in.Index == index {
			return in.Sink
		}
	}
	return "(gone)"
}

// A route taken and released leaves everything as it was; in between the system's sound goes to the virtual sink.
func TestTakeRelease(t *testing.T) {
	onEach(t, func(t *testing.T, s *soundtest.Server) {
		s.SetVolume("speakers", 0.7, 0.5)
		before := slices.Sorted(slices.Values(s.SinkNames()))
		playing := s.PlayFunc("", 48000, soundtest.Sine(1000, 48000, 0.1))
		pinned := s.PlayFunc("other", 44100, soundtest.Sine(1000, 44100, 0.1))
		eventually(t, "streams play", func() (bool, any) { in := s.SinkInputs(); return len(in) == 2, in })

		r := newRouter(t)
		route := take(t, r, "")
		want := engine.Route{CaptureID: VirtualSink + ".monitor", OutputID: "speakers", OutputName: "Test output speakers", RateHz: 48000, Channels: 2}
		if route != want {
			t.Errorf("route %+v, want %+v", route, want)
		}
		if d := s.DefaultSink(); d != VirtualSink {
			t.Errorf("default is %q during the route", d)
		}
		eventually(t, "playing stream on the virtual sink", func() (bool, any) {
			on := streamOn(s, playing.Index())
			return on == VirtualSink, on
		})
		if on := streamOn(s, pinned.Index()); on != "other" {
			t.Errorf("the stream that was sent to another output is on %q now", on)
		}
		ch, mute := s.Volume(VirtualSink)
		if len(ch) != 2 || math.Abs(ch[0]-0.7) > 1e-3 || math.Abs(ch[1]-0.7) > 1e-3 || mute {
			t.Errorf("virtual sink's volume %v, mute %v; want the output's 0.7, no mute", ch, mute)
		}
		if again := take(t, r, ""); again != want {
			t.Errorf("taken again: %+v, want %+v", again, want)
		}

		for range 2 {
			if err := r.Release(context.Background()); err != nil {
				t.Fatal(err)
			}
		}
		if d := s.DefaultSink(); d != "speakers" {
			t.Errorf("default is %q after the route", d)
		}
		eventually(t, "playing stream back", func() (bool, any) { on := streamOn(s, playing.Index()); return on == "speakers", on })
		if on := streamOn(s, pinned.Index()); on != "other" {
			t.Errorf("the stream that was sent to another output is on %q after", on)
		}
		eventually(t, "sinks as before", func() (bool, any) {
			now := slices.Sorted(slices.Values(s.SinkNames()))
			return slices.Equal(now, before), now
		})
		if ch, mute := s.Volume("speakers"); math.Abs(ch[0]-0.7) > 1e-3 || math.Abs(ch[1]-0.5) > 1e-3 || mute {
			t.Errorf("output's volume %v, mute %v after; want 0.7 0.5", ch, mute)
		}
	})
}

func TestFeedbackRefused(t *testing.T) {
	onEach(t, func(t *testing.T, s *soundtest.Server) {
		r := newRouter(t)
		for _, output := range []string{VirtualSink, VirtualSink + ".monitor"} {
			for range 2 { // without our sink, and with it
				_, err := r.Take(context.Background(), output)
				var e *engine.Error
				if !errorsAs(err, &e) || e.Reaction != engine.GiveUp || !strings.Contains(err.Error(), "feed back") {
					t.Errorf("output %q: %v", output, err)
				}
				take(t, r, "")
			}
		}
	})
}
