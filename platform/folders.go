package platform

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"

	"cushwright/platform/device"
)

// RuntimeDir is the folder for the lock and the engine's socket: $XDG_RUNTIME_DIR/cushwright (same specification), or a
// folder of the user's own below the temporary folder where that is not set. It is not created.
func RuntimeDir() (string, error) {
	if dir := os.Getenv("XDG_RUNTIME_DIR"); filepath.IsAbs(dir) {
		return filepath.Join(dir, device.AppName), nil
	}
	if runtime.GOOS == "windows" {
		return filepath.Join(os.TempDir(), device.AppName), nil
	}
	return filepath.Join(os.TempDir(), fmt.Sprintf("%s-%d", device.AppName, os.Getuid())), nil
}
