package platform

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
)

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
