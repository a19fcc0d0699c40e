//go:build !linux

package platform

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"

	"cushwright/engine"
	"cushwright/platform/device"
)

// ServerString is "": there is no sound server to name on this system.
func ServerString() string { return "" }

// NewRouter returns no router: automatic routing does not exist on this system yet. The error says what to do instead.
func NewRouter(RouterOptions) (engine.Router, error) {
	return nil, device.Err("route", "system sound", engine.GiveUp, fmt.Errorf("automatic routing does not exist on %s yet: name a capture device (one that carries the system's sound) and an output in settings.toml, under sound.capture and sound.output", runtime.GOOS))
}

// Guardian does nothing on this system: there is no routing to undo.
type Guardian struct{}

// StartGuardian starts nothing on this system.
func StartGuardian(RouterOptions) (*Guardian, error) { return &Guardian{}, nil }

// Released ends the guardian.
func (*Guardian) Released() error { return nil }

// GuardianMain handles nothing on this system.
func GuardianMain([]string) (handled bool, exit int) { return false, 0 }

// Sweep finds nothing on this system.
func Sweep(context.Context, RouterOptions) ([]string, error) { return nil, nil }

// Restore finds nothing on this system.
func Restore(context.Context, RouterOptions) ([]string, error) { return nil, nil }

// Autostart says that it does not exist on this system yet.
func Autostart(bool, string) (string, error) {
	return "", fmt.Errorf("platform: set up %q: a per-user service does not exist on %s yet", "autostart", runtime.GOOS)
}

// NotifyReady does nothing on this system.
func NotifyReady() error { return nil }

// Detach says that it does not exist on this system yet.
func Detach([]string, string) (int, error) {
	return 0, fmt.Errorf("platform: start %q: running in the background does not exist on %s yet", "engine", runtime.GOOS)
}

// LiveEngine is 0: nothing that outlives an engine is put back on this system.
func LiveEngine(string) int { return 0 }

// Lock takes the single-instance lock of the folder. Where no file locks are used yet, it is a file that must not
// exist; a crash leaves it behind.
func Lock(runtimeDir string) (release func(), holderPID int, err error) {
	if err := os.MkdirAll(runtimeDir, 0o700); err != nil {
		return nil, 0, fmt.Errorf("platform: lock %q: %w", runtimeDir, err)
	}
	path := filepath.Join(runtimeDir, "engine.lock")
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o600)
	if errors.Is(err, os.ErrExist) {
		var pid int
		if b, err := os.ReadFile(path); err == nil {
			fmt.Sscan(string(b), &pid)
		}
		if pid != 0 {
			if p, err := os.FindProcess(pid); err == nil && alive(p) {
				return nil, pid, fmt.Errorf("platform: lock %q: %w (process %d)", runtimeDir, ErrLocked, pid)
			}
		}
		f, err = os.OpenFile(path, os.O_TRUNC|os.O_RDWR, 0o600)
	}
	if err != nil {
		return nil, 0, fmt.Errorf("platform: lock %q: %w", runtimeDir, err)
	}
	fmt.Fprintln(f, os.Getpid())
	f.Close()
	return func() { os.Remove(path) }, 0, nil
}
