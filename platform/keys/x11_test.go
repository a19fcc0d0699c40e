//go:build !windows && !darwin

package keys

import (
	"bufio"
	"context"
	"errors"
	"math/rand/v2"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jezek/xgb"
	"github.com/jezek/xgb/xproto"
)

// display starts a virtual X server for the test and returns its name and a function that ends it.
func display(t *testing.T) (string, func()) {
	t.Helper()
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command("Xvfb", "-displayfd", "3", "-screen", "0", "640x480x24", "-nolisten", "tcp", "-noreset")
	c.ExtraFiles = []*os.File{w}
	if err := c.Start(); err != nil {
		t.Fatalf("the virtual X server is needed: %v", err)
	}
	w.Close()
	stop := sync.OnceFunc(func() { c.Process.Kill(); c.Wait(); r.Close() })
	t.Cleanup(stop)
	line, err := bufio.NewReader(r).ReadString('\n')
	if err != nil {
		t.Fatalf("the X server named no display: %v", err)
	}
	return ":" + strings.TrimSpace(line), stop
}

func xdo(t *testing.T, display string, args ...string) {
	t.Helper()
	c := exec.Command("xdotool", args...)
	c.Env = append(os.Environ(), "DISPLAY="+display)
	if out, err := c.CombinedOutput(); err != nil {
		t.Fatalf("xdotool %v: %v: %s", args, err, out)
	}
}

// watcher is a second client, to look at the server and to get in the way.
func watcher(t *testing.T, display string) (*xgb.Conn, xproto.Window) {
	t.Helper()
	c, err := xgb.NewConnDisplay(display)
	if err != nil {
		t.Fatal(err)
	}
	return c, xproto.Setup(c).DefaultScreen(c).Root
}

func startX11(t *testing.T, display string, b map[Action]Combo, f func(Action)) *Keys {
	t.Helper()
	t.Setenv("WAYLAND_DISPLAY", "")
	t.Setenv("DISPLAY", display)
	k, err := Start(t.Context(), b, f)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(k.Close)
	return k
}

func within(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(10 * time.Second); !ok(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("%s: did not happen", what)
		}
	}
}

// TestTwoHundredPresses presses at random intervals under every state of the lock keys: each press is one action.
func TestTwoHundredPresses(t *testing.T) {
	d, _ := display(t)
	got := make(chan Action, 1000)
	k := startX11(t, d, map[Action]Combo{Bypass: {Ctrl: true, Alt: true, Key: "b"}, NextCushion: {Key: "f9"},
		Panic: {Super: true, Key: "escape"}, PreviousCushion: {}}, func(a Action) { got <- a })
	if r := k.Refused(); len(r) != 0 {
		t.Fatalf("refused: %v", r)
	}
	conn, root := watcher(t, d)
	defer conn.Close()
	state := func() uint16 {
		q, err := xproto.QueryPointer(conn, root).Reply()
		if err != nil {
			t.Fatal(err)
		}
		return q.Mask & (xproto.ModMaskLock | xproto.ModMask2)
	}
	r := rand.New(rand.NewPCG(7, 8))
	press := map[Action]string{Bypass: "ctrl+alt+b", NextCushion: "F9", Panic: "super+Escape"}
	var took []time.Duration
	n := 0
	for _, lock := range []struct {
		keys  []string
		mask  uint16
		count int
	}{{nil, 0, 60}, {[]string{"Num_Lock"}, xproto.ModMask2, 60}, {[]string{"Caps_Lock"}, xproto.ModMaskLock, 60},
		{[]string{"Num_Lock", "Caps_Lock"}, xproto.ModMask2 | xproto.ModMaskLock, 20}} {
		for _, key := range lock.keys {
			xdo(t, d, "key", key)
		}
		within(t, "lock state", func() bool { return state() == lock.mask })
		for range lock.count {
			want := []Action{Bypass, Bypass, NextCushion, Panic}[r.IntN(4)]
			start := time.Now()
			xdo(t, d, "key", "--delay", "2", press[want])
			select {
			case a := <-got:
				took = append(took, time.Since(start))
				if a != want {
					t.Fatalf("press %d, locks %#x: %s came for %s", n, lock.mask, a, want)
				}
			case <-time.After(5 * time.Second):
				t.Fatalf("press %d of %s, locks %#x: no action", n, want, lock.mask)
			}
			n++
			time.Sleep(time.Duration(r.IntN(30)) * time.Millisecond)
		}
		for _, key := range lock.keys {
			xdo(t, d, "key", key)
		}
		within(t, "locks off", func() bool { return state() == 0 })
	}
	xdo(t, d, "key", "b", "ctrl+b", "ctrl+alt+shift+b") // none of ours
	time.Sleep(50 * time.Millisecond)
	if n != 200 || len(got) != 0 {
		t.Fatalf("%d presses, %d actions too many", n, len(got))
	}
	slices.Sort(took)
	t.Logf("from starting xdotool to the action: median %v, largest %v", took[len(took)/2], took[len(took)-1])
}

