//go:build !windows && !darwin

package keys

import (
	"errors"
	"fmt"
	"io"
	"log"
	"maps"
	"slices"
	"sync"

	"github.com/jezek/xgb"
	"github.com/jezek/xgb/xproto"
)

func init() {
	xgb.Logger = log.New(io.Discard, "", 0) // a missing authority file or a server that goes is no news to print
}

const (
	symNumLock = 0xff7f
	symAltL    = 0xffe9
	symSuperL  = 0xffeb
)

// grab is one key with its modifiers, lock keys left out.
type grab struct {
	code xproto.Keycode
	mods uint16
}

// x11 takes keys by XGrabKey on the root windows. A grab holds for exact modifiers only, and Num Lock and Caps Lock are
// modifiers: every combination is grabbed four times (X11 protocol, GrabKey).
type x11 struct {
	conn  *xgb.Conn
	roots []xproto.Window
	lo    byte // first and last keycode
	hi    byte
	once  sync.Once // closes the connection: xgb does not bear a second Close

	mu       sync.Mutex // guards all below; bind and the event goroutine use them
	bindings map[Action]Combo
	held     map[grab]Action
	num      uint16 // modifier of Num Lock
}

func openX11(display string, f func(Action), ended func()) (desktop, error) {
	conn, err := xgb.NewConnDisplay(display)
	if err != nil {
		return nil, fmt.Errorf("keys: open display %q: %w", display, err)
	}
	setup := xproto.Setup(conn)
	x := &x11{conn: conn, lo: byte(setup.MinKeycode), hi: byte(setup.MaxKeycode), held: map[grab]Action{}}
	for _, s := range setup.Roots {
		x.roots = append(x.roots, s.Root)
	}
	go func() {
		defer ended()
		x.events(f)
	}()
	return x, nil
}

// events turns key presses into actions until the connection ends.
func (x *x11) events(f func(Action)) {
	// A held key repeats as release and press at the same server time.
	var lastCode xproto.Keycode
	var lastTime xproto.Timestamp
	for {
		ev, xerr := x.conn.WaitForEvent()
		if ev == nil && xerr == nil {
			return
		}
		switch e := ev.(type) {
		case xproto.KeyReleaseEvent:
			lastCode, lastTime = e.Detail, e.Time
		case xproto.KeyPressEvent:
			if e.Detail == lastCode && e.Time == lastTime {
				continue
			}
			x.mu.Lock()
			mods := e.State & (xproto.ModMaskShift | xproto.ModMaskControl | xproto.ModMask1 | xproto.ModMask2 | xproto.ModMask3 |
				xproto.ModMask4 | xproto.ModMask5) &^ x.num
			a, ok := x.held[grab{e.Detail, mods}]
			x.mu.Unlock()
			if ok {
				f(a)
			}
		case xproto.MappingNotifyEvent:
			if e.Request != xproto.MappingPointer {
				x.mu.Lock()
				x.regrab() // another layout may have moved the keys; what is refused here is named by the next bind
				x.mu.Unlock()
			}
		}
	}
}

func (x *x11) bind(bindings map[Action]Combo) ([]Refused, error) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.bindings = bindings
	return x.regrab()
}

