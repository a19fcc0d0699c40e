package pulse

import (
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

	"cushwright/platform/device"

	"github.com/jfreymuth/pulse/proto"
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
// $XDG_RUNTIME_DIR or, where that is not set, in /run/user. The same string goes to both libraries that connect,
// because they do not look in the same places.
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

// Conn is a control connection to the sound server.
type Conn struct {
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

// Dial connects to the server at the address, a server string.
func Dial(server string) (*Conn, error) { return dial(server, nil) }

// dial connects to the server. on, if not nil, is told of what the server says by itself (the protocol library's
// messages), on the connection's reading goroutine: it must neither wait nor make requests.
func dial(server string, on func(message any)) (*Conn, error) {
	return dialEach(server, func(conn net.Conn) (*Conn, error) { return handshake(conn, on) })
}

// dialEach tries the parts of a server string until one answers that greet accepts; greet closes what it refuses.
func dialEach(server string, greet func(net.Conn) (*Conn, error)) (*Conn, error) {
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

func handshake(conn net.Conn, on func(message any)) (*Conn, error) {
	p := &Conn{c: &proto.Client{}, conn: conn, gone: make(chan struct{})}
	var once sync.Once
	p.c.Callback = func(m any) {
		if on != nil {
			on(m)
		}
		if _, ok := m.(*proto.ConnectionClosed); ok {
			once.Do(func() { close(p.gone) })
		}
	}
	p.c.SetTimeout(helloTimeout) // a server that is only just coming up may never answer who came too early
	p.c.Open(link{&shortened{Conn: conn}})
	var auth proto.AuthReply
	if err := p.c.Request(&proto.Auth{Version: p.c.Version(), Cookie: cookie()}, &auth); err != nil {
		return nil, fmt.Errorf("be let in: %w", err)
	}
	p.c.SetVersion(auth.Version)
	props := proto.PropList{
		"application.name":           proto.PropListString(device.AppName),
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

// Close ends the connection.
func (p *Conn) Close() { p.conn.Close() }

// Alive reports whether the connection stands.
func (p *Conn) Alive() bool {
	select {
	case <-p.gone:
		return false
	default:
		return true
	}
}

func (p *Conn) info() (proto.GetServerInfoReply, error) {
	var r proto.GetServerInfoReply
	err := p.c.Request(&proto.GetServerInfo{}, &r)
	return r, err
}

func (p *Conn) sinks() (proto.GetSinkInfoListReply, error) {
	var r proto.GetSinkInfoListReply
	err := p.c.Request(&proto.GetSinkInfoList{}, &r)
	return slices.DeleteFunc(r, func(k *proto.GetSinkInfoReply) bool { return len(url.QueryEscape(k.SinkName)) > longestID }), err
}

func (p *Conn) inputs() (proto.GetSinkInputInfoListReply, error) {
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
