//go:build !windows && !darwin

package keys

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"sync"
	"time"

	"github.com/godbus/dbus/v5"
)

// Names of the XDG Desktop Portal, interface org.freedesktop.portal.GlobalShortcuts version 1.
const (
	portalName      = "org.freedesktop.portal.Desktop"
	portalPath      = dbus.ObjectPath("/org/freedesktop/portal/desktop")
	portalShortcuts = "org.freedesktop.portal.GlobalShortcuts"
	portalRequest   = "org.freedesktop.portal.Request"
	portalSession   = "org.freedesktop.portal.Session"
)

// The user may be asked by the desktop while a request is under way.
const portalWait = 60 * time.Second

// portal takes keys by the GlobalShortcuts portal. The desktop has the last word on which keys they are; the
// combinations are what is proposed. A session can be bound once only, so that new bindings make a new session.
type portal struct {
	conn   *dbus.Conn
	ctx    context.Context
	cancel context.CancelFunc

	mu      sync.Mutex // guards all below
	session dbus.ObjectPath
	waiting map[dbus.ObjectPath]chan *dbus.Signal // answers that are waited for, by request
	serial  int
}

// openPortal connects to the session bus at the address, or to that of the environment.
func openPortal(ctx context.Context, address string, f func(Action), ended func()) (desktop, error) {
	var conn *dbus.Conn
	var err error
	if address == "" {
		if conn, err = dbus.SessionBusPrivateNoAutoStartup(); err == nil { // a bus is never started by us
			if err = conn.Auth(nil); err == nil {
				err = conn.Hello()
			}
			if err != nil {
				conn.Close()
			}
		}
	} else {
		conn, err = dbus.Connect(address)
	}
	if err != nil {
		return nil, fmt.Errorf("keys: open session bus: %w", err)
	}
	ctx, cancel := context.WithCancel(ctx)
	p := &portal{conn: conn, ctx: ctx, cancel: cancel, waiting: map[dbus.ObjectPath]chan *dbus.Signal{}}
	fail := func(err error) (desktop, error) {
		p.close()
		return nil, fmt.Errorf("keys: ask the desktop's portal: %w", err)
	}
	for _, o := range [][]dbus.MatchOption{
		{dbus.WithMatchSender(portalName), dbus.WithMatchInterface(portalShortcuts), dbus.WithMatchMember("Activated")},
		{dbus.WithMatchSender(portalName), dbus.WithMatchInterface(portalRequest), dbus.WithMatchMember("Response")},
	} {
		if err := conn.AddMatchSignal(o...); err != nil {
			return fail(err)
		}
	}
	if _, err := conn.Object(portalName, portalPath).GetProperty(portalShortcuts + ".version"); err != nil {
		return fail(err)
	}
	signals := make(chan *dbus.Signal, 64)
	conn.Signal(signals)
	presses := make(chan Action, 64)
	go func() { // answers must be passed on while f is at work
		defer close(presses)
		for s := range signals {
			p.signal(s, presses)
		}
	}()
	go func() {
		defer ended()
		for a := range presses {
			f(a)
		}
	}()
	return p, nil
}

func (p *portal) signal(s *dbus.Signal, presses chan<- Action) {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch s.Name {
	case portalRequest + ".Response":
		if c := p.waiting[s.Path]; c != nil {
			delete(p.waiting, s.Path)
			c <- s // buffered
		}
	case portalShortcuts + ".Activated":
		var session dbus.ObjectPath
		var id string
		if len(s.Body) < 2 || dbus.Store(s.Body[:2], &session, &id) != nil || session != p.session {
			return
		}
		select {
		case presses <- Action(id):
		default: // 64 presses behind: this one is dropped
		}
	}
}

