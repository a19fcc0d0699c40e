package platform

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
)

// BenchDir is the default bench folder, in the user's configuration folder. It is not created.
func BenchDir() (string, error) {
	dir, err := os.UserConfigDir()
	if err != nil {
		return "", fmt.Errorf("platform: find %q: %w", "configuration folder", err)
	}
	return filepath.Join(dir, appName), nil
}

// StateDir is the folder for the log and the fitted cushion: $XDG_STATE_HOME/cushwright, by default below
// ~/.local/state (XDG Base Directory Specification 0.8); elsewhere than on Linux the user's cache folder. It is not
// created.
func StateDir() (string, error) {
	if dir := os.Getenv("XDG_STATE_HOME"); filepath.IsAbs(dir) {
		return filepath.Join(dir, appName), nil
	}
	if runtime.GOOS != "linux" {
		dir, err := os.UserCacheDir()
		if err != nil {
			return "", fmt.Errorf("platform: find %q: %w", "state folder", err)
		}
		return filepath.Join(dir, appName), nil
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "", fmt.Errorf("platform: find %q: %w", "state folder", err)
	}
	return filepath.Join(home, ".local", "state", appName), nil
}

// RuntimeDir is the folder for the lock and the engine's socket: $XDG_RUNTIME_DIR/cushwright (same specification), or a
// folder of the user's own below the temporary folder where that is not set. It is not created.
func RuntimeDir() (string, error) {
	if dir := os.Getenv("XDG_RUNTIME_DIR"); filepath.IsAbs(dir) {
		return filepath.Join(dir, appName), nil
	}
	if runtime.GOOS == "windows" {
		return filepath.Join(os.TempDir(), appName), nil
	}
	return filepath.Join(os.TempDir(), fmt.Sprintf("%s-%d", appName, os.Getuid())), nil
}
