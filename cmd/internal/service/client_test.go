package service

import (
	"errors"
	"os"
	"strings"
	"testing"

	"cushwright/config"
	"cushwright/engine/control"
)

// TestWithoutAnEngine: Open says that there is none; Fit stores the cushion for the next engine, and stores nothing where the
// bench does not hold it or cannot be read.
func TestWithoutAnEngine(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"HOME", "XDG_RUNTIME_DIR", "XDG_STATE_HOME", "XDG_CONFIG_HOME", "LOCALAPPDATA", "APPDATA", "USERPROFILE"} {
		t.Setenv(name, dir)
	}
	if err := os.Chmod(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if _, _, err := Open(t.Context()); !errors.Is(err, control.ErrNoEngine) {
		t.Errorf("Open: %v", err)
	}
	bench := t.TempDir()
	if _, err := config.FirstRun(bench); err != nil {
		t.Fatal(err)
	}
	open := func() (*config.Snapshot, error) { return config.Load(bench) }
	text, playing, err := Fit(t.Context(), bench, "deep-foam", open)
	if err != nil || playing || !strings.Contains(text, "no engine is running") || config.LoadFitted() != "deep-foam" {
		t.Errorf("Fit: %q, %v, %v; stored is %q", text, playing, err, config.LoadFitted())
	}
	if _, _, err := Fit(t.Context(), bench, "nobody", open); !errors.Is(err, control.ErrUnknown) {
		t.Errorf("an unknown cushion: %v", err)
	}
	broken := errors.New("broken")
	if _, _, err := Fit(t.Context(), bench, "woven", func() (*config.Snapshot, error) { return nil, broken }); !errors.Is(err, broken) {
		t.Errorf("a broken bench: %v", err)
	}
	if got := config.LoadFitted(); got != "deep-foam" {
		t.Errorf("after refusals %q is stored", got)
	}
}

func TestPick(t *testing.T) {
	dir := t.TempDir()
	if _, err := config.FirstRun(dir); err != nil {
		t.Fatal(err)
	}
	snap, err := config.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ last, reference, want string }{{"wipe-clean", "woven", "wipe-clean"}, {"gone", "woven", "woven"},
		{"", "woven", "woven"}, {"", "", "deep-foam"}} {
		snap.Settings.Reference = c.reference
		if got, err := Pick(snap, c.last); got != c.want || err != nil {
			t.Errorf("last %q, reference %q: %q, %v", c.last, c.reference, got, err)
		}
	}
	if got, err := Pick(&config.Snapshot{}, "woven"); err == nil {
		t.Errorf("an empty bench has %q", got)
	}
}
