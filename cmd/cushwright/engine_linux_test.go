package main

import (
	"context"
	"errors"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"cushwright/cmd/internal/service"
	"cushwright/config"
	"cushwright/engine/control"
	"cushwright/platform"
)

// playing stands for an engine that plays a bench; it counts what is asked of it.
type playing struct {
	bench string
	asked atomic.Int32
}

func (p *playing) Status() control.Status                            { return control.Status{PID: 1, Bench: p.bench} }
func (p *playing) Wear(context.Context, string) error                { p.asked.Add(1); return nil }
func (p *playing) Stop()                                             { p.asked.Add(1) }
func (p *playing) Trial(context.Context, control.TrialRequest) error { p.asked.Add(1); return nil }
func (p *playing) Bypass(context.Context, string, string) (bool, error) {
	p.asked.Add(1)
	return false, nil
}
func (p *playing) Mute(context.Context, string) (bool, error) { p.asked.Add(1); return false, nil }

// ownFolders gives the process folders of its own for what lies beside the bench, and no sound server.
func ownFolders(t *testing.T) (runtimeDir string) {
	t.Helper()
	dir := t.TempDir()
	t.Setenv("XDG_RUNTIME_DIR", dir)
	t.Setenv("XDG_STATE_HOME", filepath.Join(dir, "state"))
	t.Setenv("PULSE_SERVER", "unix:"+filepath.Join(dir, "none"))
	runtimeDir, err := config.RuntimeDir()
	if err != nil {
		t.Fatal(err)
	}
	return runtimeDir
}

// TestOtherBenchIsRefused: a command that names another bench than the engine plays asks nothing of that engine, and
// names both.
func TestOtherBenchIsRefused(t *testing.T) {
	ownFolders(t)
	plays, other := demoBench(t), demoBench(t)
	p := &playing{bench: plays}
	socket, err := service.Socket()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() { defer close(ended); control.Serve(ctx, socket, p) }()
	defer func() { cancel(); <-ended }()
	for end := time.Now().Add(10 * time.Second); ; time.Sleep(time.Millisecond) {
		if _, _, err := service.Open(ctx); err == nil {
			break
		} else if time.Now().After(end) {
			t.Fatal(err)
		}
	}
	for _, args := range []string{"stop", "wear woven", "bypass on", "mute", "mute off", "status", "page", "blind none wipe-clean",
		"prove wipe-clean", "which --wear"} {
		_, _, err := command(other, strings.Fields(args)...)
		if err == nil || !strings.Contains(err.Error(), plays) || !strings.Contains(err.Error(), other) {
			t.Errorf("%s: %v", args, err)
		}
		if no := (answerNo{}); errors.As(err, &no) {
			t.Errorf("%s: exit code 1 for a wrong --bench", args)
		}
	}
	if n := p.asked.Load(); n != 0 {
		t.Errorf("the engine of another bench was asked %d times", n)
	}
	if _, _, err := command(plays, "wear", "woven"); err != nil || p.asked.Load() != 1 {
		t.Errorf("the engine's own bench: %v, asked %d times", err, p.asked.Load())
	}
}

// TestRestoreLeavesARunningEngineAlone: it refuses before it looks for a sound server.
func TestRestoreLeavesARunningEngineAlone(t *testing.T) {
	release, _, err := platform.Lock(ownFolders(t))
	if err != nil {
		t.Fatal(err)
	}
	out, _, err := command(t.TempDir(), "restore")
	if no := (answerNo{}); !errors.As(err, &no) || !strings.Contains(err.Error(), "cushwright stop") || out != "" {
		t.Errorf("%q, %v", out, err)
	}
	release()
	if _, _, err := command(t.TempDir(), "restore"); err == nil || !strings.Contains(err.Error(), "no sound server answers") {
		t.Errorf("without an engine: %v", err)
	}
}

// TestNoSoundServerIsOneLine: it says so and what to start.
func TestNoSoundServerIsOneLine(t *testing.T) {
	ownFolders(t)
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(0)) // run changes them
	defer debug.SetGCPercent(debug.SetGCPercent(100))
	for _, args := range []string{"run", "devices", "restore"} {
		_, _, err := command(demoBench(t), args)
		if err == nil || strings.Contains(err.Error(), "\n") || !strings.Contains(err.Error(), "no sound server answers") ||
			!strings.Contains(err.Error(), "pulseaudio --start") {
			t.Errorf("%s: %v", args, err)
		}
	}
}
