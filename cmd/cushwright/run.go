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
	"sync"
	"time"

	"github.com/spf13/cobra"

	"cushwright/config"
	"cushwright/engine"
	"cushwright/engine/control"
	"cushwright/platform"
)

func (a *app) runCommand() *cobra.Command {
	var background, verbose bool
	c := &cobra.Command{Use: "run", Short: "correct everything the computer plays until stopped", Args: cobra.NoArgs,
		Long: "Correct everything the computer plays until stopped.\n\n" + caution,
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
	cl, err := newClient()
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
	for end := time.Now().Add(8 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if st, err := cl.Status(c.Context()); err == nil && st.State != engine.Opening {
			fmt.Fprintln(c.OutOrStdout(), st.Summary)
			fmt.Fprintf(c.ErrOrStderr(), "engine process %d, log in %s\n%s\n", st.PID, logFile, caution)
			return nil
		}
		select {
		case <-ended:
			return fmt.Errorf("cushwright: run: the engine ended at once: %s", lastLine(logFile, size))
		default:
		}
	}
	return fmt.Errorf("cushwright: run: the engine did not answer within 8 s, see %s", logFile)
}

// lastLine is the last line a log got since it had that size.
func lastLine(file string, since int64) string {
	b, err := os.ReadFile(file)
	if err != nil || int64(len(b)) <= since {
		return "see " + file
	}
	lines := strings.Split(strings.TrimSpace(string(b[since:])), "\n")
	return lines[len(lines)-1]
}

func heldBy(pid int) error {
	return fmt.Errorf("cushwright: run: process %d holds this user's engine already; end it with \"cushwright stop\"", pid)
}

// run is the engine's process.
func (a *app) run(ctx context.Context, verbose bool) error {
	level := slog.LevelInfo
	if verbose {
		level = slog.LevelDebug
	}
	log := slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: level}))
	// The callbacks need a free scheduler slot at any moment and a heap that is soon swept (DEVELOPERS.md, threads).
	runtime.GOMAXPROCS(runtime.NumCPU() + 2)
	debug.SetGCPercent(50)

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
	fitted, err := pick(snap, config.LoadFitted())
	if err != nil {
		return err
	}
	sel, err := selection(snap, fitted, "")
	if err != nil {
		return err
	}

	driver, router, released, err := soundOf(ctx, snap, platform.RouterOptions{RuntimeDir: runDir, Log: func(m string) { log.Info(m) }}, log)
	if err != nil {
		return err
	}
	defer released()

	ctx, quit := context.WithCancel(ctx)
	defer quit()
	svc := &service{dir: dir, log: log, quit: quit, keep: config.SaveFitted, snap: snap, fitted: fitted}
	svc.session = engine.New(driver, router, engineSettings(snap.Settings), sel, log)
	svc.desk = newDesk(log)
	svc.desk.configure(snap.Settings)

	socket, err := socketPath()
	if err != nil {
		return err
	}
	fmt.Fprintln(os.Stderr, caution)
	var wg sync.WaitGroup
	defer wg.Wait()
	defer quit()
	svc.serve(ctx, &wg, socket)
	return svc.session.Run(ctx)
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
		log.Info("the bench folder was empty: wrote a commented settings.toml and the demonstration bench (invented data)", "folder", dir, "files", len(made))
	}
	snap, err = config.Load(dir)
	return dir, snap, err
}

// soundOf opens the driver and, unless the settings name the devices, the router with its guardian; released is to be called when the
// route is let go.
func soundOf(ctx context.Context, snap *config.Snapshot, opts platform.RouterOptions, log *slog.Logger) (driver engine.Driver, router engine.Router, released func(), err error) {
	newDriver := platform.NewDriver
	if snap.Settings.Sound.Driver == "malgo" {
		newDriver = platform.NewMalgoDriver
	}
	if driver, err = newDriver(platform.ServerString()); err != nil {
		return nil, nil, nil, err
	}
	if snap.Settings.Sound.Capture != "" {
		return driver, nil, func() {}, nil
	}
	if router, err = platform.NewRouter(opts); err != nil {
		return nil, nil, nil, err
	}
	if swept, err := platform.Sweep(ctx, opts); err != nil {
		log.Warn("looking for leftovers of an engine that died", "error", err)
	} else {
		for _, s := range swept {
			log.Info("put back", "what", s)
		}
	}
	guardian, err := platform.StartGuardian(opts)
	if err != nil {
		return nil, nil, nil, err
	}
	return driver, router, func() { guardian.Released() }, nil
}

// serve starts what runs beside the session until ctx is done: keys, notes, the socket, the watch of the bench, and the word to the
// service manager once sound runs.
func (s *service) serve(ctx context.Context, wg *sync.WaitGroup, socket string) {
	wg.Go(func() { s.desk.runKeys(ctx, s.pressed) })
	wg.Go(func() { s.desk.runNotes(ctx) })
	wg.Go(func() {
		if err := control.Serve(ctx, socket, s); err != nil {
			s.log.Error("the engine cannot be controlled", "error", err)
		}
	})
	wg.Go(func() {
		if err := config.Watch(ctx, s.dir, s.loaded); err != nil && ctx.Err() == nil {
			s.log.Error("edits are not noticed", "error", err)
		}
	})
	wg.Go(func() {
		for ; ctx.Err() == nil; time.Sleep(20 * time.Millisecond) {
			if s.session.Status().State == engine.Running {
				s.log.Info("running", "cushion", s.Status().Cushion, "status", s.Status().Summary)
				if err := platform.NotifyReady(); err != nil {
					s.log.Warn("telling the service manager", "error", err)
				}
				return
			}
		}
	})
}
