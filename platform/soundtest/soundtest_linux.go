package soundtest

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/jfreymuth/pulse/proto"
)

// The kinds of server.
const (
	PulseAudio = "pulseaudio"
	PipeWire   = "pipewire"
)

// Kinds are both kinds, for tests that run on each.
var Kinds = []string{PulseAudio, PipeWire}

// Server is a private sound server.
type Server struct {
	Kind string
	Dir  string // its folder: XDG_RUNTIME_DIR, HOME and all

	t        testing.TB
	procs    []*exec.Cmd
	log      *lockedBuffer
	complete atomic.Bool // it answers, its session manager as well

	mu   sync.Mutex
	ctl  *conn // control connection
	subs []func(proto.SubscribeEvent)
}

type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(b)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// Start starts a server of the kind. It ends with the test. Its sinks are made with AddSink; there is none at first.
func Start(t testing.TB, kind string) *Server { t.Helper(); return StartAt(t, kind, 48000) }

// StartAt starts a server whose devices run at that rate. PipeWire runs all devices of a graph at one rate and
// resamples what differs; without its being set, a null sink at 44.1 or 96 kHz would be measured through two
// resamplers. The watchman comes with the server.
func StartAt(t testing.TB, kind string, rateHz int) *Server {
	t.Helper()
	Watch(t)
	dir, err := os.MkdirTemp("", "snd") // short: a socket's path has 107 bytes at most
	if err != nil {
		t.Fatal(err)
	}
	s := &Server{Kind: kind, Dir: dir, t: t, log: &lockedBuffer{}}
	t.Cleanup(func() {
		s.Kill()
		os.RemoveAll(dir)
		if t.Failed() {
			said := s.log.String()
			t.Logf("%s said, last of all:\n%s", kind, said[max(0, len(said)-3000):])
		}
	})
	conf := filepath.Join(dir, "config", "pipewire", "pipewire.conf.d")
	text := fmt.Sprintf("context.properties = {\n default.clock.rate = %d\n default.clock.allowed-rates = [ %d ]\n}\n", rateHz, rateHz)
	if err := errors.Join(os.MkdirAll(conf, 0o700), os.WriteFile(filepath.Join(conf, "rate.conf"), []byte(text), 0o600)); err != nil {
		t.Fatal(err)
	}
	s.launch()
	return s
}

// Address is the server's address, as PULSE_SERVER takes it.
func (s *Server) Address() string { return "unix:" + s.Socket() }

// Socket is the path of the server's socket.
func (s *Server) Socket() string { return filepath.Join(s.Dir, "pulse", "native") }

// Env is the environment for child processes that are to use this server and to keep their files in its folder.
func (s *Server) Env() []string {
	return append(s.serverEnv(), "PULSE_SERVER="+s.Address())
}

// serverEnv is Env without the address: a server that finds itself named there takes itself for a client.
func (s *Server) serverEnv() []string {
	var env []string
	for _, e := range os.Environ() {
		k, _, _ := strings.Cut(e, "=")
		switch {
		case k == "HOME", k == "DISPLAY", k == "WAYLAND_DISPLAY", strings.HasPrefix(k, "PULSE_"),
			strings.HasPrefix(k, "PIPEWIRE_"), strings.HasPrefix(k, "XDG_"), strings.HasPrefix(k, "DBUS_"):
		default:
			env = append(env, e)
		}
	}
	env = append(env,
		"HOME="+s.Dir,
		"XDG_RUNTIME_DIR="+s.Dir,
		"XDG_CONFIG_HOME="+filepath.Join(s.Dir, "config"),
		"XDG_STATE_HOME="+filepath.Join(s.Dir, "state"),
		"XDG_CACHE_HOME="+filepath.Join(s.Dir, "cache"),
	)
	return env
}

// Use sets the environment of the test process itself to the server's.
func (s *Server) Use(t *testing.T) {
	t.Helper()
	for _, e := range s.Env() {
		k, v, _ := strings.Cut(e, "=")
		if k == "PULSE_SERVER" || strings.HasPrefix(k, "XDG_") {
			t.Setenv(k, v)
		}
	}
}

func (s *Server) run(env []string, name string, args ...string) {
	s.t.Helper()
	cmd := exec.Command(name, args...)
	cmd.Env = env
	cmd.Stdout, cmd.Stderr = s.log, s.log
	// Should the test process die, the server goes too.
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL, Setpgid: true}
	if err := cmd.Start(); err != nil {
		s.t.Fatalf("soundtest: start %q: %v", name, err)
	}
	s.procs = append(s.procs, cmd)
}

