package platform

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/jfreymuth/pulse/proto"

	"cushwright/engine"
)

// The properties that our virtual sink carries in its module's arguments, where they outlive us: whose it is, and which
// output was default before.
const (
	ownerProp    = "cushwright.owner"
	previousProp = "cushwright.previous"
)

var (
	ownerArg    = regexp.MustCompile(regexp.QuoteMeta(ownerProp) + `=(\d+)`)
	previousArg = regexp.MustCompile(regexp.QuoteMeta(previousProp) + `=([^\s'"]+)`)
)

const (
	dialTimeout    = time.Second
	helloTimeout   = 1500 * time.Millisecond
	requestTimeout = 3 * time.Second
	wishAgain      = 150 * time.Millisecond // see setDefault
)

// ServerString is the sound server's address: $PULSE_SERVER, else the socket in $PULSE_RUNTIME_PATH, else the one in
// $XDG_RUNTIME_DIR or, where that is not set, in /run/user. The same string goes to both libraries that connect, because
// they do not look in the same places.
func ServerString() string {
	if s := os.Getenv("PULSE_SERVER"); s != "" {
		return s
	}
	if d := os.Getenv("PULSE_RUNTIME_PATH"); d != "" {
		return "unix:" + filepath.Join(d, "native")
	}
	d := os.Getenv("XDG_RUNTIME_DIR")
	if d == "" {
		d = filepath.Join("/run/user", strconv.Itoa(os.Getuid()))
	}
	return "unix:" + filepath.Join(d, "pulse", "native")
}

// pulse is a control connection to the sound server.
type pulse struct {
	c        *proto.Client
	conn     net.Conn
	pipewire bool
	gone     chan struct{} // closed when the connection has ended
}

// link makes every end of the connection look like end-of-file, the only end that the protocol library reports, and
// bounds writing.
type link struct{ net.Conn }

func (l link) Read(b []byte) (int, error) {
	n, err := l.Conn.Read(b)
	if err != nil {
		err = io.EOF
	}
	return n, err
}

func (l link) Write(b []byte) (int, error) {
	l.SetWriteDeadline(time.Now().Add(requestTimeout))
	return l.Conn.Write(b)
}

// dial connects to the server. event, if not nil, is told of subscribed events on the connection's reading goroutine: it
// must neither wait nor make requests.
func dial(server string, event func(proto.SubscribeEvent)) (*pulse, error) {
	return dialEach(server, func(conn net.Conn) (*pulse, error) { return handshake(conn, event) })
}

// dialEach tries the parts of a server string until one answers that greet accepts; greet closes what it refuses.
func dialEach(server string, greet func(net.Conn) (*pulse, error)) (*pulse, error) {
	var last error
	for _, field := range strings.Fields(server) {
		network, addr, err := serverAddress(field)
		if err != nil {
			last = err
			continue
		}
		if addr == "" {
			continue // meant for another host
		}
		conn, err := net.DialTimeout(network, addr, dialTimeout)
		if err != nil {
			last = err
			continue
		}
		p, err := greet(conn)
		if err != nil {
			conn.Close()
			last = err
			continue
		}
		return p, nil
	}
	if last == nil {
		last = errors.New("no usable address")
	}
	return nil, last
}

// serverAddress parses one part of a server string. addr is "" for a part that names another host.
func serverAddress(s string) (network, addr string, err error) {
	if strings.HasPrefix(s, "{") {
		host, rest, ok := strings.Cut(s[1:], "}")
		if !ok {
			return "", "", fmt.Errorf("address %q has no closing brace", s)
		}
		if me, err := os.Hostname(); err != nil || host != me {
			if id, err := os.ReadFile("/etc/machine-id"); err != nil || host != strings.TrimSpace(string(id)) {
				return "unix", "", nil
			}
		}
		s = rest
	}
	switch {
	case strings.HasPrefix(s, "/"):
		return "unix", s, nil
	case strings.HasPrefix(s, "unix:"):
		return "unix", s[len("unix:"):], nil
	}
	network = "tcp"
	for _, prefix := range []string{"tcp4:", "tcp6:", "tcp:"} {
		if strings.HasPrefix(s, prefix) {
			network, s = prefix[:len(prefix)-1], s[len(prefix):]
			break
		}
	}
	if _, _, err := net.SplitHostPort(s); err != nil {
		s = net.JoinHostPort(strings.Trim(s, "[]"), "4713") // the protocol's registered port
	}
	return network, s, nil
}

