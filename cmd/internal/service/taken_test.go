package service

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"cushwright/config"
	"cushwright/engine/control"
)

// direct asks a service without a socket.
type direct struct{ *Service }

func (d direct) Status(context.Context) (control.Status, error) { return d.Service.Status(), nil }

// What is said of a correction that was written is what the engine has made of it, and of one that is not proven it says so.
func TestTakenOver(t *testing.T) {
	svc, _ := startService(t)
	dir := svc.dir
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() { config.Watch(ctx, dir, svc.Loaded) })
	t.Cleanup(func() { cancel(); wg.Wait() })
	say := func(name, text string) string {
		t.Helper()
		if err := os.WriteFile(filepath.Join(dir, "corrections", name+".toml"), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return takenOver(ctx, direct{svc}, dir, name, 10*time.Second)
	}
	lift := "reference = \"woven\"\nheadroom_db = -7\n[[band]]\nshape = \"bell\"\nfreq_hz = 1000\ngain_db = 3\nq = 1\n"
	if got := say("wipe-clean", lift); !strings.HasSuffix(got, "It is heard now.") || math.Abs(svc.Status().HeadroomDB+7) > 1e-9 {
		t.Errorf("%q, headroom %g dB", got, svc.Status().HeadroomDB)
	}
	if st := svc.Status(); st.Doubt != "" {
		t.Errorf("doubt %q", st.Doubt)
	}
	if got := say("deep-foam", lift); !strings.HasSuffix(got, "It is heard once deep-foam is worn.") {
		t.Errorf("another cushion: %q", got)
	}
	if _, err := svc.Bypass(ctx, "on", ""); err != nil {
		t.Fatal(err)
	}
	got := say("wipe-clean", lift+"[derived]\nseats = 1\ncaution = \"one seat is no proof\"\n")
	if st := svc.Status(); !strings.HasSuffix(got, "It is heard when bypass is off.") || st.Doubt != "one seat is no proof" {
		t.Errorf("%q, doubt %q", got, st.Doubt)
	}
	if got := say("wipe-clean", "headroom = 1\n"); !strings.HasPrefix(got, "The running engine has not taken it over: ") || !strings.Contains(got, "line 1") {
		t.Errorf("a faulty file: %q", got)
	}
	if got := takenOver(ctx, direct{svc}, t.TempDir(), "wipe-clean", time.Second); got != "" {
		t.Errorf("another bench: %q", got)
	}
}
