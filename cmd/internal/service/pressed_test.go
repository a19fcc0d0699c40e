package service

import (
	"bytes"
	"context"
	"log/slog"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"cushwright/config"
	"cushwright/platform/keys"
)

// TestPressed does what the keys stand for.
func TestPressed(t *testing.T) {
	svc, _ := startService(t)
	names := svc.snap.CushionNames()
	at := func() string { return svc.Status().Cushion }
	first := at()
	for range names {
		svc.Pressed(keys.NextCushion)
	}
	if at() != first {
		t.Errorf("once around: %s, not %s", at(), first)
	}
	svc.Pressed(keys.NextCushion)
	if at() == first {
		t.Error("the next cushion is the same")
	}
	svc.Pressed(keys.PreviousCushion)
	if at() != first {
		t.Errorf("back: %s", at())
	}
	svc.Pressed(keys.Bypass)
	svc.Pressed(keys.Panic)
	if st := svc.Status(); !st.Bypass || !st.Muted || !strings.Contains(st.Summary, "muted") {
		t.Errorf("%s", st.Summary)
	}
	svc.Pressed(keys.Panic)
	svc.Pressed(keys.Bypass)
	if st := svc.Status(); st.Bypass || st.Muted {
		t.Errorf("%s", st.Summary)
	}
	// A note that waits is replaced by a newer one; switched off, there is none.
	svc.desk.configure(config.Settings{Notify: true})
	svc.Pressed(keys.NextCushion)
	svc.Pressed(keys.Bypass)
	if n := <-svc.desk.notes; n[0] != "Bypass on" {
		t.Errorf("note %v", n)
	}
	svc.desk.configure(config.Settings{})
	svc.Pressed(keys.Bypass)
	if len(svc.desk.notes) != 0 {
		t.Error("a note although they are off")
	}
}

// TestNoDisplayIsSaidOnce: without a display the keys are off, and two readings of the settings say so once.
func TestNoDisplayIsSaidOnce(t *testing.T) {
	t.Setenv("DISPLAY", "")
	t.Setenv("WAYLAND_DISPLAY", "")
	var log bytes.Buffer // read after the goroutine has ended
	d := newDesk(slog.New(slog.NewTextHandler(&log, nil)))
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() { d.runKeys(ctx, func(keys.Action) {}) })
	for range 3 {
		d.configure(config.Settings{Keys: config.Keys{Bypass: "ctrl+alt+b"}})
		if err := until(ctx, func() bool { return len(d.settings) == 0 }); err != nil {
			t.Fatal(err)
		}
	}
	time.Sleep(20 * time.Millisecond) // the last reading may be under way still
	cancel()
	wg.Wait()
	if n := strings.Count(log.String(), "no global keys"); n != 1 {
		t.Errorf("said %d times: %s", n, log.String())
	}
}

func TestBindings(t *testing.T) {
	b, err := bindings(config.Keys{Bypass: "ctrl+alt+b", Panic: "f12"})
	want := map[keys.Action]keys.Combo{keys.Bypass: {Ctrl: true, Alt: true, Key: "b"}, keys.Panic: {Key: "f12"}}
	if err != nil || !reflect.DeepEqual(b, want) {
		t.Errorf("%v %v", b, err)
	}
	if _, err := bindings(config.Keys{Bypass: "alt+"}); err == nil {
		t.Error("a bad key passed")
	}
}