// regrab makes the server's grabs those of x.bindings. A grab that stays is not touched, so that no press is lost.
func (x *x11) regrab() ([]Refused, error) {
	codes, mods, err := x.layout()
	if err != nil {
		return nil, fmt.Errorf("keys: read the keyboard's layout: %w", err)
	}
	numWas := x.num
	x.num = mods[symNumLock]
	if numWas != x.num {
		x.release(slices.Collect(maps.Keys(x.held)), numWas)
	}
	var refused []Refused
	want := map[grab]Action{}
	byAction := map[Action][]grab{}
	for _, a := range actions {
		c, ok := x.bindings[a]
		if !ok {
			continue
		}
		refuse := func(err error) { refused = append(refused, Refused{a, c, err}) }
		sym, _ := keysym(c.Key)
		if sym == 0 || len(codes[sym]) == 0 {
			refuse(fmt.Errorf("the keyboard has no key %q", c.Key))
			continue
		}
		m := uint16(0)
		for _, p := range []struct {
			on   bool
			mask uint16
		}{{c.Ctrl, xproto.ModMaskControl}, {c.Shift, xproto.ModMaskShift}, {c.Alt, mods[symAltL]}, {c.Super, mods[symSuperL]}} {
			if p.on {
				m |= p.mask
			}
		}
		for _, code := range codes[sym] {
			g := grab{code, m}
			if other, double := want[g]; double && other != a {
				refuse(fmt.Errorf("bound to %s already", other))
				break
			}
			want[g] = a
			byAction[a] = append(byAction[a], g)
		}
	}
	var drop []grab
	for g := range x.held {
		if _, ok := want[g]; !ok {
			drop = append(drop, g)
		}
	}
	x.release(drop, x.num)
	for _, a := range actions {
		for _, g := range byAction[a] {
			if _, have := x.held[g]; have {
				x.held[g] = a
				continue
			}
			if err := x.take(g); err != nil {
				var access xproto.AccessError
				if errors.As(err, &access) {
					err = ErrTaken
				}
				refused = append(refused, Refused{a, x.bindings[a], err})
				break
			}
			x.held[g] = a
		}
	}
	return refused, nil
}

// locks are the states of the lock keys that a grab must hold in.
func locks(num uint16) []uint16 {
	l := []uint16{0, xproto.ModMaskLock, num, num | xproto.ModMaskLock}
	if num == 0 {
		return l[:2]
	}
	return l
}

// take grabs under all states of the lock keys, or not at all.
func (x *x11) take(g grab) error {
	for _, root := range x.roots {
		for _, lock := range locks(x.num) {
			err := xproto.GrabKeyChecked(x.conn, true, root, g.mods|lock, g.code, xproto.GrabModeAsync, xproto.GrabModeAsync).Check()
			if err != nil {
				x.release([]grab{g}, x.num)
				return err
			}
		}
	}
	return nil
}

func (x *x11) release(gs []grab, num uint16) {
	for _, g := range gs {
		for _, root := range x.roots {
			for _, lock := range locks(num) {
				xproto.UngrabKeyChecked(x.conn, g.code, root, g.mods|lock).Check() // fails only with the connection
			}
		}
		delete(x.held, g)
	}
}

// layout returns the keys that carry a keysym unshifted, and the modifier masks of Num Lock, Alt and Super.
func (x *x11) layout() (codes map[uint32][]xproto.Keycode, mods map[uint32]uint16, err error) {
	m, err := xproto.GetKeyboardMapping(x.conn, xproto.Keycode(x.lo), x.hi-x.lo+1).Reply()
	if err != nil {
		return nil, nil, err
	}
	codes = map[uint32][]xproto.Keycode{}
	all := map[uint32][]xproto.Keycode{} // in any column: modifiers may stand behind Shift
	per := int(m.KeysymsPerKeycode)
	if per == 0 {
		return nil, nil, errors.New("the server names no keysyms")
	}
	for i, s := range m.Keysyms {
		code := xproto.Keycode(int(x.lo) + i/per)
		if s == 0 {
			continue
		}
		if i%per == 0 {
			codes[uint32(s)] = append(codes[uint32(s)], code)
		}
		all[uint32(s)] = append(all[uint32(s)], code)
	}
	// The usual places hold where no key carries the modifier.
	mods = map[uint32]uint16{symAltL: xproto.ModMask1, symSuperL: xproto.ModMask4}
	mm, err := xproto.GetModifierMapping(x.conn).Reply()
	if err != nil {
		return nil, nil, err
	}
	n := int(mm.KeycodesPerModifier)
	for _, sym := range []uint32{symNumLock, symAltL, symSuperL} {
		for i, code := range mm.Keycodes {
			if code != 0 && i/n >= 3 && slices.Contains(all[sym], code) { // Shift, Lock, Control come first
				mods[sym] = 1 << (i / n)
				break
			}
		}
	}
	return codes, mods, nil
}

func (x *x11) close() {
	x.mu.Lock() // lets the event goroutine finish with the connection
	defer x.mu.Unlock()
	x.once.Do(x.conn.Close)
}