// TestHeldKeyIsOnePress: the server repeats a held key, the action comes once.
func TestHeldKeyIsOnePress(t *testing.T) {
	d, _ := display(t)
	got := make(chan Action, 1000)
	startX11(t, d, map[Action]Combo{Bypass: {Key: "f7"}}, func(a Action) { got <- a })
	conn, root := watcher(t, d)
	defer conn.Close()
	// Another client sees the key's repeats in the keyboard's events; grabs hide them, so press an ungrabbed key first
	// to prove that this server repeats at all.
	if err := xproto.ChangeWindowAttributesChecked(conn, root, xproto.CwEventMask, []uint32{xproto.EventMaskKeyPress}).Check(); err != nil {
		t.Fatal(err)
	}
	xdo(t, d, "keydown", "F6")
	for range 3 {
		if ev, err := conn.WaitForEvent(); err != nil || ev == nil {
			t.Fatalf("no repeats: %v", err)
		}
	}
	xdo(t, d, "keyup", "F6")
	xdo(t, d, "keydown", "F7")
	time.Sleep(1200 * time.Millisecond) // the server begins to repeat after 0.66 s at the latest
	xdo(t, d, "keyup", "F7")
	xdo(t, d, "key", "F7")
	within(t, "two actions", func() bool { return len(got) >= 2 })
	time.Sleep(50 * time.Millisecond)
	if len(got) != 2 {
		t.Fatalf("%d actions for two presses", len(got))
	}
}

// TestTakenKeyIsNamed: another client holds a key; it is named, the others work; when it is free again a rebind takes it.
func TestTakenKeyIsNamed(t *testing.T) {
	d, _ := display(t)
	other, root := watcher(t, d)
	defer other.Close()
	m, err := xproto.GetKeyboardMapping(other, xproto.Setup(other).MinKeycode, byte(xproto.Setup(other).MaxKeycode-xproto.Setup(other).MinKeycode)+1).Reply()
	if err != nil {
		t.Fatal(err)
	}
	code := xproto.Keycode(0)
	for i, s := range m.Keysyms {
		if s == 'b' && i%int(m.KeysymsPerKeycode) == 0 {
			code = xproto.Setup(other).MinKeycode + xproto.Keycode(i/int(m.KeysymsPerKeycode))
		}
	}
	// Under Num Lock only: a partly taken combination is taken.
	const mods = xproto.ModMaskControl | xproto.ModMask1 | xproto.ModMask2
	if err := xproto.GrabKeyChecked(other, true, root, mods, code, xproto.GrabModeAsync, xproto.GrabModeAsync).Check(); err != nil {
		t.Fatal(err)
	}
	got := make(chan Action, 100)
	b := map[Action]Combo{Bypass: {Ctrl: true, Alt: true, Key: "b"}, NextCushion: {Ctrl: true, Alt: true, Key: "n"}}
	k := startX11(t, d, b, func(a Action) { got <- a })
	r := k.Refused()
	if len(r) != 1 || r[0].Action != Bypass || !errors.Is(r[0], ErrTaken) || !strings.Contains(r[0].Error(), `"ctrl+alt+b"`) {
		t.Fatalf("refused: %v", r)
	}
	xdo(t, d, "key", "ctrl+alt+b")
	xdo(t, d, "key", "ctrl+alt+n")
	if a := <-got; a != NextCushion {
		t.Fatalf("%s came", a)
	}
	if err := xproto.UngrabKeyChecked(other, code, root, mods).Check(); err != nil {
		t.Fatal(err)
	}
	if err := k.Rebind(b); err != nil || len(k.Refused()) != 0 {
		t.Fatalf("rebind: %v, refused %v", err, k.Refused())
	}
	xdo(t, d, "key", "ctrl+alt+b")
	if a := <-got; a != Bypass {
		t.Fatalf("%s came", a)
	}
	// Rebinding gives the old keys back: now the other client can have them, and ours are the new ones.
	if err := k.Rebind(map[Action]Combo{Panic: {Ctrl: true, Alt: true, Key: "n"}, Bypass: {Key: "f5"}, NextCushion: {Key: "f5"}}); err != nil {
		t.Fatal(err)
	}
	if r := k.Refused(); len(r) != 1 || r[0].Action != NextCushion {
		t.Fatalf("the same key twice: refused %v", r)
	}
	if err := xproto.GrabKeyChecked(other, true, root, mods, code, xproto.GrabModeAsync, xproto.GrabModeAsync).Check(); err != nil {
		t.Fatalf("the old key was not given back: %v", err)
	}
	xdo(t, d, "key", "ctrl+alt+n")
	xdo(t, d, "key", "F5")
	if a, c := <-got, <-got; a != Panic || c != Bypass {
		t.Fatalf("%s and %s came", a, c)
	}
	k.Close()
	k.Close()
	if err := k.Rebind(b); err == nil {
		t.Error("closed keys were bound")
	}
	select {
	case <-k.Done():
	case <-time.After(5 * time.Second):
		t.Fatal("not done after Close")
	}
}

