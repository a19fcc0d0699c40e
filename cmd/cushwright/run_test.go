package main

import (
	"context"
	"errors"
	"runtime/debug"
	"strings"
	"testing"
	"time"

	"cushwright/engine"
	"cushwright/engine/control"
)

// TestFirstSound: what run --background prints is the status of an engine that runs, not one before its first sound.
func TestFirstSound(t *testing.T) {
	status := func(s engine.State) control.Status {
		return control.Status{Status: engine.Status{State: s}, PID: 7}
	}
	asked := func(states ...engine.State) func(context.Context) (control.Status, error) {
		return func(context.Context) (control.Status, error) {
			if len(states) == 0 {
				return control.Status{}, control.ErrNoEngine
			}
			s := states[0]
			if len(states) > 1 {
				states = states[1:]
			}
			return status(s), nil
		}
	}
	never, over := make(chan struct{}), make(chan struct{})
	close(over)
	st, err := firstSound(t.Context(), asked(engine.Stopped, engine.Opening, engine.Running), never, 10*time.Second)
	if err != nil || st.State != engine.Running {
		t.Errorf("%v, %v", st.State, err)
	}
	if _, err := firstSound(t.Context(), asked(engine.Opening), never, 50*time.Millisecond); err == nil ||
		!strings.Contains(err.Error(), "opening") {
		t.Errorf("never running: %v", err)
	}
	if _, err := firstSound(t.Context(), asked(engine.Failed), over, 10*time.Second); !errors.Is(err, errEnded) {
		t.Errorf("ended: %v", err)
	}
	if _, err := firstSound(t.Context(), asked(), never, 50*time.Millisecond); err == nil || errors.Is(err, errEnded) {
		t.Errorf("no answer: %v", err)
	}
}

func TestVersion(t *testing.T) {
	out, _, err := command(t.TempDir(), "--version")
	if err != nil || !strings.HasPrefix(out, "cushwright ") || !strings.Contains(out, "go1.") || strings.Count(out, "\n") != 1 {
		t.Errorf("%q, %v", out, err)
	}
	built := &debug.BuildInfo{Settings: []debug.BuildSetting{{Key: "vcs.revision", Value: "0123456789abcdef"},
		{Key: "vcs.modified", Value: "true"}}}
	if v := versionOf(built); !strings.HasPrefix(v, "development 0123456789ab with changes, ") {
		t.Errorf("%q", v)
	}
	built.Main.Version = "v1.2.3"
	if v := versionOf(built); !strings.HasPrefix(v, "v1.2.3, ") {
		t.Errorf("%q", v)
	}
}

// TestSwitched: bypass says what is heard now.
func TestSwitched(t *testing.T) {
	st := control.Status{Status: engine.Status{State: engine.Running, Bands: 3, Reference: "woven"}, Match: "pink"}
	for _, c := range []struct {
		bypass bool
		other  string
		want   string
	}{{false, "", "bypass off; heard now: corrected towards woven, 3 bands"},
		{true, "", "bypass on; heard now: bypass: no correction, equally loud"},
		{true, "deep-foam", "bypass on; heard now: the correction of deep-foam"}} {
		st.Bypass, st.Other = c.bypass, c.other
		if got := switched(c.bypass, st); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}
