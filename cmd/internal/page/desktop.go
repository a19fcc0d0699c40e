package page

import (
	"fmt"
	"os/exec"
	"runtime"
)

// OpenBrowser hands the address to the desktop.
func OpenBrowser(address string) error {
	args := map[string][]string{"windows": {"rundll32", "url.dll,FileProtocolHandler"},
		"darwin": {"open"}}[runtime.GOOS]
	if args == nil {
		args = []string{"xdg-open"}
	}
	cmd := exec.Command(args[0], append(args[1:], address)...)
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("cushwright: page: open a browser: %w", err)
	}
	go cmd.Wait()
	return nil
}
