package service

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync/atomic"

	"cushwright/config"
	"cushwright/engine"
	"cushwright/platform/keys"
	"cushwright/platform/notify"
)

// desk is the desktop around a running engine: its global keys and its notes.
type desk struct {
	log      *slog.Logger
	settings chan config.Settings // the latest, for runKeys
	notes    chan [2]string       // title and text, for runNotes; what is not shown yet is replaced
	notify   atomic.Bool
	refused  atomic.Pointer[[]string] // of runKeys
}

func newDesk(log *slog.Logger) *desk {
	return &desk{log: log, settings: make(chan config.Settings, 1), notes: make(chan [2]string, 1)}
}

// latest puts v into a channel of one place, over what may still lie there.
func latest[T any](c chan T, v T) {
	select {
	case <-c:
	default:
	}
	select {
	case c <- v:
	default:
	}
}

// configure takes over new settings; it does not wait. Called under the service's mutex.
func (d *desk) configure(s config.Settings) {
	d.notify.Store(s.Notify)
	latest(d.settings, s)
}

// taken names the keys that could not be had.
func (d *desk) taken() []string {
	if p := d.refused.Load(); p != nil {
		return *p
	}
	return nil
}

// note tells what a fitted cushion is heard with. Called under the service's mutex.
func (d *desk) note(title string, sel engine.Selection) {
	text := "no correction"
	switch {
	case sel.Reference != "":
		text = "corrected towards " + sel.Reference
	case len(sel.Correction.Bands()) > 0:
		text = "corrected"
	}
	d.show(title, text)
}

// bypassed tells which side is heard. Called under the service's mutex.
func (d *desk) bypassed(on bool, fitted, with, match string) {
	switch {
	case !on && fitted == None:
		d.show("Bypass off", "nothing is corrected")
	case !on:
		d.show("Bypass off", fitted+" is corrected")
	case with != "":
		d.show("Comparing", "the correction of "+with+" is heard")
	default:
		d.show("Bypass on", "the correction is out, "+LoudnessOf(match))
	}
}

func (d *desk) show(title, text string) {
	if d.notify.Load() {
		latest(d.notes, [2]string{title, text})
	}
}

// runNotes shows notes until the context ends. What keeps them from showing is said once.
func (d *desk) runNotes(ctx context.Context) {
	var n notify.Notes
	defer n.Close()
	said := ""
	for {
		select {
		case <-ctx.Done():
			return
		case t := <-d.notes:
			if err := n.Show(ctx, t[0], t[1]); err == nil {
				said = ""
			} else if why := errors.Unwrap(err); ctx.Err() == nil && (why == nil || why.Error() != said) {
				said = fmt.Sprint(why)
				d.log.Info("desktop notes are not shown", "cause", err)
			}
		}
	}
}

// bindings are the keys of the settings.
func bindings(s config.Keys) (map[keys.Action]keys.Combo, error) {
	b := map[keys.Action]keys.Combo{}
	for a, text := range map[keys.Action]string{keys.Bypass: s.Bypass, keys.NextCushion: s.NextCushion,
		keys.PreviousCushion: s.PreviousCushion, keys.Panic: s.Panic} {
		c, err := config.ParseKey(text)
		if err != nil {
			return nil, err
		}
		if c.Key != "" {
			b[a] = keys.Combo{Ctrl: c.Ctrl, Alt: c.Alt, Shift: c.Shift, Super: c.Super, Key: c.Key}
		}
	}
	return b, nil
}

// runKeys holds the global keys of the latest settings until the context ends. The engine runs on whatever happens
// here.
func (d *desk) runKeys(ctx context.Context, pressed func(keys.Action)) {
	var k *keys.Keys
	var gone <-chan struct{}
	drop := func() {
		if k != nil {
			k.Close()
		}
		k, gone = nil, nil
		d.refused.Store(nil)
	}
	defer drop()
	saidNoDisplay := false
	for {
		select {
		case <-ctx.Done():
			return
		case <-gone:
			drop()
			d.log.Warn("the desktop is gone and the global keys with it")
		case s := <-d.settings:
			b, err := bindings(s.Keys)
			switch {
			case err != nil:
			case len(b) == 0:
				drop()
			case k != nil:
				err = k.Rebind(b)
			default:
				k, err = keys.Start(ctx, b, pressed)
			}
			if err != nil {
				drop()
				if !errors.Is(err, keys.ErrNoDisplay) {
					d.log.Warn("no global keys", "cause", err)
				} else if !saidNoDisplay {
					saidNoDisplay = true
					d.log.Info("no global keys", "cause", err)
				}
				continue
			}
			if k == nil {
				continue
			}
			gone = k.Done()
			var names []string
			for _, r := range k.Refused() {
				names = append(names, fmt.Sprintf("%s (%s): %v", r.Combo, r.Action, r.Err))
				d.log.Warn("a global key could not be had", "key", r.Combo.String(), "action", string(r.Action),
					"cause", r.Err)
			}
			d.refused.Store(&names)
		}
	}
}

// Pressed does what a global key stands for.
func (s *Service) Pressed(a keys.Action) {
	ctx := context.Background() // the session answers or has ended
	var err error
	switch a {
	case keys.Bypass:
		_, err = s.Bypass(ctx, "toggle", "")
	case keys.NextCushion:
		err = s.step(ctx, 1)
	case keys.PreviousCushion:
		err = s.step(ctx, -1)
	case keys.Panic:
		_, err = s.Mute(ctx, "toggle")
	}
	if err != nil && !errors.Is(err, engine.ErrStopped) {
		s.log.Warn("a global key did nothing", "action", string(a), "cause", err)
	}
}

// step wears the cushion so many places further in the bench's order, around its ends.
func (s *Service) step(ctx context.Context, by int) error {
	s.mu.Lock()
	names, at := s.latest().CushionNames(), 0
	for i, n := range names {
		if n == s.fitted {
			at = i
		}
	}
	s.mu.Unlock()
	return s.Wear(ctx, names[((at+by)%len(names)+len(names))%len(names)])
}

// Mute implements control.Muter. It silences at once, or lifts the silence.
func (s *Service) Mute(ctx context.Context, mode string) (bool, error) {
	s.mu.Lock()
	switch mode {
	case "on", "off":
		s.muted = mode == "on"
	case "toggle":
		s.muted = !s.muted
	default:
		s.mu.Unlock()
		return false, fmt.Errorf("cushwright: mute %q: allowed: on, off or toggle", mode)
	}
	on := s.muted
	s.mu.Unlock()
	if !on {
		s.moving.Lock() // a trial's switch under way brings the sound back by itself
		defer s.moving.Unlock()
	}
	if err := s.session.Mute(ctx, on); err != nil {
		return on, err
	}
	if on {
		s.desk.show("Muted", `the panic key again, or "cushwright mute off", brings the sound back`)
	} else {
		s.desk.show("Sound again", "")
	}
	return on, nil
}
