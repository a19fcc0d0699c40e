package service

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cushwright/config"
	"cushwright/dsp"
	"cushwright/engine/control"
)

// TestCompareTwoCorrections: bypass switches between two derivations for the same cushion; a reload keeps the
// comparison, and off, another cushion or the other's end ends it.
func TestCompareTwoCorrections(t *testing.T) {
	svc, out := startService(t)
	ctx := t.Context()
	text, err := os.ReadFile(filepath.Join(svc.dir, "corrections", "wipe-clean.toml"))
	if err != nil {
		t.Fatal(err)
	}
	write := func(name, text string) {
		t.Helper()
		if err := config.WriteAtomic(filepath.Join(svc.dir, "corrections", name+".toml"), []byte(text)); err != nil {
			t.Fatal(err)
		}
		svc.Loaded(config.Load(svc.dir))
	}
	const extra = "\n[[band]]\nshape = \"bell\"\nfreq_hz = 3000\ngain_db = %s\nq = 1.0\n"
	write("wipe-clean-older", string(text)+strings.Replace(extra, "%s", "-6.0", 1))
	tilt := func(name string) float64 { // of 60 Hz over 3 kHz, by the analog prototypes
		t.Helper()
		svc.mu.Lock()
		defer svc.mu.Unlock()
		c, ok := svc.snap.Correction(name)
		if !ok {
			t.Fatalf("no correction %s", name)
		}
		return c.Correction.AnalogDB(dsp.Left, 60) - c.Correction.AnalogDB(dsp.Left, 3000)
	}
	hears := func(what string, want float64) {
		t.Helper()
		n := svc.session.Status().Counters.PlaybackCallbacks
		if err := until(ctx, func() bool { return svc.session.Status().Counters.PlaybackCallbacks > n+10 }); err != nil {
			t.Fatal(err)
		}
		if got := out.tilt(); math.Abs(got-want) > .3 {
			t.Errorf("%s: 60 Hz stand %.2f dB over 3 kHz, want %.2f", what, got, want)
		}
	}
	bypass := func(mode, with string, want bool, other string) {
		t.Helper()
		if on, err := svc.Bypass(ctx, mode, with); err != nil || on != want {
			t.Fatalf("bypass %s with %q: %v, %v", mode, with, on, err)
		}
		if st := svc.Status(); st.Bypass != want || st.Other != other {
			t.Errorf("after bypass %s with %q: bypass %v, other %q", mode, with, st.Bypass, st.Other)
		}
	}
	if d := tilt("wipe-clean-older") - tilt("wipe-clean"); math.Abs(d-6) > .5 {
		t.Fatalf("the two corrections differ by %.2f dB", d)
	}
	hears("the correction", tilt("wipe-clean"))
	bypass("on", "wipe-clean-older", true, "wipe-clean-older")
	hears("the older one", tilt("wipe-clean-older"))
	if st := svc.Status(); !strings.Contains(st.Summary, "comparing with the correction wipe-clean-older") || Heard(st) != "the correction of wipe-clean-older" {
		t.Errorf("%s; %s", st.Summary, Heard(st))
	}
	bypass("toggle", "", false, "wipe-clean-older")
	hears("the newer one again", tilt("wipe-clean"))
	bypass("toggle", "", true, "wipe-clean-older")

	// Both files are edited while the comparison is on.
	write("wipe-clean-older", string(text)+strings.Replace(extra, "%s", "-9.0", 1))
	hears("the older one, edited", tilt("wipe-clean-older"))
	write("wipe-clean", string(text)+strings.Replace(extra, "%s", "3.0", 1))
	bypass("toggle", "", false, "wipe-clean-older")
	hears("the newer one, edited", tilt("wipe-clean"))

	// A name that is not there changes nothing.
	if _, err := svc.Bypass(ctx, "on", "nobody"); !errors.Is(err, control.ErrUnknown) {
		t.Errorf("with nobody: %v", err)
	}
	if st := svc.Status(); st.Bypass || st.Other != "wipe-clean-older" {
		t.Errorf("after a refusal: bypass %v, other %q", st.Bypass, st.Other)
	}
	bypass("off", "", false, "")
	bypass("on", "", true, "")
	hears("bypass", 0)
	bypass("on", "wipe-clean-older", true, "wipe-clean-older")
	if err := svc.Wear(ctx, "deep-foam"); err != nil {
		t.Fatal(err)
	}
	if st := svc.Status(); st.Other != "" || st.Cushion != "deep-foam" {
		t.Errorf("after another cushion: %s against %q", st.Cushion, st.Other)
	}
	if err := svc.Wear(ctx, "wipe-clean"); err != nil {
		t.Fatal(err)
	}
	bypass("on", "wipe-clean-older", true, "wipe-clean-older")
	if err := os.Remove(filepath.Join(svc.dir, "corrections", "wipe-clean-older.toml")); err != nil {
		t.Fatal(err)
	}
	svc.Loaded(config.Load(svc.dir))
	if st := svc.Status(); st.Other != "" || len(st.Problems) != 0 {
		t.Errorf("after the other's end: other %q, problems %q", st.Other, st.Problems)
	}
}

// TestUnmatchedIsSaid: with the match off, nobody claims that bypass is as loud.
func TestUnmatchedIsSaid(t *testing.T) {
	svc, _ := startService(t)
	if _, err := svc.Bypass(t.Context(), "on", ""); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ match, heard string }{{"pink", "equally loud"}, {"programme", "equally loud"}, {"off", "not matched in loudness"}, {"pink", "equally loud"}} {
		if err := config.WriteAtomic(filepath.Join(svc.dir, "settings.toml"), []byte("[bypass]\nmatch = \""+c.match+"\"\n")); err != nil {
			t.Fatal(err)
		}
		svc.Loaded(config.Load(svc.dir))
		st := svc.Status()
		if st.Match != c.match || Heard(st) != "bypass: no correction, "+c.heard {
			t.Errorf("match %s: status has %q, heard is %q", c.match, st.Match, Heard(st))
		}
	}
}
