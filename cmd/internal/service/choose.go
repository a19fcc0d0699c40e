package service

import (
	"fmt"
	"strings"

	"cushwright/config"
	"cushwright/dsp"
	"cushwright/engine"
	"cushwright/engine/control"
)

// Known is nil if the bench holds the cushion.
func Known(snap *config.Snapshot, action, name string) error {
	if _, ok := snap.Cushion(name); ok {
		return nil
	}
	return fmt.Errorf("cushwright: %s %q: %w cushion, the bench has: %s", action, name, control.ErrUnknown,
		strings.Join(snap.CushionNames(), ", "))
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

// Selection is what the engine plays for a fitted cushion. A cushion without a correction plays flat, at the level of
// the corrections made towards it, so that changing between them does not jump.
func Selection(snap *config.Snapshot, fitted, with string) (engine.Selection, error) {
	sel := engine.Selection{Cushion: fitted}
	c, ok := snap.Correction(fitted)
	switch {
	case ok:
		sel.Reference, sel.Correction = c.Reference, c.Correction
	default:
		flat, err := flatCorrection(snap, fitted)
		if err != nil {
			return sel, err
		}
		sel.Correction = flat
	}
	if with != "" {
		o, ok := snap.Correction(with)
		if !ok {
			return sel, fmt.Errorf("cushwright: compare with %q: %w correction, the bench has: %s, and none for the sound "+
				"without a correction", with, control.ErrUnknown, strings.Join(corrected(snap), ", "))
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

// flatCorrection has no bands and the largest headroom of the corrections whose reference is the cushion; for None, of
// all corrections. Which one has the largest is told by sketches, so one a little larger may be missed, by 0.3 dB at most.
func flatCorrection(snap *config.Snapshot, name string) (*dsp.Correction, error) {
	var lowest *dsp.Correction
	lowestDB := 0.0
	for _, n := range snap.CushionNames() {
		if c, ok := snap.Correction(n); ok && (c.Reference == name || name == None) {
			if db := sketchHeadroomDB(c.Correction); db < lowestDB {
				lowest, lowestDB = c.Correction, db
			}
		}
	}
	if lowest == nil {
		return dsp.NewCorrection(nil, 0)
	}
	ch, err := lowest.Compile(48000, dsp.Options{})
	if err != nil {
		return nil, err
	}
	return dsp.NewCorrection(nil, ch.HeadroomDB())
}

// sketchHeadroomDB is about the headroom of a correction's chain at 48 kHz, by the analog prototypes: compiling costs ten
// times as much.
func sketchHeadroomDB(c *dsp.Correction) float64 {
	if !c.AutoHeadroom() {
		return c.FixedHeadroomDB()
	}
	var at []float64
	ears, apart := []dsp.Ear{dsp.Left}, false
	for _, b := range c.Bands() {
		at = append(at, b.FreqHz)
		apart = apart || b.Ear != dsp.Both
	}
	if apart {
		ears = append(ears, dsp.Right)
	}
	for f := dsp.MinFreqHz; f <= dsp.MaxFreqHz; f *= 1.2 {
		at = append(at, f)
	}
	peak := 0.0
	for _, e := range ears {
		for _, f := range at {
			peak = max(peak, c.AnalogDB(e, f))
		}
	}
	return -peak
}

// engineSettings are the session's part of the settings.
func engineSettings(s config.Settings) engine.Settings {
	set := engine.Settings{Output: s.Sound.Output, Capture: s.Sound.Capture, Follow: s.Sound.Follow,
		Delay: engine.Delay(s.Sound.Delay), CaptureFrames: s.Sound.CaptureFrames, OutputFrames: s.Sound.OutputFrames,
		Guard: s.Guard.Enabled, CeilingDB: s.Guard.CeilingDB, Match: engine.Match(s.Bypass.Match)}
	return set
}