// request calls a method whose answer comes as a signal of a request object, and returns the answer's results. args get
// the options appended.
func (p *portal) request(method string, options map[string]dbus.Variant, args ...any) (map[string]dbus.Variant, error) {
	// The path is known in advance (documentation of org.freedesktop.portal.Request), so that no answer is missed.
	p.mu.Lock()
	p.serial++
	token := fmt.Sprintf("cushwright_%d_%d", os.Getpid(), p.serial)
	sender := strings.ReplaceAll(strings.TrimPrefix(p.conn.Names()[0], ":"), ".", "_")
	path := dbus.ObjectPath("/org/freedesktop/portal/desktop/request/" + sender + "/" + token)
	answer := make(chan *dbus.Signal, 1)
	p.waiting[path] = answer
	p.mu.Unlock()
	defer func() {
		p.mu.Lock()
		delete(p.waiting, path)
		p.mu.Unlock()
	}()
	options["handle_token"] = dbus.MakeVariant(token)
	ctx, cancel := context.WithTimeout(p.ctx, portalWait)
	defer cancel()
	call := p.conn.Object(portalName, portalPath).CallWithContext(ctx, portalShortcuts+"."+method, 0, append(args, options)...)
	if call.Err != nil {
		return nil, call.Err
	}
	select {
	case s := <-answer:
		var code uint32
		var results map[string]dbus.Variant
		if err := dbus.Store(s.Body, &code, &results); err != nil {
			return nil, err
		}
		if code != 0 {
			return nil, fmt.Errorf("%s was refused (answer %d)", method, code)
		}
		return results, nil
	case <-ctx.Done():
		return nil, fmt.Errorf("%s: no answer: %w", method, ctx.Err())
	}
}

// shortcut is the portal's (sa{sv}).
type shortcut struct {
	ID      string
	Options map[string]dbus.Variant
}

// trigger writes a combination as the XDG shortcuts specification does: modifiers CTRL, ALT, SHIFT, LOGO, then the
// keysym by its xkbcommon name.
func trigger(c Combo) string {
	_, name := keysym(c.Key)
	return c.join("CTRL", "ALT", "SHIFT", "LOGO", name)
}

func (p *portal) bind(bindings map[Action]Combo) ([]Refused, error) {
	p.endSession()
	if len(bindings) == 0 {
		return nil, nil
	}
	res, err := p.request("CreateSession", map[string]dbus.Variant{"session_handle_token": dbus.MakeVariant("cushwright")})
	if err != nil {
		return nil, fmt.Errorf("keys: ask the desktop's portal: %w", err)
	}
	handle := "" // the interface has a string here, not an object path
	switch v := res["session_handle"].Value().(type) {
	case string:
		handle = v
	case dbus.ObjectPath:
		handle = string(v)
	}
	session := dbus.ObjectPath(handle)
	if !session.IsValid() {
		return nil, errors.New("keys: ask the desktop's portal: it made no session")
	}
	p.mu.Lock()
	p.session = session
	p.mu.Unlock()
	var list []shortcut
	for _, a := range actions {
		if c, ok := bindings[a]; ok {
			list = append(list, shortcut{string(a), map[string]dbus.Variant{
				"description": dbus.MakeVariant(descriptions[a]), "preferred_trigger": dbus.MakeVariant(trigger(c))}})
		}
	}
	var refused []Refused
	refuse := func(a Action, err error) { refused = append(refused, Refused{a, bindings[a], err}) }
	if res, err = p.request("BindShortcuts", map[string]dbus.Variant{}, session, list, ""); err != nil {
		for _, s := range list {
			refuse(Action(s.ID), err)
		}
		return refused, nil
	}
	var bound []shortcut
	if v, ok := res["shortcuts"]; ok {
		if err := v.Store(&bound); err != nil {
			return nil, fmt.Errorf("keys: read the portal's answer: %w", err)
		}
	}
	for _, s := range list {
		ok := false
		for _, b := range bound {
			if b.ID == s.ID {
				text, _ := b.Options["trigger_description"].Value().(string)
				ok = text != ""
			}
		}
		if !ok {
			refuse(Action(s.ID), errors.New("the desktop gave it no key"))
		}
	}
	return refused, nil
}

func (p *portal) endSession() {
	p.mu.Lock()
	s := p.session
	p.session = ""
	p.mu.Unlock()
	if s != "" {
		p.conn.Object(portalName, s).Call(portalSession+".Close", dbus.FlagNoReplyExpected)
	}
}

func (p *portal) close() {
	p.endSession()
	p.cancel()
	p.conn.Close()
}