// TestEveryKeyHasAPlace: each key of the names is on the server's keyboard or is refused by name, never silently lost.
func TestEveryKeyHasAPlace(t *testing.T) {
	d, _ := display(t)
	got := make(chan Action, 100)
	k := startX11(t, d, nil, func(a Action) { got <- a })
	for name, s := range keysyms {
		if err := k.Rebind(map[Action]Combo{Bypass: {Ctrl: true, Super: true, Key: name}}); err != nil {
			t.Fatal(err)
		}
		if r := k.Refused(); len(r) != 0 {
			t.Errorf("%s: %v", name, r)
			continue
		}
		xdo(t, d, "key", "ctrl+super+"+s.name) // xdotool reads Xlib's own names
		select {
		case <-got:
		case <-time.After(5 * time.Second):
			t.Errorf("%s: no action for %s", name, s.name)
		}
	}
	if err := k.Rebind(map[Action]Combo{Bypass: {Ctrl: true, Key: "hyperspace"}}); err != nil || len(k.Refused()) != 1 {
		t.Errorf("an unknown key: %v, refused %v", err, k.Refused())
	}
}

func TestNoDisplay(t *testing.T) {
	t.Setenv("DISPLAY", "")
	t.Setenv("WAYLAND_DISPLAY", "")
	if _, err := Start(t.Context(), nil, func(Action) {}); !errors.Is(err, ErrNoDisplay) {
		t.Fatalf("error %v", err)
	}
	t.Setenv("DISPLAY", ":9173")
	if _, err := Start(t.Context(), nil, func(Action) {}); err == nil || !strings.Contains(err.Error(), ":9173") {
		t.Fatalf("a display that is not there: error %v", err)
	}
}

// TestServerGoes: the display ends under us; Done tells, and nothing hangs.
func TestServerGoes(t *testing.T) {
	d, stop := display(t)
	k := startX11(t, d, map[Action]Combo{Bypass: {Key: "f7"}}, func(Action) {})
	stop()
	select {
	case <-k.Done():
	case <-time.After(5 * time.Second):
		t.Fatal("not done")
	}
	over := make(chan struct{})
	go func() {
		defer close(over)
		if err := k.Rebind(map[Action]Combo{Bypass: {Key: "f8"}}); err == nil {
			t.Error("bound to a display that is gone")
		}
		k.Close()
	}()
	select {
	case <-over:
	case <-time.After(5 * time.Second):
		t.Fatal("hangs")
	}
}

func TestContextEndsKeys(t *testing.T) {
	d, _ := display(t)
	t.Setenv("WAYLAND_DISPLAY", "")
	t.Setenv("DISPLAY", d)
	ctx, cancel := context.WithCancel(t.Context())
	k, err := Start(ctx, map[Action]Combo{Bypass: {Key: "f7"}}, func(Action) {})
	if err != nil {
		t.Fatal(err)
	}
	cancel()
	select {
	case <-k.Done():
	case <-time.After(5 * time.Second):
		t.Fatal("not done")
	}
}