func (s *Server) launch() {
	s.t.Helper()
	env := s.serverEnv()
	os.Remove(s.Socket())
	os.MkdirAll(filepath.Join(s.Dir, "pulse"), 0o700)
	switch s.Kind {
	case PulseAudio:
		s.run(env, "pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no", "--disable-shm=yes", "--high-priority=yes",
			"--load=module-native-protocol-unix auth-anonymous=1 socket="+s.Socket())
	case PipeWire:
		bus := filepath.Join(s.Dir, "bus")
		os.Remove(bus)
		env = append(env, "DBUS_SESSION_BUS_ADDRESS=unix:path="+bus, "PIPEWIRE_RUNTIME_DIR="+s.Dir, "PULSE_RUNTIME_PATH="+filepath.Join(s.Dir, "pulse"))
		s.run(env, "dbus-daemon", "--session", "--nofork", "--nopidfile", "--address=unix:path="+bus)
		s.await("the message bus", func() error { return exists(bus) })
		os.Remove(filepath.Join(s.Dir, "pipewire-0"))
		s.run(env, "pipewire")
		s.await("pipewire", func() error { return exists(filepath.Join(s.Dir, "pipewire-0")) })
		s.run(env, "wireplumber")
		s.run(env, "pipewire-pulse")
		// Its session manager (WirePlumber 0.4.13) can stay shut for ever where clients come before it. Those of the
		// tests wait: this connection for a while, players and recorders until all is complete.
		time.Sleep(500 * time.Millisecond)
	default:
		s.t.Fatalf("soundtest: no server of kind %q", s.Kind)
	}
	s.await(s.Kind, func() error {
		c, err := s.connect("soundtest control", func(m any) {
			if e, ok := m.(*proto.SubscribeEvent); ok {
				s.mu.Lock()
				subs := s.subs
				s.mu.Unlock()
				for _, f := range subs {
					f(*e)
				}
			}
		})
		if err != nil {
			return err
		}
		if err := c.Request(&proto.Subscribe{Mask: proto.SubscriptionMaskAll}, nil); err != nil {
			return err
		}
		s.mu.Lock()
		s.ctl = c
		s.mu.Unlock()
		return nil
	})
	if s.Kind == PipeWire {
		// It answers before its session manager is there, and can have no default sink until then.
		m := s.AddSink("warm-up", 48000, 2)
		s.await(s.Kind+" to be complete", func() error { return s.Try(&proto.SetDefaultSink{SinkName: "warm-up"}, nil) })
		s.RemoveSink(m)
	}
	s.complete.Store(true)
}

var errNotThere = errors.New("the server does not run")

func exists(path string) error { _, err := os.Stat(path); return err }

// await waits for ok, up to 15 s: a loaded machine starts things slowly.
func (s *Server) await(what string, ok func() error) {
	s.t.Helper()
	deadline := time.Now().Add(15 * time.Second)
	for {
		err := ok()
		if err == nil {
			return
		}
		if time.Now().After(deadline) {
			s.t.Fatalf("soundtest: wait for %q: %v\n%s", what, err, s.log)
		}
		time.Sleep(10 * time.Millisecond)
	}
}

// Kill ends the server at once (SIGKILL) and waits until it is gone.
func (s *Server) Kill() { s.end(syscall.SIGKILL) }

// Stop ends the server in good order and waits until it is gone.
func (s *Server) Stop() { s.end(syscall.SIGTERM) }

func (s *Server) end(sig syscall.Signal) {
	s.complete.Store(false)
	s.mu.Lock()
	if s.ctl != nil {
		s.ctl.net.Close()
		s.ctl = nil
	}
	s.mu.Unlock()
	for i := len(s.procs) - 1; i >= 0; i-- {
		s.procs[i].Process.Signal(sig)
	}
	for i := len(s.procs) - 1; i >= 0; i-- {
		p := s.procs[i]
		late := time.AfterFunc(3*time.Second, func() { p.Process.Kill() })
		p.Wait()
		late.Stop()
	}
	s.procs = nil
}

// Restart ends the server if it still runs and starts it again, without sinks.
func (s *Server) Restart() {
	s.t.Helper()
	s.Kill()
	s.launch()
}

// Launch starts the server again after Kill or Stop, without sinks.
func (s *Server) Launch() {
	s.t.Helper()
	s.launch()
}

// Suspend stops all processes of the server where they are (SIGSTOP), until Resume. Requests meanwhile run into their
// time-out.
func (s *Server) Suspend() { s.signal(syscall.SIGSTOP) }

// Resume lets a suspended server go on.
func (s *Server) Resume() { s.signal(syscall.SIGCONT) }

func (s *Server) signal(sig syscall.Signal) {
	for _, p := range s.procs {
		p.Process.Signal(sig)
	}
}

// conn is a connection to the server.
type conn struct {
	*proto.Client
	net net.Conn
}

type eofLink struct{ net.Conn }

func (l eofLink) Read(b []byte) (int, error) {
	n, err := l.Conn.Read(b)
	if err != nil {
		err = io.EOF // the only end that the protocol library reports
	}
	return n, err
}

func (s *Server) connect(app string, callback func(any)) (*conn, error) {
	nc, err := net.DialTimeout("unix", s.Socket(), time.Second)
	if err != nil {
		return nil, err
	}
	c := &conn{Client: &proto.Client{Callback: callback}, net: nc}
	c.SetTimeout(5 * time.Second)
	c.Open(eofLink{nc})
	var auth proto.AuthReply
	if err := c.Request(&proto.Auth{Version: c.Version(), Cookie: make([]byte, 256)}, &auth); err != nil {
		nc.Close()
		return nil, err
	}
	c.SetVersion(auth.Version)
	props := proto.PropList{"application.name": proto.PropListString(app)}
	if err := c.Request(&proto.SetClientName{Props: props}, &proto.SetClientNameReply{}); err != nil {
		nc.Close()
		return nil, err
	}
	return c, nil
}

// Request makes any request of the control connection and fails the test on an error.
func (s *Server) Request(req proto.RequestArgs, reply proto.Reply) {
	s.t.Helper()
	if err := s.Try(req, reply); err != nil {
		s.t.Fatalf("soundtest: request %T: %v", req, err)
	}
}

// Try makes any request of the control connection.
func (s *Server) Try(req proto.RequestArgs, reply proto.Reply) error {
	s.mu.Lock()
	c := s.ctl
	s.mu.Unlock()
	if c == nil {
		return errNotThere
	}
	return c.Request(req, reply)
}

// OnEvent calls f for every event of the server, on a goroutine that must not wait nor make requests of the server.
func (s *Server) OnEvent(f func(proto.SubscribeEvent)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.subs = append(s.subs[:len(s.subs):len(s.subs)], f)
}
