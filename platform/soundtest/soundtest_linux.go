package soundtest

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
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

// StartAt starts a server whose devices run at that rate. PipeWire runs all devices of a graph at one rate and resamples
// what differs; without its being set, a null sink at 44.1 or 96 kHz would be measured through two resamplers.
// The watchman comes with the server.
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
		// Its session manager (WirePlumber 0.4.13) can stay shut for ever where clients come before it. Those of the tests wait: this connection
		// for a while, players and recorders until all is complete.
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

// AddSink makes a null sink, an output whose monitor can be recorded, and waits until it is there. Its module's index is
// for RemoveSink.
func (s *Server) AddSink(name string, rateHz, channels int) (module uint32) {
	s.t.Helper()
	chmap := ""
	if channels == 2 {
		chmap = " channel_map=front-left,front-right"
	}
	// PipeWire is told to let the monitor carry the volume, as PulseAudio does: what is recorded is what would be heard.
	args := fmt.Sprintf("sink_name=%s format=float32le norewinds=1 rate=%d channels=%d%s sink_properties=\"device.description='Test output %s' monitor.channel-volumes=true\"", name, rateHz, channels, chmap, name)
	var r proto.LoadModuleReply
	s.Request(&proto.LoadModule{Name: "module-null-sink", Args: args}, &r)
	s.await("sink "+name, func() error {
		if s.sink(name) == nil {
			return fmt.Errorf("no sink %q", name)
		}
		return nil
	})
	return r.ModuleIndex
}

// RemoveSink unloads a sink's module.
func (s *Server) RemoveSink(module uint32) {
	s.t.Helper()
	s.Request(&proto.UnloadModule{ModuleIndex: module}, nil)
}

// SetDefault makes the sink default and waits until it is.
func (s *Server) SetDefault(name string) {
	s.t.Helper()
	s.Request(&proto.SetDefaultSink{SinkName: name}, nil)
	s.await("default sink "+name, func() error {
		if d := s.DefaultSink(); d != name {
			return fmt.Errorf("default is %q", d)
		}
		return nil
	})
}

// DefaultSink is the name of the default sink.
func (s *Server) DefaultSink() string {
	s.t.Helper()
	var r proto.GetServerInfoReply
	s.Request(&proto.GetServerInfo{}, &r)
	return r.DefaultSinkName
}

// Sinks are all sinks.
func (s *Server) Sinks() []*proto.GetSinkInfoReply {
	s.t.Helper()
	var r proto.GetSinkInfoListReply
	s.Request(&proto.GetSinkInfoList{}, &r)
	return r
}

// SinkNames are the names of all sinks.
func (s *Server) SinkNames() []string {
	s.t.Helper()
	var names []string
	for _, k := range s.Sinks() {
		names = append(names, k.SinkName)
	}
	return names
}

func (s *Server) sink(name string) *proto.GetSinkInfoReply {
	s.t.Helper()
	for _, k := range s.Sinks() {
		if k.SinkName == name {
			return k
		}
	}
	return nil
}

// Input is a stream that plays.
type Input struct {
	Index            uint32
	App, Media, Sink string // Sink is the name of the sink that it plays to
}

// SinkInputs are the streams that play.
func (s *Server) SinkInputs() []Input {
	s.t.Helper()
	names := map[uint32]string{}
	for _, k := range s.Sinks() {
		names[k.SinkIndex] = k.SinkName
	}
	var r proto.GetSinkInputInfoListReply
	s.Request(&proto.GetSinkInputInfoList{}, &r)
	var in []Input
	for _, i := range r {
		app := ""
		if v, ok := i.Properties["application.name"]; ok {
			app = v.String()
		}
		in = append(in, Input{Index: i.SinkInputIndex, App: app, Media: i.MediaName, Sink: names[i.SinkIndex]})
	}
	return in
}

// Volume of a sink: of each channel, where 1 is full, on the scale that people see (loudness goes with its cube).
func (s *Server) Volume(sink string) (channels []float64, mute bool) {
	s.t.Helper()
	k := s.sink(sink)
	if k == nil {
		s.t.Fatalf("soundtest: no sink %q", sink)
	}
	for _, v := range k.ChannelVolumes {
		channels = append(channels, float64(v)/float64(proto.VolumeNorm))
	}
	return channels, k.Mute
}

