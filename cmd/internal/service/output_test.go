package service

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"cushwright/config"
	"cushwright/engine"
	"cushwright/engine/sim"
)

// finder knows the outputs that are there.
type finder []string

func (f finder) FindOutput(_ context.Context, output string) error {
	for _, name := range f {
		if name == output {
			return nil
		}
	}
	return &engine.Error{Action: "use output", Object: output, Err: fmt.Errorf("%w; there are %s", engine.ErrNoOutput, strings.Join(f, ", "))}
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
	svc.outputs = finder{"phones", "speakers"}
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
	// The output in force is not asked for: it may be unplugged, and is waited for.
	svc.outputs = finder{"phones"}
	svc.Loaded(write("speakers"), nil)
	if st := svc.Status(); len(st.Problems) != 0 {
		t.Errorf("unplugged: problems %q", st.Problems)
	}
}
