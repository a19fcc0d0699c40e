//go:build linux

package control_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"cushwright/dsp/testrun"
	"cushwright/engine/control"
)

// A client that a crowd keeps out, or puts out before it is answered, tries again; a change that may have been made
// is not asked for twice.
func TestClientsTryAgainInACrowd(t *testing.T) {
	for _, c := range []struct {
		post    bool
		fates   string // of one connection after the other: r reset, e ended, c crowded, k answered
		wantErr bool
	}{{false, "k", false}, {false, "rcek", false}, {true, "cck", false}, {true, "r", true}, {true, "ce", true}} {
		socket := filepath.Join(t.TempDir(), "s")
		l, err := net.Listen("unix", socket)
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		var n atomic.Int64
		go func() {
			for {
				conn, err := l.Accept()
				if err != nil {
					return
				}
				k := int(n.Add(1))
				if k > len(c.fates) {
					conn.Close()
					continue
				}
				read := func() { http.ReadRequest(bufio.NewReader(conn)) }
				switch c.fates[k-1] {
				case 'r': // with the request unread
					time.Sleep(20 * time.Millisecond)
				case 'e':
					read()
				case 'c':
					read()
					io.WriteString(conn, "HTTP/1.1 503 Service Unavailable\r\nConnection: close\r\nContent-Type: application/json\r\n\r\n{\"error\":\"control: connect: too many clients at once\"}")
				case 'k':
					read()
					io.WriteString(conn, "HTTP/1.1 200 OK\r\nConnection: close\r\nContent-Type: application/json\r\n\r\n{}")
				}
				conn.Close()
			}
		}()
		cl := control.NewClient(socket)
		if c.post {
			_, err = cl.Bypass(t.Context(), "toggle", "")
		} else {
			_, err = cl.Status(t.Context())
		}
		if (err != nil) != c.wantErr || int(n.Load()) != len(c.fates) {
			t.Errorf("%+v: %v, after %d connections", c, err, n.Load())
		}
	}
}

// A thousand clients at once are all answered; so is one more, in time, while a thousand only sit there.
func TestThousandClients(t *testing.T) {
	b, socket := serve(t)
	c0, broken0 := b.s.Status().Counters, b.broken.Load()
	const n = 1000
	all := make([]*control.Client, n)
	for i := range all {
		all[i] = control.NewClient(socket)
	}
	go1 := make(chan struct{})
	var wg sync.WaitGroup
	var failed atomic.Int64
	var first atomic.Pointer[error]
	for i := range n {
		wg.Go(func() {
			<-go1
			var err error
			if i%2 == 0 {
				_, err = all[i].Status(t.Context())
			} else {
				_, err = all[i].Wear(t.Context(), "wipe-clean")
			}
			if err != nil {
				failed.Add(1)
				first.CompareAndSwap(nil, &err)
			}
		})
	}
	start := time.Now()
	close(go1)
	wg.Wait()
	t.Logf("%d clients at once answered in %v", n, time.Since(start))
	if failed.Load() > 0 {
		t.Errorf("%d of %d were not answered, the first: %v", failed.Load(), n, *first.Load())
	}
	if b.worn.Load() != n/2 {
		t.Errorf("worn %d times, want %d", b.worn.Load(), n/2)
	}

	// They keep their connections and as many again that never say a word come in: more than there are places.
	for range n {
		c := dial(t, socket)
		if c == nil {
			return
		}
		defer c.Close()
	}
	for range 5 {
		at := time.Now()
		if _, err := control.NewClient(socket).Status(t.Context()); err != nil {
			t.Errorf("one more client: %v", err)
		}
		t.Logf("one more was answered in %v", time.Since(at))
	}
	if c := b.s.Status().Counters; c.Underruns != c0.Underruns || b.broken.Load() != broken0 {
		t.Errorf("the sound was touched: %+v, before %+v; jumps %d, before %d", c, c0, b.broken.Load(), broken0)
	}
}

