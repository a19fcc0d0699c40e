package service

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"cushwright/config"
	"cushwright/engine"
	"cushwright/engine/sim"
)

// finder knows the outputs that are there.
type finder struct {
	mu    sync.Mutex // guards names
	names []string
}

func (f *finder) set(names ...string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.names = names
}

func (f *finder) FindOutput(_ context.Context, output string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if slices.Contains(f.names, output) {
		return nil
	}
	return &engine.Error{Action: "use output", Object: output, Err: fmt.Errorf("%w; there are %s", engine.ErrNoOutput, strings.Join(f.names, ", "))}
}

// TestMisspeltOutputLeavesTheSound: an output that is not there is a problem in the status, and the sound stays on the
// one that it was on, without a gap; mended, the problem is gone.
func TestMisspeltOutputLeavesTheSound(t *testing.T) {
	dir := t.TempDir()
	if _, err := config.FirstRun(dir); err != nil {
		t.Fatal(err)
	}
	write := func(output string) *config.Snapshot {
		t.Helper()
		if err := config.WriteAtomic(filepath.Join(dir, "settings.toml"), []byte("[sound]\noutput = \""+output+"\"\n")); err != nil {
			t.Fatal(err)
		}
		snap, err := config.Load(dir)
		if err != nil {
			t.Fatal(err)
		}
		return snap
	}
	svc, err := New(Options{Dir: dir, Snap: write("phones"), Fitted: "wipe-clean", Driver: &sim.Driver{Speed: 4},
		Fix: func(s engine.Settings) engine.Settings { s.Capture, s.RateHz = "simulated-capture", rateHz; return s }})
	if err != nil {
		t.Fatal(err)
	}
	there := &finder{}
	there.set("phones", "speakers")
	svc.outputs = there
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() { svc.Play(ctx) })
	defer wg.Wait()
	defer cancel()
	runs := func(on string) {
		t.Helper()
		if err := until(ctx, func() bool { st := svc.Status(); return st.State == engine.Running && st.OutputID == on }); err != nil {
			t.Fatalf("it is not on %s: %+v", on, svc.Status())
		}
	}
	runs("phones")
	svc.Loaded(write("phoness"), nil)
	runs("phones")
	st := svc.Status()
	if st.Reopened != 0 || len(st.Problems) != 1 || !strings.Contains(st.Problems[0], `sound.output "phoness"`) ||
		!strings.Contains(st.Problems[0], "phones, speakers") {
		t.Errorf("misspelt: reopened %d times, problems %q", st.Reopened, st.Problems)
	}
	svc.Loaded(write("speakers"), nil)
	runs("speakers")
	if st := svc.Status(); len(st.Problems) != 0 {
		t.Errorf("mended: problems %q", st.Problems)
	}
	// An output that comes is gone to.
	svc.Loaded(write("headset"), nil)
	if st := svc.Status(); len(st.Problems) != 1 {
		t.Errorf("not there yet: problems %q", st.Problems)
	}
	there.set("phones", "speakers", "headset")
	runs("headset")
	if st := svc.Status(); len(st.Problems) != 0 {
		t.Errorf("it has come: problems %q", st.Problems)
	}
	// A newer reading is what counts.
	svc.Loaded(write("nowhere"), nil)
	svc.Loaded(write("speakers"), nil)
	there.set("phones", "speakers", "nowhere")
	time.Sleep(lookAgain + lookAgain/4)
	runs("speakers")
	// The output in force is not asked for: it may be unplugged, and is waited for.
	there.set("phones")
	svc.Loaded(write("speakers"), nil)
	if st := svc.Status(); len(st.Problems) != 0 {
		t.Errorf("unplugged: problems %q", st.Problems)
	}
}