// SetVolume of a sink, of each channel or, if one is given, of all.
func (s *Server) SetVolume(sink string, channels ...float64) {
	s.t.Helper()
	k := s.sink(sink)
	if k == nil {
		s.t.Fatalf("soundtest: no sink %q", sink)
	}
	v := make(proto.ChannelVolumes, len(k.ChannelVolumes))
	for i := range v {
		v[i] = uint32(math.Round(channels[min(i, len(channels)-1)] * float64(proto.VolumeNorm)))
	}
	s.Request(&proto.SetSinkVolume{SinkIndex: k.SinkIndex, ChannelVolumes: v}, nil)
}

// SetMute of a sink.
func (s *Server) SetMute(sink string, mute bool) {
	s.t.Helper()
	s.Request(&proto.SetSinkMute{SinkIndex: proto.Undefined, SinkName: sink, Mute: mute}, nil)
}

// Playback is a stream of a test's own that plays a signal.
type Playback struct {
	c     *conn
	index uint32
	input uint32
	done  chan struct{} // closed when all has been handed over
	gone  chan struct{} // closed when the server has ended the stream, or itself

	frame func() (l, r float32, ok bool) // of the sending goroutine
	ended bool                           // of the sending goroutine
}

// Index is the stream's number among SinkInputs.
func (p *Playback) Index() uint32 { return p.input }

// Handed is closed when the whole signal has been handed to the server (which still has to play its buffer).
func (p *Playback) Handed() <-chan struct{} { return p.done }

// Gone is closed when the server has ended the stream or has gone itself, also after Stop.
func (p *Playback) Gone() <-chan struct{} { return p.gone }

// Stop ends the stream.
func (p *Playback) Stop() { p.c.net.Close() }

// bufferSeconds is the server's buffer for a test's stream: long enough for a busy machine.
const bufferSeconds = 0.2

// Play starts a stream that plays the interleaved stereo signal once, to the sink or, if that is "", to the default one.
func (s *Server) Play(sink string, rateHz int, stereo []float32) *Playback {
	s.t.Helper()
	n := 0
	return s.PlayFunc(sink, rateHz, func() (float32, float32, bool) {
		if n+1 >= len(stereo) {
			return 0, 0, false
		}
		l, r := stereo[n], stereo[n+1]
		n += 2
		return l, r, true
	})
}

// PlayFunc starts a stream that plays what frame gives, until it says false; frame is called from one goroutine.
func (s *Server) PlayFunc(sink string, rateHz int, frame func() (l, r float32, ok bool)) *Playback {
	s.t.Helper()
	return s.PlayAhead(sink, rateHz, bufferSeconds, frame)
}

// PlayAhead is PlayFunc with so many seconds of sound ready in the server: the more, the longer the machine may stumble.
func (s *Server) PlayAhead(sink string, rateHz int, seconds float64, frame func() (l, r float32, ok bool)) *Playback {
	s.t.Helper()
	p, err := s.tryPlay(sink, rateHz, seconds, frame)
	if err != nil {
		s.t.Fatalf("soundtest: play to %q: %v", sink, err)
	}
	s.t.Cleanup(p.Stop)
	return p
}

// TryPlay is PlayFunc for a server that may not be there; the caller stops the stream.
func (s *Server) TryPlay(sink string, rateHz int, frame func() (l, r float32, ok bool)) (*Playback, error) {
	if !s.complete.Load() {
		return nil, errNotThere
	}
	return s.tryPlay(sink, rateHz, bufferSeconds, frame)
}

