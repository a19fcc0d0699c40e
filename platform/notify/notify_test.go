//go:build !windows && !darwin

package notify

import (
	"bufio"
	"errors"
	"os/exec"
	"strings"
	"sync"
	"testing"

	"github.com/godbus/dbus/v5"
)

type note struct {
	replaces    uint32
	title, text string
}

// board plays the desktop's part of the specification.
type board struct {
	mu    sync.Mutex // guards notes
	notes []note
}

// Notify is called by the sender of notes.
func (b *board) Notify(app string, replaces uint32, icon, title, text string, actions []string, hints map[string]dbus.Variant, ms int32) (uint32, *dbus.Error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.notes = append(b.notes, note{replaces, title, text})
	return 41, nil
}

func TestShow(t *testing.T) {
	c := exec.Command("dbus-daemon", "--session", "--nofork", "--nopidfile", "--print-address=1")
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatalf("the message bus is needed: %v", err)
	}
	stop := sync.OnceFunc(func() { c.Process.Kill(); c.Wait() })
	defer stop()
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	n := &Notes{Address: strings.TrimSpace(line)}
	defer n.Close()
	if err := n.Show(t.Context(), "a", "b"); err == nil {
		t.Error("shown to nobody")
	}
	conn, err := dbus.Connect(n.Address)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	b := &board{}
	if err := conn.Export(b, busPath, busName); err != nil {
		t.Fatal(err)
	}
	if _, err := conn.RequestName(busName, dbus.NameFlagDoNotQueue); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := n.Show(t.Context(), "wipe-clean", "corrected towards woven"); err != nil {
			t.Fatal(err)
		}
	}
	b.mu.Lock()
	want := []note{{0, "wipe-clean", "corrected towards woven"}, {41, "wipe-clean", "corrected towards woven"}}
	if len(b.notes) != 2 || b.notes[0] != want[0] || b.notes[1] != want[1] {
		t.Errorf("notes %v, want %v", b.notes, want)
	}
	b.mu.Unlock()
	stop()
	var lost error
	for range 100 { // the loss is noticed by the connection's reader
		if lost = n.Show(t.Context(), "a", "b"); errors.Is(lost, ErrNoBus) {
			break
		}
	}
	if !errors.Is(lost, ErrNoBus) {
		t.Errorf("the bus is gone: error %v", lost)
	}
}

func TestNoBus(t *testing.T) {
	t.Setenv("DBUS_SESSION_BUS_ADDRESS", "")
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	n := &Notes{}
	if err := n.Show(t.Context(), "a", "b"); !errors.Is(err, ErrNoBus) {
		t.Errorf("error %v", err)
	}
}