// A request of more than a name's worth is refused by its size, and a refusal reads like any other.
func TestLargeRequestsAreRefused(t *testing.T) {
	_, socket := serve(t)
	h := http.Client{Timeout: 5 * time.Second, Transport: &http.Transport{DialContext: func(context.Context, string, string) (net.Conn, error) { return net.Dial("unix", socket) }}}
	for _, c := range []struct {
		body string
		code int
	}{
		{`{"cushion":"` + strings.Repeat("a", 10<<20) + `"}`, 413},
		{`{"cushion":"` + strings.Repeat("a", 4000) + `"}`, 404},
		{`{"cushion":"wipe-clean","path":"/etc"}`, 400},
		{`{"cushion":["wipe-clean"]}`, 400},
		{``, 400},
		{`{"cushion":"wipe-clean"}`, 200},
	} {
		res, err := h.Post("http://engine/wear", "application/json", strings.NewReader(c.body))
		if err != nil {
			t.Errorf("%.40s: %v", c.body, err)
			continue
		}
		b, _ := io.ReadAll(io.LimitReader(res.Body, 1<<20))
		res.Body.Close()
		var f struct{ Error string }
		if res.StatusCode != c.code || c.code != 200 && (json.Unmarshal(b, &f) != nil || f.Error == "") {
			t.Errorf("%.40s: %d %.200s, want %d and an error in words", c.body, res.StatusCode, b, c.code)
		}
	}
}

// The socket is its owner's alone, by mode; and where the modes are thrown open, another user's process is still
// refused.
func TestOtherUsersAreRefused(t *testing.T) {
	if s := os.Getenv("CUSHWRIGHT_TEST_SOCKET"); s != "" {
		ask(s)
		return
	}
	b, socket := serve(t)
	for _, p := range []struct {
		path string
		mode os.FileMode
	}{{socket, 0o600}, {filepath.Dir(socket), 0o700}} {
		if i, err := os.Stat(p.path); err != nil || i.Mode().Perm() != p.mode {
			t.Errorf("%s: mode %v (%v), want %v", filepath.Base(p.path), i.Mode().Perm(), err, p.mode)
		}
	}
	if os.Geteuid() != 0 {
		testrun.LeftOut(t, "the socket against a process of another user", "only root can start one; TestStrangersAreToldSo shows the check itself")
		return
	}
	// The test's own program runs as another user: it needs a place that others can read.
	dir, err := os.MkdirTemp("", "other")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	os.Chmod(dir, 0o755)
	me, err := os.ReadFile("/proc/self/exe")
	if err != nil {
		t.Fatal(err)
	}
	exe := filepath.Join(dir, "other.test")
	if err := os.WriteFile(exe, me, 0o755); err != nil {
		t.Fatal(err)
	}
	other := func(uid uint32) string {
		c := exec.Command(exe, "-test.run=TestOtherUsersAreRefused")
		c.Dir = "/"
		c.Env = []string{"CUSHWRIGHT_TEST_SOCKET=" + socket, "TMPDIR=/tmp"}
		if uid != 0 {
			c.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uid, Gid: uid}}
		}
		out, _ := c.CombinedOutput()
		return string(out)
	}
	if got := other(0); !strings.Contains(got, "status 200") {
		t.Errorf("our own process: %s", got)
	}
	if got := other(65534); !strings.Contains(got, "permission denied") {
		t.Errorf("another user, modes as they are: %s", got)
	}
	for _, p := range []string{filepath.Dir(filepath.Dir(socket)), filepath.Dir(socket), socket} {
		if err := os.Chmod(p, 0o777); err != nil {
			t.Fatal(err)
		}
	}
	if got := other(65534); !strings.Contains(got, "status 403") || !strings.Contains(got, "another user") || strings.Contains(got, "wipe-clean") {
		t.Errorf("another user, modes thrown open: %s", got)
	}
	if got := other(0); !strings.Contains(got, "status 200") {
		t.Errorf("our own process afterwards: %s", got)
	}
	if b.worn.Load() != 2 {
		t.Errorf("worn %d times, our own process asked for it twice", b.worn.Load())
	}
}

// ask is what the other user's process does.
func ask(socket string) {
	c, err := net.Dial("unix", socket)
	if err != nil {
		fmt.Println(err)
		return
	}
	body := `{"cushion":"wipe-clean"}`
	fmt.Fprintf(c, "POST /wear HTTP/1.1\r\nHost: engine\r\nContent-Length: %d\r\n\r\n%s", len(body), body)
	res, err := http.ReadResponse(bufio.NewReader(c), nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	var b bytes.Buffer
	io.Copy(&b, res.Body)
	fmt.Println("status", res.StatusCode, b.String())
}