func (s *Server) tryPlay(sink string, rateHz int, seconds float64, frame func() (l, r float32, ok bool)) (*Playback, error) {
	p := &Playback{done: make(chan struct{}), gone: make(chan struct{}), frame: frame}
	var once sync.Once
	ready := make(chan struct{})
	want := make(chan int, 64)
	c, err := s.connect("soundtest player", func(m any) {
		switch m := m.(type) {
		case *proto.Request:
			select {
			case want <- int(m.Length):
			default: // far behind already
			}
		case *proto.PlaybackStreamKilled:
			once.Do(func() { close(p.gone) })
		case *proto.ConnectionClosed:
			once.Do(func() { close(p.gone) })
			close(want)
		}
	})
	if err != nil {
		return nil, err
	}
	p.c = c
	length := uint32(seconds*float64(rateHz)) * 8
	var reply proto.CreatePlaybackStreamReply
	err = c.Request(&proto.CreatePlaybackStream{
		SampleSpec: proto.SampleSpec{Format: proto.FormatFloat32LE, Channels: 2, Rate: uint32(rateHz)},
		ChannelMap: proto.ChannelMap{proto.ChannelFrontLeft, proto.ChannelFrontRight},
		SinkIndex:  proto.Undefined, SinkName: sink,
		BufferMaxLength: proto.Undefined, BufferTargetLength: length,
		BufferPrebufferLength: proto.Undefined, BufferMinimumRequest: proto.Undefined,
		ChannelVolumes: proto.ChannelVolumes{uint32(proto.VolumeNorm), uint32(proto.VolumeNorm)},
		VolumeSet:      true, AdjustLatency: true,
		Properties: proto.PropList{"media.name": proto.PropListString("soundtest signal"), "application.name": proto.PropListString("soundtest player")},
	}, &reply)
	if err != nil {
		c.net.Close()
		return nil, err
	}
	p.index, p.input = reply.StreamIndex, reply.SinkInputIndex
	go func() {
		<-ready
		p.send(int(reply.Missing))
		for n := range want {
			p.send(n)
		}
	}()
	close(ready)
	return p, nil
}

func (p *Playback) send(bytes int) {
	if p.ended {
		return
	}
	buf := make([]byte, 0, bytes)
	for len(buf)+8 <= bytes {
		l, r, ok := p.frame()
		if !ok {
			p.ended = true
			close(p.done)
			break
		}
		buf = binary.LittleEndian.AppendUint32(buf, math.Float32bits(l))
		buf = binary.LittleEndian.AppendUint32(buf, math.Float32bits(r))
	}
	if len(buf) > 0 {
		p.c.Send(p.index, buf)
	}
	if p.ended {
		// Let a signal shorter than the server's start threshold play too.
		go p.c.Request(&proto.TriggerPlaybackStream{StreamIndex: p.index}, nil)
	}
}

// Recording is a stream of a test's own that records.
type Recording struct {
	c    *conn
	rate int
	mu   sync.Mutex
	in   []float32
	zero time.Time // when frame 0 was recorded, by the fragment that came with the least delay

	least []time.Time // the same by the fragments of each second: it moves where the source's clock is not the computer's
	gone  chan struct{}
}

// Gone is closed when the server has ended the recording or has gone itself, also after Stop.
func (r *Recording) Gone() <-chan struct{} { return r.gone }

// Record starts to record a source (a sink's monitor is SINK.monitor), as interleaved stereo.
func (s *Server) Record(source string, rateHz int) *Recording {
	s.t.Helper()
	r, err := s.TryRecord(source, rateHz, false)
	if err != nil {
		s.t.Fatalf("soundtest: record %q: %v", source, err)
	}
	s.t.Cleanup(func() { r.c.net.Close() })
	return r
}

