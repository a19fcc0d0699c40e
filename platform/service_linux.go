package platform

import (
	"bytes"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
)

// unitName is the per-user service.
const unitName = "cushwright.service"

// unitText is the service file for the program at exe.
func unitText(exe string) string {
	// systemd.service(5): an executable path may be quoted; % and $ are specifiers and must be doubled.
	q := `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`, `%`, `%%`, `$`, `$$`).Replace(exe) + `"`
	return `[Unit]
Description=Headphone cushion correction
After=pipewire-pulse.service pulseaudio.service

[Service]
Type=notify
NotifyAccess=main
ExecStart=` + q + ` run
ExecStopPost=` + q + ` restore
Restart=on-failure
RestartSec=1

[Install]
WantedBy=default.target
`
}

// Autostart sets the per-user service up (and starts it) or takes it away. exe is the program's path, made absolute.
// The message says in words what is so now; the error says so where systemd is missing.
func Autostart(on bool, exe string) (message string, err error) {
	fail := func(err error) (string, error) {
		return "", fmt.Errorf("platform: set up %q: %w", "autostart", err)
	}
	systemctl, err := exec.LookPath("systemctl")
	if err != nil {
		return fail(errors.New("systemd is missing here: let the session start `cushwright run --background` itself"))
	}
	exe, err = filepath.Abs(exe)
	if err != nil {
		return fail(err)
	}
	call := func(args ...string) error {
		var out bytes.Buffer
		cmd := exec.Command(systemctl, append([]string{"--user"}, args...)...)
		cmd.Stdout, cmd.Stderr = &out, &out
		if err := cmd.Run(); err != nil {
			return fmt.Errorf("systemctl --user %s: %w: %s", strings.Join(args, " "), err, strings.TrimSpace(out.String()))
		}
		return nil
	}
	if err := call("show-environment"); err != nil {
		return fail(fmt.Errorf("no systemd user session answers: let the session start `cushwright run --background` itself (%w)", err))
	}
	dir, err := os.UserConfigDir()
	if err != nil {
		return fail(err)
	}
	unit := filepath.Join(dir, "systemd", "user", unitName)
	if !on {
		if _, err := os.Stat(unit); errors.Is(err, os.ErrNotExist) {
			return "autostart was not set up", nil
		}
		if err := call("disable", "--now", unitName); err != nil {
			return fail(err)
		}
		if err := os.Remove(unit); err != nil {
			return fail(err)
		}
		if err := call("daemon-reload"); err != nil {
			return fail(err)
		}
		return "autostart is off; " + unit + " removed", nil
	}
	if err := os.MkdirAll(filepath.Dir(unit), 0o755); err != nil {
		return fail(err)
	}
	if err := os.WriteFile(unit, []byte(unitText(exe)), 0o644); err != nil {
		return fail(err)
	}
	if err := call("daemon-reload"); err != nil {
		return fail(err)
	}
	if err := call("enable", "--now", unitName); err != nil {
		return fail(err)
	}
	return "autostart is on: " + unit, nil
}

// NotifyReady tells systemd, if it started us, that the engine runs (sd_notify(3), READY=1). Without systemd it does
// nothing.
func NotifyReady() error {
	addr := os.Getenv("NOTIFY_SOCKET")
	if addr == "" {
		return nil
	}
	name := addr
	if name[0] == '@' {
		name = "\x00" + name[1:] // abstract socket
	}
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		return fmt.Errorf("platform: notify %q: %w", addr, err)
	}
	defer conn.Close()
	if _, err := conn.Write([]byte("READY=1")); err != nil {
		return fmt.Errorf("platform: notify %q: %w", addr, err)
	}
	return nil
}

// Detach starts this program again with the arguments in a session of its own, its output appended to logFile (the
// folder is made), and leaves it running.
func Detach(args []string, logFile string) (pid int, err error) {
	fail := func(err error) (int, error) {
		return 0, fmt.Errorf("platform: start %q: %w", "background engine", err)
	}
	exe, err := os.Executable()
	if err != nil {
		return fail(err)
	}
	if err := os.MkdirAll(filepath.Dir(logFile), 0o700); err != nil {
		return fail(err)
	}
	log, err := os.OpenFile(logFile, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return fail(err)
	}
	defer log.Close()
	cmd := exec.Command(exe, args...)
	cmd.Stdout, cmd.Stderr = log, log
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
	if err := cmd.Start(); err != nil {
		return fail(err)
	}
	go cmd.Wait() // so that an early death leaves no zombie behind, which would still look alive
	return cmd.Process.Pid, nil
}
