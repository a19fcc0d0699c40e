// Package keys takes global key combinations from the desktop and reports their presses as actions: by XGrabKey on X11,
// by the GlobalShortcuts portal on Wayland, by RegisterHotKey on Windows.
//
// A combination that another program holds already does not stop the rest: Taken names it.
package keys

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
)

// Action is what a combination stands for. Its value is also its identity towards the desktop.
type Action string

// The actions.
const (
	Bypass          Action = "bypass"
	NextCushion     Action = "next-cushion"
	PreviousCushion Action = "previous-cushion"
	Panic           Action = "panic" // silence at once
)

// actions in the order they are bound in.
var actions = []Action{Bypass, NextCushion, PreviousCushion, Panic}

var descriptions = map[Action]string{
	Bypass:          "Switch the correction out and in",
	NextCushion:     "The next cushion is fitted",
	PreviousCushion: "The previous cushion is fitted",
	Panic:           "Silence now, and sound again",
}

// Combo is a combination of modifiers and one key. The zero value means none.
type Combo struct {
	Ctrl, Alt, Shift, Super bool
	Key                     string // a to z, 0 to 9, f1 to f24, or space, tab, enter and the like: see keysyms
}

// String joins the parts by +, modifiers first: ctrl+alt+b.
func (c Combo) String() string {
	return c.join("ctrl", "alt", "shift", "super", c.Key)
}

// join writes the combination with these names for what it has.
func (c Combo) join(ctrl, alt, shift, super, key string) string {
	var parts []string
	for _, m := range []struct {
		on   bool
		name string
	}{{c.Ctrl, ctrl}, {c.Alt, alt}, {c.Shift, shift}, {c.Super, super}} {
		if m.on {
			parts = append(parts, m.name)
		}
	}
	return strings.Join(append(parts, key), "+")
}

// ErrNoDisplay is the cause where there is no desktop session to take keys from.
var ErrNoDisplay = errors.New("keys: no display: global keys are off")

// ErrTaken is the cause for a combination that another program holds.
var ErrTaken = errors.New("taken by another program")

// Refused is a combination that could not be taken.
type Refused struct {
	Action Action
	Combo  Combo
	Err    error // ErrTaken, or why else
}

// Error names the combination and the action.
func (r Refused) Error() string {
	return fmt.Sprintf("keys: take %q for %s: %v", r.Combo, r.Action, r.Err)
}

// Unwrap returns the cause.
func (r Refused) Unwrap() error { return r.Err }

// desktop is one way to get keys. bind replaces what is bound by the new bindings and returns those refused; the error
// is about the desktop as a whole. Calls come one at a time.
type desktop interface {
	bind(bindings map[Action]Combo) ([]Refused, error)
	close()
}

// Keys holds global keys until it is closed. All methods may be called from any goroutine.
type Keys struct {
	done chan struct{} // closed when no press can come any more

	mu      sync.Mutex // guards all below, and calls into the desktop
	d       desktop
	closed  bool
	refused []Refused
}

// Start takes the bindings and calls f, one call at a time and on one goroutine, for every press. Holding a combination
// down is one press. Without a display the error is ErrNoDisplay. Keys end with the context, by Close, or when the
// desktop goes: see Done.
func Start(ctx context.Context, bindings map[Action]Combo, f func(Action)) (*Keys, error) {
	k := &Keys{done: make(chan struct{})}
	d, err := open(ctx, f, sync.OnceFunc(func() { close(k.done) }))
	if err != nil {
		return nil, err
	}
	k.d = d
	if err := k.Rebind(bindings); err != nil {
		k.Close()
		return nil, err
	}
	context.AfterFunc(ctx, k.Close)
	return k, nil
}

// Rebind replaces all bindings. What is refused is told by Refused; an error means that no key works any more.
func (k *Keys) Rebind(bindings map[Action]Combo) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.closed {
		return errors.New("keys: rebind: closed already")
	}
	want := map[Action]Combo{}
	for a, c := range bindings {
		if c.Key != "" {
			want[a] = c
		}
	}
	refused, err := k.d.bind(want)
	k.refused = refused
	return err
}

// Refused returns the combinations that could not be taken, in a fixed order.
func (k *Keys) Refused() []Refused {
	k.mu.Lock()
	defer k.mu.Unlock()
	return slices.Clone(k.refused)
}

// Done is closed when no press can come any more.
func (k *Keys) Done() <-chan struct{} { return k.done }

// Close gives all keys back.
func (k *Keys) Close() {
	k.mu.Lock()
	defer k.mu.Unlock()
	if !k.closed {
		k.closed = true
		k.d.close()
	}
}
