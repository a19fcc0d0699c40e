package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/service"
	"cushwright/config"
	"cushwright/engine"
	"cushwright/engine/control"
	"cushwright/platform"
)

func (a *app) runCommand() *cobra.Command {
	var background, verbose bool
	c := &cobra.Command{Use: "run", Short: "Correct everything the computer plays until you stop it.",
		Args: cobra.NoArgs,
		Long: "Corrects everything the computer plays until you stop it.",
		RunE: func(c *cobra.Command, _ []string) error {
			if background {
				return a.runBackground(c)
			}
			return a.run(c.Context(), verbose)
		}}
	c.Flags().BoolVar(&background, "background", false, "run in the background, the log in the state folder")
	c.Flags().BoolVar(&verbose, "verbose", false, "log every change of state")
	return c
}

// runBackground starts another process and waits until its engine answers.
func (a *app) runBackground(c *cobra.Command) error {
	cl, err := service.Client()
	if err != nil {
		return err
	}
	if st, err := cl.Status(c.Context()); err == nil {
		return answerNo{heldBy(st.PID)}
	}
	dir, err := config.StateDir()
	if err != nil {
		return err
	}
	args := []string{"run"}
	if a.bench != "" {
		abs, err := filepath.Abs(a.bench)
		if err != nil {
			return fmt.Errorf("cushwright: run: %w", err)
		}
		args = append(args, "--bench", abs)
	}
	logFile := filepath.Join(dir, "engine.log")
	size := int64(0)
	if fi, err := os.Stat(logFile); err == nil {
		size = fi.Size()
	}
	pid, err := platform.Detach(args, logFile)
	if err != nil {
		return err
	}
	ended := make(chan struct{})
	if p, err := os.FindProcess(pid); err == nil {
		go func() { p.Wait(); close(ended) }()
	}
	st, err := firstSound(c.Context(), cl.Status, ended, 8*time.Second)
	switch {
	case errors.Is(err, errEnded):
		return fmt.Errorf("cushwright: run: the engine ended at once: %s", lastLine(logFile, size))
	case err != nil:
		return fmt.Errorf("cushwright: run: %w, see %s", err, logFile)
	}
	fmt.Fprintln(c.OutOrStdout(), st.Summary)
	fmt.Fprintf(c.ErrOrStderr(), "engine process %d, log in %s\n", st.PID, logFile)
	careful(c.ErrOrStderr())
	return nil
}

// errEnded says that an engine's process has ended.
var errEnded = errors.New("the engine ended")

// firstSound asks until the engine runs and returns its status; an engine that is before its first sound, or has just
// failed, is asked again.
func firstSound(ctx context.Context, ask func(context.Context) (control.Status, error), ended <-chan struct{},
	within time.Duration) (control.Status, error) {
	last := errors.New("the engine did not answer")
	for end := time.Now().Add(within); time.Now().Before(end); {
		st, err := ask(ctx)
		if err == nil && st.State == engine.Running {
			return st, nil
		}
		if err == nil {
			last = fmt.Errorf("the engine is still %v", st.State)
		}
		select {
		case <-ended:
			return st, errEnded
		case <-ctx.Done():
			return st, ctx.Err()
		case <-time.After(20 * time.Millisecond):
		}
	}
	return control.Status{}, fmt.Errorf("%w after %v", last, within)
}

// lastLine is the last line that was written to a log after it had that size.
func lastLine(file string, since int64) string {
	b, err := os.ReadFile(file)
	if err != nil || int64(len(b)) <= since {
		return "see " + file
	}
	lines := strings.Split(strings.TrimSpace(string(b[since:])), "\n")
	return lines[len(lines)-1]
}

func heldBy(pid int) error {
	return fmt.Errorf("cushwright: run: process %d holds this user's engine already; end it with \"cushwright stop\"",
		pid)
}

// run is the engine's process.
func (a *app) run(ctx context.Context, verbose bool) error {
	level := slog.LevelInfo
	if verbose {
		level = slog.LevelDebug
	}
	log := slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: level}))
	// The callbacks need a free scheduler slot at any moment (DEVELOPERS.md, threads).
	runtime.GOMAXPROCS(runtime.NumCPU() + 2)
	debug.SetGCPercent(400) // until it plays: reading a large bench leaves much behind, and is waited for

	runDir, err := config.RuntimeDir()
	if err != nil {
		return err
	}
	release, holder, err := platform.Lock(runDir)
	if errors.Is(err, platform.ErrLocked) {
		return answerNo{heldBy(holder)}
	}
	if err != nil {
		return err
	}
	defer release()

	dir, snap, err := a.firstBench(log)
	if err != nil {
		return err
	}
	fitted, err := service.Pick(snap, config.LoadFitted())
	if err != nil {
		return err
	}
	driver, router, released, err := service.Sound(ctx, snap, runDir, log)
	if err != nil {
		return err
	}
	defer released()
	svc, err := service.New(service.Options{Dir: dir, Snap: snap, Fitted: fitted, Driver: driver, Router: router,
		Log:      log,
		Remember: config.SaveFitted})
	if err != nil {
		return err
	}
	socket, err := service.Socket()
	if err != nil {
		return err
	}
	careful(os.Stderr)
	// From here on the heap is small and soon swept. What reading the bench has left goes at once.
	debug.SetGCPercent(50)
	debug.FreeOSMemory()
	return svc.Run(ctx, socket)
}

// firstBench opens the bench folder; a missing or empty one gets the demonstration bench.
func (a *app) firstBench(log *slog.Logger) (dir string, snap *config.Snapshot, err error) {
	if dir, err = a.dir(); err != nil {
		return "", nil, err
	}
	if dir, err = filepath.Abs(dir); err != nil { // status tells it to processes that stand elsewhere
		return "", nil, fmt.Errorf("cushwright: run: %w", err)
	}
	made, err := config.FirstRun(dir)
	if err != nil {
		return "", nil, err
	}
	if len(made) > 0 {
		log.Info("the bench folder was empty: wrote a commented settings.toml and the demonstration bench (invented "+
			"data)", "folder", dir, "files", len(made))
	}
	snap, err = config.Load(dir)
	return dir, snap, err
}