// TryRecord is Record for a source that may not be there; the caller stops the recording. front takes the front channels as
// they are, where the source has more, instead of a mix.
func (s *Server) TryRecord(source string, rateHz int, front bool) (*Recording, error) {
	if !s.complete.Load() {
		return nil, errNotThere
	}
	r := &Recording{rate: rateHz, gone: make(chan struct{})}
	var once sync.Once
	c, err := s.connect("soundtest recorder", func(m any) {
		switch d := m.(type) {
		case *proto.RecordStreamKilled, *proto.ConnectionClosed:
			once.Do(func() { close(r.gone) })
		case *proto.DataPacket:
			r.mu.Lock()
			for b := d.Data; len(b) >= 4; b = b[4:] {
				r.in = append(r.in, math.Float32frombits(binary.LittleEndian.Uint32(b)))
			}
			z := time.Now().Add(-r.length(len(r.in) / 2))
			if sec := len(r.in) / 2 / r.rate; sec >= len(r.least) {
				r.least = append(r.least, z)
			} else if z.Before(r.least[sec]) {
				r.least[sec] = z
			}
			if r.zero.IsZero() || z.Before(r.zero) {
				r.zero = z
			}
			r.mu.Unlock()
		}
	})
	if err != nil {
		return nil, err
	}
	r.c = c
	var reply proto.CreateRecordStreamReply
	err = c.Request(&proto.CreateRecordStream{
		SampleSpec:  proto.SampleSpec{Format: proto.FormatFloat32LE, Channels: 2, Rate: uint32(rateHz)},
		ChannelMap:  proto.ChannelMap{proto.ChannelFrontLeft, proto.ChannelFrontRight},
		SourceIndex: proto.Undefined, SourceName: source,
		BufferMaxLength: proto.Undefined, BufferFragSize: uint32(rateHz/100) * 8, AdjustLatency: true,
		DirectOnInputIndex: proto.Undefined,
		NoMove:             true, NoRemix: front,
		ChannelVolumes: proto.ChannelVolumes{uint32(proto.VolumeNorm), uint32(proto.VolumeNorm)},
		Properties:     proto.PropList{"media.name": proto.PropListString("soundtest recording"), "application.name": proto.PropListString("soundtest recorder")},
	}, &reply)
	if err != nil {
		c.net.Close()
		return nil, err
	}
	return r, nil
}

func (r *Recording) length(frames int) time.Duration {
	return time.Duration(float64(frames) / float64(r.rate) * float64(time.Second))
}

// At is when a frame was recorded, on this process' clock: exact to the least delay a fragment had on its way here, a
// few milliseconds, the same for every frame.
func (r *Recording) At(frame int) time.Time {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.zero.Add(r.length(frame))
}

// Zero is when frame 0 was recorded, by the fragments about a frame: it moves by what the source's clock is off.
func (r *Recording) Zero(frame int) time.Time {
	r.mu.Lock()
	defer r.mu.Unlock()
	about := func(sec int) time.Time { // the least of a few seconds
		lo, hi := max(0, min(sec-2, len(r.least)-5)), len(r.least)
		z := r.least[lo]
		for _, x := range r.least[lo:min(hi, lo+5)] {
			if x.Before(z) {
				z = x
			}
		}
		return z
	}
	first, last := about(0), about(len(r.least)-1)
	if len(r.least) < 10 {
		return first
	}
	part := (float64(frame)/float64(r.rate) - 2.5) / float64(len(r.least)-5)
	return first.Add(time.Duration(part * float64(last.Sub(first))))
}

// Samples are what has been recorded so far, interleaved stereo: a copy.
func (r *Recording) Samples() []float32 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]float32(nil), r.in[:len(r.in)/2*2]...)
}

// From are the samples recorded since a frame, interleaved stereo: a copy.
func (r *Recording) From(frame int) []float32 {
	r.mu.Lock()
	defer r.mu.Unlock()
	n := len(r.in) / 2
	return append([]float32(nil), r.in[2*min(frame, n):2*n]...)
}

// Frames is how many frames have been recorded so far.
func (r *Recording) Frames() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.in) / 2
}

// Stop ends the recording and gives what was recorded.
func (r *Recording) Stop() []float32 {
	r.c.net.Close()
	return r.Samples()
}

// Sine is a source for PlayFunc: a sine of the frequency and peak value in both channels, without end.
func Sine(freqHz float64, rateHz int, peak float64) func() (l, r float32, ok bool) {
	n := 0
	return func() (float32, float32, bool) {
		v := float32(peak * math.Sin(2*math.Pi*freqHz*float64(n)/float64(rateHz)))
		n++
		return v, v, true
	}
}

// LevelDB is the level of each ear in interleaved stereo samples, as root mean square re full scale (a full-scale sine
// is −3.01).
func LevelDB(stereo []float32) (left, right float64) {
	var l, r float64
	for i := 0; i+1 < len(stereo); i += 2 {
		l += float64(stereo[i]) * float64(stereo[i])
		r += float64(stereo[i+1]) * float64(stereo[i+1])
	}
	n := float64(len(stereo) / 2)
	return 10 * math.Log10(l/n), 10 * math.Log10(r/n)
}
