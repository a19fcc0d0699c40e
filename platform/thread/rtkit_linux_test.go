package thread

import (
	"bufio"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"

	"github.com/godbus/dbus/v5"
)

// kit plays RealtimeKit's part (its interface: org.freedesktop.RealtimeKit1.xml).
type kit struct {
	mu    sync.Mutex // guards calls
	calls [][3]uint64
}

// MakeThreadRealtimeWithPID is called by who wants a priority.
func (k *kit) MakeThreadRealtimeWithPID(pid, tid uint64, priority uint32) *dbus.Error {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.calls = append(k.calls, [3]uint64{pid, tid, uint64(priority)})
	return nil
}

func TestRealtimeKitIsAsked(t *testing.T) {
	c := exec.Command("dbus-daemon", "--session", "--nofork", "--nopidfile", "--print-address=1")
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatalf("the message bus is needed: %v", err)
	}
	defer func() { c.Process.Kill(); c.Wait() }()
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	address := strings.TrimSpace(line)
	t.Setenv("DBUS_SYSTEM_BUS_ADDRESS", address)
	if err := askRealtimeKit(t.Context(), 4711); err == nil {
		t.Error("nobody there, and no error")
	}
	conn, err := dbus.Connect(address)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	k := &kit{}
	if err := conn.Export(k, "/org/freedesktop/RealtimeKit1", "org.freedesktop.RealtimeKit1"); err != nil {
		t.Fatal(err)
	}
	if _, err := conn.RequestName("org.freedesktop.RealtimeKit1", dbus.NameFlagDoNotQueue); err != nil {
		t.Fatal(err)
	}
	if err := askRealtimeKit(t.Context(), 4711); err != nil {
		t.Fatal(err)
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if want := [3]uint64{uint64(os.Getpid()), 4711, urgentPriority}; len(k.calls) != 1 || k.calls[0] != want {
		t.Errorf("asked for %v, want %v", k.calls, want)
	}
}
