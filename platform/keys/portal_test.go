//go:build !windows && !darwin

package keys

import (
	"bufio"
	"fmt"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/godbus/dbus/v5"
	"github.com/godbus/dbus/v5/prop"
)

// bus starts a message bus of the test's own.
func bus(t *testing.T) string {
	t.Helper()
	c := exec.Command("dbus-daemon", "--session", "--nofork", "--nopidfile", "--print-address=1")
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatalf("the message bus is needed: %v", err)
	}
	t.Cleanup(func() { c.Process.Kill(); c.Wait() })
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatalf("the bus named no address: %v", err)
	}
	return strings.TrimSpace(line)
}

// desk plays the portal's part as its interface description says: answers come as signals of request objects.
type desk struct {
	conn *dbus.Conn

	mu       sync.Mutex // guards all below
	refuse   map[string]bool
	bound    []shortcut
	session  dbus.ObjectPath
	sessions int
	closed   int
}

func (d *desk) answer(sender dbus.Sender, options map[string]dbus.Variant, results map[string]dbus.Variant) dbus.ObjectPath {
	s := strings.ReplaceAll(strings.TrimPrefix(string(sender), ":"), ".", "_")
	path := dbus.ObjectPath("/org/freedesktop/portal/desktop/request/" + s + "/" + options["handle_token"].Value().(string))
	d.conn.Emit(path, portalRequest+".Response", uint32(0), results) // before the reply: the earliest that is allowed
	return path
}

// CreateSession is called by the portal's client.
func (d *desk) CreateSession(sender dbus.Sender, options map[string]dbus.Variant) (dbus.ObjectPath, *dbus.Error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.sessions++
	d.session = dbus.ObjectPath(fmt.Sprintf("/org/freedesktop/portal/desktop/session/test/%d", d.sessions))
	d.conn.Export(&deskSession{d}, d.session, portalSession)
	return d.answer(sender, options, map[string]dbus.Variant{"session_handle": dbus.MakeVariant(string(d.session))}), nil
}

// BindShortcuts is called by the portal's client.
func (d *desk) BindShortcuts(sender dbus.Sender, session dbus.ObjectPath, list []shortcut, _ string, options map[string]dbus.Variant) (dbus.ObjectPath, *dbus.Error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.bound = list
	var out []shortcut
	for _, s := range list {
		if !d.refuse[s.ID] {
			out = append(out, shortcut{s.ID, map[string]dbus.Variant{"description": s.Options["description"],
				"trigger_description": dbus.MakeVariant("Press " + s.Options["preferred_trigger"].Value().(string))}})
		}
	}
	return d.answer(sender, options, map[string]dbus.Variant{"shortcuts": dbus.MakeVariant(out)}), nil
}

type deskSession struct{ d *desk }

// Close is called by the portal's client.
func (s *deskSession) Close() *dbus.Error {
	s.d.mu.Lock()
	defer s.d.mu.Unlock()
	s.d.closed++
	return nil
}

func (d *desk) press(session dbus.ObjectPath, id string) {
	d.conn.Emit(portalPath, portalShortcuts+".Activated", session, id, uint64(1), map[string]dbus.Variant{})
}

func startDesk(t *testing.T, address string) *desk {
	t.Helper()
	conn, err := dbus.Connect(address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	d := &desk{conn: conn, refuse: map[string]bool{}}
	if err := conn.Export(d, portalPath, portalShortcuts); err != nil {
		t.Fatal(err)
	}
	if _, err := prop.Export(conn, portalPath, prop.Map{portalShortcuts: {"version": {Value: uint32(1)}}}); err != nil {
		t.Fatal(err)
	}
	if r, err := conn.RequestName(portalName, dbus.NameFlagDoNotQueue); err != nil || r != dbus.RequestNameReplyPrimaryOwner {
		t.Fatalf("name: %v %v", r, err)
	}
	return d
}

func TestPortal(t *testing.T) {
	address := bus(t)
	t.Setenv("WAYLAND_DISPLAY", "wayland-test")
	t.Setenv("DBUS_SESSION_BUS_ADDRESS", address)
	if _, err := Start(t.Context(), nil, func(Action) {}); err == nil {
		t.Fatal("started without a portal")
	}
	d := startDesk(t, address)
	d.mu.Lock()
	d.refuse[string(Panic)] = true
	d.mu.Unlock()
	got := make(chan Action, 100)
	k, err := Start(t.Context(), map[Action]Combo{Bypass: {Ctrl: true, Alt: true, Key: "b"}, Panic: {Super: true, Shift: true, Key: "page-up"}},
		func(a Action) { got <- a })
	if err != nil {
		t.Fatal(err)
	}
	defer k.Close()
	if r := k.Refused(); len(r) != 1 || r[0].Action != Panic || !strings.Contains(r[0].Error(), "shift+super+page-up") {
		t.Fatalf("refused %v", r)
	}
	d.mu.Lock()
	for i, want := range []string{"CTRL+ALT+b", "SHIFT+LOGO+Page_Up"} {
		if s := d.bound[i].Options["preferred_trigger"].Value(); s != want {
			t.Errorf("proposed %v, want %s", s, want)
		}
	}
	first := d.session
	d.mu.Unlock()
	for range 20 {
		d.press(first, "bypass")
	}
	for i := range 20 {
		select {
		case a := <-got:
			if a != Bypass {
				t.Fatalf("%s came", a)
			}
		case <-time.After(5 * time.Second):
			t.Fatalf("%d of 20 presses came", i)
		}
	}
	if err := k.Rebind(map[Action]Combo{NextCushion: {Key: "f9"}}); err != nil || len(k.Refused()) != 0 {
		t.Fatalf("rebind: %v, refused %v", err, k.Refused())
	}
	d.mu.Lock()
	second, closed := d.session, d.closed
	d.mu.Unlock()
	if second == first || closed != 1 {
		t.Errorf("the old session was not closed: %v, %v, closed %d", first, second, closed)
	}
	d.press(first, "bypass") // of the old session: not ours any more
	d.press(second, "next-cushion")
	if a := <-got; a != NextCushion {
		t.Fatalf("%s came", a)
	}
	k.Close()
	select {
	case <-k.Done():
	case <-time.After(5 * time.Second):
		t.Fatal("not done after Close")
	}
}

func TestKeyNames(t *testing.T) {
	for _, c := range []struct {
		key  string
		sym  uint32
		name string
	}{{"b", 'b', "b"}, {"7", '7', "7"}, {"f1", 0xffbe, "F1"}, {"f24", 0xffd5, "F24"}, {"enter", 0xff0d, "Return"}} {
		if s, n := keysym(c.key); s != c.sym || n != c.name {
			t.Errorf("%s: %#x %q", c.key, s, n)
		}
	}
	for _, bad := range []string{"", "B", "f0", "f25", "f01", "fx", "ff", "é", "f100"} {
		if s, _ := keysym(bad); s != 0 {
			t.Errorf("%q: keysym %#x", bad, s)
		}
	}
}
