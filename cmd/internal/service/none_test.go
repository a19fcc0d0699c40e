package service

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cushwright/config"
	"cushwright/engine/control"
)

// TestWearNone: a cushion that the bench does not know plays without a correction, also after a reload and at the next
// start, and no louder than before.
func TestWearNone(t *testing.T) {
	svc, out := startService(t)
	ctx := t.Context()
	remembered := ""
	svc.remember = func(name string) error { remembered = name; return nil }
	before := svc.Status().HeadroomDB
	if err := svc.Wear(ctx, None); err != nil {
		t.Fatal(err)
	}
	n := svc.session.Status().Counters.PlaybackCallbacks
	if err := until(ctx, func() bool { return svc.session.Status().Counters.PlaybackCallbacks > n+10 }); err != nil {
		t.Fatal(err)
	}
	if tilt := out.tilt(); math.Abs(tilt) > .3 {
		t.Errorf("60 Hz stand %.2f dB over 3 kHz: something is corrected", tilt)
	}
	st := svc.Status()
	if st.Cushion != None || st.Bands != 0 || !strings.Contains(st.Summary, "no known cushion is fitted") || remembered != None {
		t.Errorf("%s: %q, remembered %q", st.Cushion, st.Summary, remembered)
	}
	if st.HeadroomDB > before {
		t.Errorf("the headroom went from %.2f to %.2f dB: louder", before, st.HeadroomDB)
	}
	if err := config.WriteAtomic(filepath.Join(svc.dir, "settings.toml"), []byte("notify = false\n")); err != nil {
		t.Fatal(err)
	}
	svc.Loaded(config.Load(svc.dir))
	if st := svc.Status(); len(st.Problems) != 0 || st.Cushion != None {
		t.Errorf("after a reload: %s, problems %q", st.Cushion, st.Problems)
	}
	if got, err := Pick(svc.snap, None); got != None || err != nil {
		t.Errorf("at the next start: %q, %v", got, err)
	}
	if err := svc.Wear(ctx, "woven"); err != nil || svc.Status().Cushion != "woven" {
		t.Errorf("back again: %v", err)
	}
}

// TestBypassWithNone ends a comparison of two corrections without ending the bypass.
func TestBypassWithNone(t *testing.T) {
	svc, _ := startService(t)
	ctx := t.Context()
	for _, c := range []struct {
		mode, with string
		on         bool
		other      string
	}{{"on", "deep-foam", true, "deep-foam"}, {"on", None, true, ""}, {"on", None, true, ""}, {"off", None, false, ""}} {
		on, err := svc.Bypass(ctx, c.mode, c.with)
		if st := svc.Status(); err != nil || on != c.on || st.Bypass != c.on || st.Other != c.other {
			t.Errorf("%s with %s: %v, other %q, %v", c.mode, c.with, on, st.Other, err)
		}
	}
	if _, err := svc.Bypass(ctx, "on", "nobody"); err == nil || !strings.Contains(err.Error(), "wipe-clean") {
		t.Errorf("a misspelt one: %v", err)
	}
}

// TestMute is the panic key's command and its undoing.
func TestMute(t *testing.T) {
	svc, _ := startService(t)
	var _ control.Muter = svc
	for _, c := range []struct {
		mode string
		want bool
	}{{"on", true}, {"on", true}, {"off", false}, {"toggle", true}, {"toggle", false}} {
		on, err := svc.Mute(t.Context(), c.mode)
		if st := svc.Status(); err != nil || on != c.want || st.Muted != c.want {
			t.Errorf("mute %s: %v, status %v, %v", c.mode, on, st.Muted, err)
		}
	}
	if _, err := svc.Mute(t.Context(), "loud"); err == nil {
		t.Error("mute loud passed")
	}
}

// TestGoneCushionIsNoProblemLater: what the bench lacks is a problem while it is fitted, and no longer.
func TestGoneCushionIsNoProblemLater(t *testing.T) {
	svc, _ := startService(t)
	for _, f := range []string{"cushions", "corrections"} {
		if err := os.Remove(filepath.Join(svc.dir, f, "wipe-clean.toml")); err != nil {
			t.Fatal(err)
		}
	}
	svc.Loaded(config.Load(svc.dir))
	if st := svc.Status(); len(st.Problems) != 1 || st.Cushion != "wipe-clean" {
		t.Fatalf("the fitted cushion is gone: %s, %q", st.Cushion, st.Problems)
	}
	if err := svc.Wear(t.Context(), "wipe-clean"); err == nil {
		t.Error("the bench has lost it, and it can be worn")
	}
	if err := svc.Wear(t.Context(), "woven"); err != nil {
		t.Fatal(err)
	}
	if st := svc.Status(); len(st.Problems) != 0 || strings.Join(st.Cushions, " ") != "deep-foam woven" {
		t.Errorf("another one is worn: problems %q, cushions %q", st.Problems, st.Cushions)
	}
}
