//go:build linux

package platform

import (
	"context"
	"errors"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"cushwright/engine"
	"cushwright/platform/internal/live"
)

// No server: one clear line, soon, from each door.
func TestNoServer(t *testing.T) {
	t.Setenv("PULSE_SERVER", "unix:"+filepath.Join(t.TempDir(), "none"))
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	began := time.Now()
	r := newRouter(t)
	ctx := context.Background()
	_, takeErr := r.Take(ctx, "")
	_, sweepErr := Sweep(ctx, RouterOptions{})
	_, restoreErr := Restore(ctx, RouterOptions{})
	d, err := NewDriver("")
	if err != nil {
		t.Fatal(err)
	}
	_, listErr := d.Devices()
	for what, err := range map[string]error{"take": takeErr, "sweep": sweepErr, "restore": restoreErr, "list": listErr} {
		var e *engine.Error
		if !errors.As(err, &e) || strings.Contains(err.Error(), "\n") || !strings.Contains(err.Error(), "none") ||
			!errors.Is(err, engine.ErrNoServer) || !strings.Contains(err.Error(), `start PulseAudio ("pulseaudio --start")`) {
			t.Errorf("%s: %v", what, err)
		}
	}
	if err := r.Release(ctx); err != nil {
		t.Errorf("release: %v", err)
	}
	if d := time.Since(began); d > 5*time.Second {
		t.Errorf("all this took %v", d)
	}
}

func TestLock(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "new")
	release, pid, err := Lock(dir)
	if err != nil || pid != 0 {
		t.Fatal(pid, err)
	}
	if live := LiveEngine(dir); live != os.Getpid() {
		t.Errorf("live engine %d, want %d", live, os.Getpid())
	}
	if _, pid, err := Lock(dir); pid != os.Getpid() || !errors.Is(err, ErrLocked) {
		t.Errorf("second: holder %d, %v", pid, err)
	}
	release()
	release()
	if live := LiveEngine(dir); live != 0 {
		t.Errorf("live engine %d after release", live)
	}
	release, _, err = Lock(dir)
	if err != nil {
		t.Fatal(err)
	}
	release()
	// Whoever asks whether an engine lives has the lock for a moment, and a killed one may still be on its way out.
	f, err := os.Open(filepath.Join(dir, lockFile))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	fd := int(f.Fd())
	for _, how := range []int{syscall.LOCK_SH, syscall.LOCK_EX} {
		if err := syscall.Flock(fd, how); err != nil {
			t.Fatal(err)
		}
		time.AfterFunc(50*time.Millisecond, func() { syscall.Flock(fd, syscall.LOCK_UN) })
		if release, _, err = Lock(dir); err != nil {
			t.Fatal(err)
		}
		release()
	}
	if info, err := os.Stat(dir); err != nil || info.Mode().Perm() != 0o700 {
		t.Errorf("folder: %v, %v", info.Mode(), err)
	}
}

func TestNotifyReady(t *testing.T) {
	t.Setenv("NOTIFY_SOCKET", "")
	if err := NotifyReady(); err != nil {
		t.Error(err)
	}
	for _, addr := range []string{filepath.Join(t.TempDir(), "n"), "@cushwright-test-" + filepath.Base(t.TempDir()) + time.Now().String()} {
		name := strings.Replace(addr, "@", "\x00", 1)
		conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: name, Net: "unixgram"})
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		t.Setenv("NOTIFY_SOCKET", addr)
		if err := NotifyReady(); err != nil {
			t.Fatal(err)
		}
		conn.SetReadDeadline(time.Now().Add(5 * time.Second))
		b := make([]byte, 100)
		n, err := conn.Read(b)
		if got := string(b[:n]); got != "READY=1" { // sd_notify(3)
			t.Errorf("%s: told %q, %v", addr, got, err)
		}
	}
	t.Setenv("NOTIFY_SOCKET", filepath.Join(t.TempDir(), "none"))
	if err := NotifyReady(); err == nil {
		t.Error("nobody listens, and no error")
	}
}

// fakeSystemctl puts a systemctl into the path that notes its arguments, and fails if told to.
func fakeSystemctl(t *testing.T, exit string) (calls func() string) {
	t.Helper()
	dir := t.TempDir()
	log := filepath.Join(dir, "log")
	script := "#!/bin/sh\necho \"$@\" >> " + log + "\nexit " + exit + "\n"
	if err := os.WriteFile(filepath.Join(dir, "systemctl"), []byte(script), 0o755); err != nil {
		t.Fatal(err)
	}
	t.Setenv("PATH", dir+":/bin:/usr/bin")
	return func() string { b, _ := os.ReadFile(log); return string(b) }
}

func TestAutostart(t *testing.T) {
	conf := t.TempDir()
	t.Setenv("XDG_CONFIG_HOME", conf)
	unit := filepath.Join(conf, "systemd", "user", "cushwright.service")

	t.Setenv("PATH", t.TempDir())
	if _, err := Autostart(true, "/x/cushwright"); err == nil || !strings.Contains(err.Error(), "systemd is missing") {
		t.Errorf("without systemd: %v", err)
	}
	fakeSystemctl(t, "1")
	if _, err := Autostart(true, "/x/cushwright"); err == nil || !strings.Contains(err.Error(), "no systemd user session") {
		t.Errorf("without a user session: %v", err)
	}
	if _, err := os.Stat(unit); err == nil {
		t.Error("a unit was written though nobody reads it")
	}

	calls := fakeSystemctl(t, "0")
	if m, err := Autostart(false, "/x/cushwright"); err != nil || !strings.Contains(m, "was not set up") {
		t.Errorf("off without on: %q, %v", m, err)
	}
	if m, err := Autostart(true, "/x/a 50% \"tool\"/cushwright"); err != nil || !strings.Contains(m, unit) {
		t.Errorf("on: %q, %v", m, err)
	}
	text, err := os.ReadFile(unit)
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range []string{"Type=notify", "Restart=on-failure", `ExecStart="/x/a 50%% \"tool\"/cushwright" run`, `ExecStopPost="/x/a 50%% \"tool\"/cushwright" restore`} {
		if !strings.Contains("\n"+string(text), "\n"+line+"\n") {
			t.Errorf("unit lacks %q:\n%s", line, text)
		}
	}
	if m, err := Autostart(false, "/x/cushwright"); err != nil || !strings.Contains(m, "off") {
		t.Errorf("off: %q, %v", m, err)
	}
	if _, err := os.Stat(unit); err == nil {
		t.Error("the unit is still there")
	}
	for _, call := range []string{"--user daemon-reload\n", "--user enable --now cushwright.service\n", "--user disable --now cushwright.service\n"} {
		if !strings.Contains(calls(), call) {
			t.Errorf("systemctl was not called with %q but:\n%s", call, calls())
		}
	}
}

// A detached process has its own session and writes to the log.
func TestDetach(t *testing.T) {
	log := filepath.Join(t.TempDir(), "new", "log")
	pid, err := Detach([]string{sessionArg}, log)
	if err != nil {
		t.Fatal(err)
	}
	live.Eventually(t, "the log is written", func() (bool, any) {
		b, _ := os.ReadFile(log)
		return strings.Contains(string(b), "leads its session: true\n") && strings.Contains(string(b), "said on standard error"), string(b)
	})
	live.Eventually(t, "no zombie is left", func() (bool, any) { err := syscall.Kill(pid, 0); return err == syscall.ESRCH, err })
}
