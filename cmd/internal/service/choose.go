package service

import (
	"fmt"
	"strings"

	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/dsp"
	"cushwright/engine"
	"cushwright/engine/control"
)

// Known is nil if the bench holds the cushion and no fault stands in its correction.
func Known(snap *config.Snapshot, action, name string) error {
	need := []string{"corrections/" + name}
	_, ok := snap.Cushion(name)
	if !ok { // its record may be there and faulty
		need = append(need, "cushions/"+name)
	}
	switch err := snap.Need(need...); {
	case err != nil:
		return fmt.Errorf("cushwright: %s %q: %w", action, name, err)
	case ok:
		return nil
	}
	return fmt.Errorf("cushwright: %s %q: %w cushion.%s The bench has: %s", action, name, control.ErrUnknown,
		words.DidYouMean(name, snap.CushionNames()), strings.Join(snap.CushionNames(), ", "))
}

// None is the name of no cushion and of no correction: what is fitted is not known to the bench, or nothing is to be
// corrected.
const None = "none"

// wearable is nil if a cushion of that name can be the fitted one: the bench holds it, or it is None.
func wearable(snap *config.Snapshot, name string) error {
	if name == None {
		return nil
	}
	return Known(snap, "wear", name)
}

// fittedText says what is fitted.
func fittedText(name string) string {
	if name == None {
		return "no known cushion is fitted"
	}
	return name + " is fitted"
}

// Pick chooses the cushion to start with: the one fitted last, else the reference, else the first.
func Pick(snap *config.Snapshot, last string) (string, error) {
	names := snap.CushionNames()
	for _, n := range append([]string{last, snap.Settings.Reference}, names...) {
		if n == last && n == None && len(names) > 0 {
			return n, nil
		}
		if _, ok := snap.Cushion(n); ok {
			return n, nil
		}
	}
	return "", fmt.Errorf("cushwright: choose a cushion: the bench has none: write cushions/NAME.toml or " +
		"corrections/NAME.toml")
}

// Share is the loudness that all cushions of the bench share, nil where the settings want none. What before knows is
// not computed again.
func Share(snap *config.Snapshot, before *engine.Shared) *engine.Shared {
	if !snap.Settings.Sound.ShareLevel {
		return nil
	}
	var members []engine.Member
	for _, n := range snap.CushionNames() {
		if c, ok := snap.Correction(n); ok {
			members = append(members, engine.Member{Name: n, Correction: c.Correction})
		}
	}
	return engine.NewShared(members, before)
}

// Selection is what the engine plays for a fitted cushion. A cushion without a correction plays flat.
func Selection(snap *config.Snapshot, shared *engine.Shared, fitted, with string) (engine.Selection, error) {
	sel := engine.Selection{Cushion: fitted, Shared: shared}
	if c, ok := snap.Correction(fitted); ok {
		sel.Reference, sel.Correction = c.Reference, c.Correction
	} else {
		flat, err := dsp.NewCorrection(nil, 0)
		if err != nil {
			return sel, err
		}
		sel.Correction = flat
	}
	if with != "" {
		o, ok := snap.Correction(with)
		if !ok {
			have := corrected(snap)
			return sel, fmt.Errorf("cushwright: compare with %q: %w correction.%s These have one: %s; none is the sound "+
				"without a correction", with, control.ErrUnknown, words.DidYouMean(with, have), strings.Join(have, ", "))
		}
		sel.Other, sel.OtherName = o.Correction, with
	}
	return sel, nil
}

// corrected are the names of the cushions that have a correction.
func corrected(snap *config.Snapshot) (names []string) {
	for _, n := range snap.CushionNames() {
		if _, ok := snap.Correction(n); ok {
			names = append(names, n)
		}
	}
	return names
}

// engineSettings are the session's part of the settings.
func engineSettings(s config.Settings) engine.Settings {
	set := engine.Settings{Output: s.Sound.Output, Capture: s.Sound.Capture, Follow: s.Sound.Follow,
		Delay: engine.Delay(s.Sound.Delay), CaptureFrames: s.Sound.CaptureFrames, OutputFrames: s.Sound.OutputFrames,
		Guard: s.Guard.Enabled, CeilingDB: s.Guard.CeilingDB, Match: engine.Match(s.Bypass.Match)}
	return set
}
