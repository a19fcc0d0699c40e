package keys

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"syscall"
	"unsafe"

	"golang.org/x/sys/windows"
)

var (
	user32       = windows.NewLazySystemDLL("user32.dll")
	registerKey  = user32.NewProc("RegisterHotKey")
	freeKey      = user32.NewProc("UnregisterHotKey")
	getMessage   = user32.NewProc("GetMessageW")
	peekMessage  = user32.NewProc("PeekMessageW")
	postToThread = user32.NewProc("PostThreadMessageW")
)

// Values of winuser.h (from memory).
const (
	modAlt      = 0x1
	modControl  = 0x2
	modShift    = 0x4
	modWin      = 0x8
	modNoRepeat = 0x4000
	wmHotkey    = 0x0312
	wmApp       = 0x8000
)

var virtualKeys = map[string]uintptr{"space": 0x20, "tab": 0x09, "enter": 0x0d, "escape": 0x1b, "backspace": 0x08, "insert": 0x2d,
	"delete": 0x2e, "home": 0x24, "end": 0x23, "page-up": 0x21, "page-down": 0x22, "up": 0x26, "down": 0x28, "left": 0x25, "right": 0x27,
	"pause": 0x13, "print": 0x2c, "minus": 0xbd, "equal": 0xbb, "comma": 0xbc, "period": 0xbe, "slash": 0xbf, "semicolon": 0xba}

func virtualKey(key string) uintptr {
	if len(key) == 1 && key[0] >= 'a' && key[0] <= 'z' {
		return uintptr(key[0] - 'a' + 'A')
	}
	if len(key) == 1 && key[0] >= '0' && key[0] <= '9' {
		return uintptr(key[0])
	}
	if n := functionKey(key); n > 0 {
		return 0x70 + uintptr(n-1)
	}
	return virtualKeys[key]
}

type message struct {
	window  uintptr
	message uint32
	wParam  uintptr
	lParam  uintptr
	time    uint32
	x, y    int32
	private uint32
}

// hotkeys takes keys by RegisterHotKey. Registrations and their messages belong to one thread: all work is done there.
type hotkeys struct {
	thread uint32
	jobs   chan func() (stop bool)
	gone   chan struct{}
}

func open(_ context.Context, f func(Action), ended func()) (desktop, error) {
	h := &hotkeys{jobs: make(chan func() bool, 1), gone: make(chan struct{})}
	ready := make(chan error, 1)
	presses := make(chan Action, 64)
	go func() {
		defer ended()
		for a := range presses {
			f(a)
		}
	}()
	go func() {
		runtime.LockOSThread() // never unlocked: the thread ends with the goroutine
		defer close(h.gone)
		defer close(presses)
		var m message
		peekMessage.Call(uintptr(unsafe.Pointer(&m)), 0, 0, 0, 0) // makes the thread's message queue
		h.thread = windows.GetCurrentThreadId()
		ready <- registerKey.Find()
		for {
			r, _, _ := getMessage.Call(uintptr(unsafe.Pointer(&m)), 0, 0, 0)
			if int32(r) <= 0 {
				return
			}
			switch {
			case m.message == wmHotkey && int(m.wParam) < len(actions):
				select {
				case presses <- actions[m.wParam]:
				default:
				}
			case m.message == wmApp:
				if (<-h.jobs)() {
					return
				}
			}
		}
	}()
	if err := <-ready; err != nil {
		return nil, fmt.Errorf("keys: open desktop: %w", err)
	}
	return h, nil
}

// on runs a job on the thread and waits for it.
func (h *hotkeys) on(job func() bool) error {
	done := make(chan struct{})
	select {
	case h.jobs <- func() bool { defer close(done); return job() }:
	case <-h.gone:
		return errors.New("keys: the thread of the keys has ended")
	}
	if r, _, err := postToThread.Call(uintptr(h.thread), wmApp, 0, 0); r == 0 {
		return fmt.Errorf("keys: wake the thread of the keys: %w", err)
	}
	select {
	case <-done:
	case <-h.gone:
	}
	return nil
}

func (h *hotkeys) bind(bindings map[Action]Combo) (refused []Refused, err error) {
	err = h.on(func() bool {
		for id, a := range actions {
			freeKey.Call(0, uintptr(id))
			c, ok := bindings[a]
			if !ok {
				continue
			}
			mods := uintptr(modNoRepeat)
			for _, m := range []struct {
				on   bool
				mask uintptr
			}{{c.Ctrl, modControl}, {c.Alt, modAlt}, {c.Shift, modShift}, {c.Super, modWin}} {
				if m.on {
					mods |= m.mask
				}
			}
			vk := virtualKey(c.Key)
			if vk == 0 {
				refused = append(refused, Refused{a, c, fmt.Errorf("no key %q", c.Key)})
				continue
			}
			if r, _, e := registerKey.Call(0, uintptr(id), mods, vk); r == 0 {
				if e == syscall.Errno(1409) { // ERROR_HOTKEY_ALREADY_REGISTERED
					e = ErrTaken
				}
				refused = append(refused, Refused{a, c, e})
			}
		}
		return false
	})
	return refused, err
}

func (h *hotkeys) close() {
	h.on(func() bool {
		for id := range actions {
			freeKey.Call(0, uintptr(id))
		}
		return true
	})
}
