//go:build linux

package main

import (
	"bufio"
	"io"
	"net/http"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"cushwright/cmd/internal/viewtest"
	"cushwright/platform/soundtest"
)

// TestPageCommand runs the built command beside a running engine: it prints an address that works once, Enter prints
// another, a change arrives, and it goes in good order while the engine stays.
func TestPageCommand(t *testing.T) {
	r := newRig(t, soundtest.PulseAudio, 48000)
	r.write("corrections/wipe-clean.toml", tone(-3))
	r.write("corrections/deep-foam.toml", tone(3))
	r.start()
	c := exec.Command(r.exe, "page")
	c.Env, c.Stderr = r.Env(), os.Stderr
	in, err := c.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	defer c.Process.Kill()
	lines := bufio.NewScanner(out)
	next := func() string {
		t.Helper()
		if !lines.Scan() || !strings.HasPrefix(lines.Text(), "http://127.0.0.1:") {
			t.Fatalf("it prints %q, %v", lines.Text(), lines.Err())
		}
		return lines.Text()
	}
	first := next()
	v := viewtest.Enter(t, first)
	if res, err := http.Get(first); err != nil || res.StatusCode != http.StatusForbidden {
		t.Errorf("the address works twice: %v, %v", res.Status, err)
	}
	io.WriteString(in, "\n")
	if second := next(); second == first {
		t.Error("Enter prints the same address")
	} else {
		viewtest.Enter(t, second)
	}
	q, err := http.NewRequest("POST", v.Home+"wear", strings.NewReader("cushion=wipe-clean&token="+v.Token()))
	if err != nil {
		t.Fatal(err)
	}
	q.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	q.Header.Set("Origin", v.At)
	res, err := v.HTTP.Do(q)
	if err != nil {
		t.Fatal(err)
	}
	body, _ := io.ReadAll(res.Body)
	res.Body.Close()
	if st := r.status(); st.Cushion != "wipe-clean" || res.StatusCode != http.StatusOK || !strings.Contains(string(body), "wipe-clean fitted") {
		t.Errorf("%s; the engine has %s", res.Status, st.Cushion)
	}
	// A look at the live part while it ends.
	live, err := v.HTTP.Get(v.Home + "live")
	if err != nil {
		t.Fatal(err)
	}
	defer live.Body.Close()
	if l, err := bufio.NewReader(live.Body).ReadString('\n'); err != nil || !strings.HasPrefix(l, "event: ") {
		t.Errorf("the stream begins with %q, %v", l, err)
	}
	c.Process.Signal(syscall.SIGINT)
	ended := make(chan error, 1)
	go func() { ended <- c.Wait() }()
	select {
	case err := <-ended:
		if err != nil {
			t.Errorf("it ends with %v", err)
		}
	case <-time.After(10 * time.Second):
		t.Error("it does not end")
	}
	if _, err := http.Get(v.Home); err == nil {
		t.Error("the page is still there")
	}
	r.stop()
}