func handshake(conn net.Conn, event func(proto.SubscribeEvent)) (*pulse, error) {
	return greet(conn, func(m any) {
		if e, ok := m.(*proto.SubscribeEvent); ok && event != nil {
			event(*e)
		}
	})
}

// greet makes a connection known to the server. Long strings are cut on it. told gets every message that answers no request, on the
// connection's reading goroutine.
func greet(conn net.Conn, told func(m any)) (*pulse, error) {
	p := &pulse{c: &proto.Client{}, conn: conn, gone: make(chan struct{})}
	var once sync.Once
	p.c.Callback = func(m any) {
		if _, over := m.(*proto.ConnectionClosed); over {
			once.Do(func() { close(p.gone) })
		}
		told(m)
	}
	p.c.SetTimeout(helloTimeout) // a server that is only just coming up may never answer who came too early
	p.c.Open(link{&shortened{Conn: conn}})
	var auth proto.AuthReply
	if err := p.c.Request(&proto.Auth{Version: p.c.Version(), Cookie: cookie()}, &auth); err != nil {
		return nil, fmt.Errorf("be let in: %w", err)
	}
	p.c.SetVersion(auth.Version)
	props := proto.PropList{
		"application.name":           proto.PropListString(appName),
		"application.process.id":     proto.PropListString(strconv.Itoa(os.Getpid())),
		"application.process.binary": proto.PropListString(filepath.Base(os.Args[0])),
	}
	if err := p.c.Request(&proto.SetClientName{Props: props}, &proto.SetClientNameReply{}); err != nil {
		return nil, fmt.Errorf("give a name: %w", err)
	}
	info, err := p.info()
	if err != nil {
		return nil, fmt.Errorf("ask what it is: %w", err)
	}
	p.pipewire = strings.Contains(info.PackageName, "PipeWire")
	p.c.SetTimeout(requestTimeout)
	return p, nil
}

// cookie is the shared secret for servers that ask for one; on a local socket the same user needs none.
func cookie() []byte {
	path := os.Getenv("PULSE_COOKIE")
	if path == "" {
		if dir, err := os.UserConfigDir(); err == nil {
			path = filepath.Join(dir, "pulse", "cookie")
		}
	}
	if b, err := os.ReadFile(path); err == nil && len(b) == 256 {
		return b
	}
	return make([]byte, 256)
}

func (p *pulse) close() { p.conn.Close() }

func (p *pulse) alive() bool {
	select {
	case <-p.gone:
		return false
	default:
		return true
	}
}

func (p *pulse) info() (proto.GetServerInfoReply, error) {
	var r proto.GetServerInfoReply
	err := p.c.Request(&proto.GetServerInfo{}, &r)
	return r, err
}

func (p *pulse) sinks() (proto.GetSinkInfoListReply, error) {
	var r proto.GetSinkInfoListReply
	err := p.c.Request(&proto.GetSinkInfoList{}, &r)
	return slices.DeleteFunc(r, func(k *proto.GetSinkInfoReply) bool { return len(url.QueryEscape(k.SinkName)) > longestID }), err
}

func (p *pulse) inputs() (proto.GetSinkInputInfoListReply, error) {
	var r proto.GetSinkInputInfoListReply
	err := p.c.Request(&proto.GetSinkInputInfoList{}, &r)
	return r, err
}

