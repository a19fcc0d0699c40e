// Package notify shows desktop notes by the Desktop Notifications Specification (org.freedesktop.Notifications) on the
// session bus.
package notify

import (
	"context"
	"errors"
	"fmt"
	"os"
	"runtime"
	"sync"
	"time"

	"github.com/godbus/dbus/v5"
)

// ErrNoBus is the cause where there is no session bus to send notes by.
var ErrNoBus = errors.New("no session bus")

const (
	busName  = "org.freedesktop.Notifications"
	busPath  = dbus.ObjectPath("/org/freedesktop/Notifications")
	showMS   = 2500
	sendWait = 2 * time.Second
)

// Notes sends notes; each takes the place of the one before. The zero value works. Methods may be called from any
// goroutine.
type Notes struct {
	// Address is the session bus; "" for that of the environment.
	Address string

	mu   sync.Mutex // guards all below and orders the notes
	conn *dbus.Conn
	last uint32 // the note on show
}

// Show shows a note, or fails with ErrNoBus as cause where there is no bus. A bus that went away is looked for anew.
func (n *Notes) Show(ctx context.Context, title, text string) error {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.conn == nil || !n.conn.Connected() {
		if err := n.connect(); err != nil {
			return fmt.Errorf("notify: show %q: %w", title, err)
		}
	}
	ctx, cancel := context.WithTimeout(ctx, sendWait)
	defer cancel()
	hints := map[string]dbus.Variant{"urgency": dbus.MakeVariant(byte(0)), "transient": dbus.MakeVariant(true)}
	call := n.conn.Object(busName, busPath).CallWithContext(ctx, busName+".Notify", 0,
		"cushwright", n.last, "audio-headphones", title, text, []string{}, hints, int32(showMS))
	if err := call.Store(&n.last); err != nil {
		n.last = 0
		return fmt.Errorf("notify: show %q: %w", title, err)
	}
	return nil
}

func (n *Notes) connect() error {
	n.last = 0
	address := n.Address
	if address == "" {
		if runtime.GOOS == "windows" || runtime.GOOS == "darwin" {
			return ErrNoBus
		}
		if address = os.Getenv("DBUS_SESSION_BUS_ADDRESS"); address == "" {
			// the place that systemd gives it; a bus is never started by us
			dir := os.Getenv("XDG_RUNTIME_DIR")
			if _, err := os.Stat(dir + "/bus"); dir == "" || err != nil {
				return ErrNoBus
			}
			address = "unix:path=" + dir + "/bus"
		}
	}
	conn, err := dbus.Connect(address)
	if err != nil {
		return fmt.Errorf("%w: %v", ErrNoBus, err)
	}
	n.conn = conn
	return nil
}

// Close ends the connection.
func (n *Notes) Close() {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.conn != nil {
		n.conn.Close()
		n.conn = nil
	}
}