func prop(l proto.PropList, key string) string {
	if v, ok := l[key]; ok {
		return v.String()
	}
	return ""
}

func sinkNamed(sinks proto.GetSinkInfoListReply, name string) *proto.GetSinkInfoReply {
	for _, s := range sinks {
		if s.SinkName == name {
			return s
		}
	}
	return nil
}

func sinkOfModule(sinks proto.GetSinkInfoListReply, module uint32) *proto.GetSinkInfoReply {
	for _, s := range sinks {
		if s.ModuleIndex == module && module != proto.Undefined {
			return s
		}
	}
	return nil
}

// left is a virtual sink of this program, ours or of another process.
type left struct {
	module   uint32
	owner    int
	previous string
}

// virtual lists the virtual sinks of this program, whoever made them.
func (p *pulse) virtual() ([]left, error) {
	var mods proto.GetModuleInfoListReply
	if err := p.c.Request(&proto.GetModuleInfoList{}, &mods); err != nil {
		return nil, err
	}
	var all []left
	for _, m := range mods {
		o := ownerArg.FindStringSubmatch(m.ModuleArgs)
		if o == nil {
			continue
		}
		l := left{module: m.ModuleIndex}
		l.owner, _ = strconv.Atoi(o[1])
		if b := previousArg.FindStringSubmatch(m.ModuleArgs); b != nil {
			l.previous, _ = url.QueryUnescape(b[1])
		}
		all = append(all, l)
	}
	return all, nil
}

// setDefault makes the sink default and waits until the server says that it is: PipeWire answers before it has done it.
// Its session manager, seen under load, can miss a wish for a sink that has only just come, and looks again only when the
// wish changes: so wish for something else in between.
func (p *pulse) setDefault(ctx context.Context, sink string) error {
	wish := func(sink string) error { return p.c.Request(&proto.SetDefaultSink{SinkName: sink}, nil) }
	if err := wish(sink); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, requestTimeout)
	defer cancel()
	next := time.Now().Add(wishAgain)
	return wait(ctx, func() (bool, error) {
		info, err := p.info()
		if err != nil || info.DefaultSinkName == sink {
			return err == nil, err
		}
		if time.Now().After(next) {
			next = time.Now().Add(wishAgain)
			other := info.DefaultSinkName
			if strings.HasPrefix(other, "@") { // PipeWire's word for none: as a wish it would stay
				other = ""
				if sinks, err := p.sinks(); err == nil {
					for _, k := range sinks {
						if k.SinkName != sink {
							other = k.SinkName
						}
					}
				}
			}
			if other != "" {
				wish(other) // may have gone meanwhile
			}
			return false, wish(sink)
		}
		return false, nil
	})
}

// wait polls until ok or error. Each poll is a round trip to the server, so a couple of milliseconds apart is plenty.
func wait(ctx context.Context, ok func() (bool, error)) error {
	for {
		if done, err := ok(); done || err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(2 * time.Millisecond):
		}
	}
}

// moveStreams moves the streams that play to the sinks that from accepts, except our own; a stream that may not be moved
// stays.
func (p *pulse) moveStreams(from func(sink uint32) bool, to uint32) (moved int, err error) {
	in, err := p.inputs()
	if err != nil {
		return 0, err
	}
	for _, s := range in {
		if !from(s.SinkIndex) || s.SinkIndex == to || ourStream(s) {
			continue
		}
		err := p.c.Request(&proto.MoveSinkInput{SinkInputIndex: s.SinkInputIndex, DeviceIndex: to}, nil)
		var refused proto.Error
		if err != nil && !errors.As(err, &refused) {
			return moved, err
		}
		if err == nil {
			moved++
		}
	}
	return moved, nil
}

func ourStream(s *proto.GetSinkInputInfoReply) bool {
	return prop(s.Properties, "application.name") == appName
}

// undo takes away the virtual sinks that sel chooses: the former output becomes default (if ours is default now), the
// streams move to it, the sinks go. It says in words what it did.
func (p *pulse) undo(ctx context.Context, sel func(left) bool) (done []string, err error) {
	all, err := p.virtual()
	if err != nil || len(all) == 0 {
		return nil, err
	}
	sinks, err := p.sinks()
	if err != nil {
		return nil, err
	}
	info, err := p.info()
	if err != nil {
		return nil, err
	}
	ours := map[uint32]bool{} // sinks of this program, all of them
	goes := map[uint32]bool{} // sinks that go
	def := sinkNamed(sinks, info.DefaultSinkName)
	var to *proto.GetSinkInfoReply
	for _, l := range all {
		s := sinkOfModule(sinks, l.module)
		if s == nil {
			continue
		}
		ours[s.SinkIndex] = true
		goes[s.SinkIndex] = sel(l)
	}
	for _, l := range all {
		if s := sinkNamed(sinks, l.previous); sel(l) && s != nil && !ours[s.SinkIndex] {
			to = s
		}
	}
	// Each step is tried though one before it failed: half an undoing is better than none.
	var errs []error
	if def == nil || goes[def.SinkIndex] {
		if to != nil {
			if err := p.setDefault(ctx, to.SinkName); err != nil {
				errs = append(errs, fmt.Errorf("make %q default: %w", to.SinkName, err))
			} else {
				done = append(done, fmt.Sprintf("%q is the default output again", to.SinkName))
			}
		}
	} else if !ours[def.SinkIndex] {
		to = def // the user chose another output meanwhile
	}
	if to != nil {
		n, err := p.moveStreams(func(s uint32) bool { return goes[s] }, to.SinkIndex)
		if err != nil {
			errs = append(errs, fmt.Errorf("move streams to %q: %w", to.SinkName, err))
		}
		if n > 0 {
			done = append(done, fmt.Sprintf("%d streams moved to %q", n, to.SinkName))
		}
	}
	for _, l := range all {
		if !sel(l) {
			continue
		}
		err := p.c.Request(&proto.UnloadModule{ModuleIndex: l.module}, nil)
		if err != nil && !errors.Is(err, proto.ErrNoSuchEntity) {
			errs = append(errs, fmt.Errorf("remove the virtual sink of process %d: %w", l.owner, err))
			continue
		}
		done = append(done, fmt.Sprintf("virtual sink of process %d removed", l.owner))
	}
	return done, errors.Join(errs...)
}

// serverDevices lists the sound server's outputs and sources.
func serverDevices(server string) ([]engine.Device, error) {
	p, err := dial(server, nil)
	if err != nil {
		return nil, devErr("list devices of", server, engine.Retry, err)
	}
	defer p.close()
	fail := func(err error) ([]engine.Device, error) {
		return nil, devErr("list devices of", server, engine.Retry, err)
	}
	info, err := p.info()
	if err != nil {
		return fail(err)
	}
	sinks, err := p.sinks()
	if err != nil {
		return fail(err)
	}
	var sources proto.GetSourceInfoListReply
	if err := p.c.Request(&proto.GetSourceInfoList{}, &sources); err != nil {
		return fail(err)
	}
	var all []engine.Device
	for _, s := range sinks {
		all = append(all, engine.Device{
			ID: s.SinkName, Name: Readable(s.Device), Playback: true, Default: s.SinkName == info.DefaultSinkName,
			RateHz: int(s.Rate), Channels: int(s.SampleSpec.Channels),
		})
	}
	for _, s := range sources {
		all = append(all, engine.Device{
			ID: s.SourceName, Name: Readable(s.Device), Capture: true, Default: s.SourceName == info.DefaultSourceName,
			Monitor: s.MonitorSourceIndex != proto.Undefined, // of a source: the sink that it monitors
			RateHz:  int(s.Rate), Channels: int(s.SampleSpec.Channels),
		})
	}
	return all, nil
}
