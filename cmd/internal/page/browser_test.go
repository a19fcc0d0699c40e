//go:build !windows

package page

import (
	"bufio"
	"bytes"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// browser is a headless Chromium, driven through a pair of pipes by its DevTools protocol.
type browser struct {
	t       *testing.T
	out     *os.File
	session string

	mu       sync.Mutex // guards what follows
	next     int
	answers  map[int]chan json.RawMessage
	requests []string // every address asked for
	faults   []string // exceptions and what the page's policy refused
	loaded   int
}

func startBrowser(t *testing.T) *browser {
	t.Helper()
	toBrowser, out, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	in, fromBrowser, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	dir, err := os.MkdirTemp("", "browser-")
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command("chromium", "--headless", "--remote-debugging-pipe", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run",
		"--disable-background-networking", "--disable-component-update", "--disable-sync", "--user-data-dir="+dir, "about:blank")
	c.ExtraFiles = []*os.File{toBrowser, fromBrowser} // 3 and 4, as it expects
	c.Env = append(os.Environ(), "HOME="+dir)
	var said bytes.Buffer
	c.Stderr = &said
	if err := c.Start(); err != nil {
		t.Fatalf("a browser is needed: %v", err)
	}
	toBrowser.Close()
	fromBrowser.Close()
	b := &browser{t: t, out: out, answers: map[int]chan json.RawMessage{}}
	var wg sync.WaitGroup
	wg.Go(func() { b.listen(in) })
	t.Cleanup(func() {
		out.Close() // it ends when the pipe does
		late := time.AfterFunc(5*time.Second, func() { c.Process.Kill() })
		c.Wait()
		late.Stop()
		in.Close()
		wg.Wait()
		os.RemoveAll(dir)
		if t.Failed() {
			t.Logf("the browser said, last of all: %s", said.String()[max(0, said.Len()-1500):])
		}
	})
	var target struct{ TargetID string }
	b.call("Target.createTarget", map[string]any{"url": "about:blank"}, &target)
	var at struct{ SessionID string }
	b.call("Target.attachToTarget", map[string]any{"targetId": target.TargetID, "flatten": true}, &at)
	b.session = at.SessionID
	for _, domain := range []string{"Page", "Network", "Runtime", "Log", "Accessibility"} {
		b.call(domain+".enable", nil, nil)
	}
	return b
}

func (b *browser) listen(in *os.File) {
	r := bufio.NewReaderSize(in, 1<<20)
	for {
		line, err := r.ReadBytes(0)
		if err != nil {
			b.mu.Lock()
			defer b.mu.Unlock()
			for _, c := range b.answers {
				close(c)
			}
			b.answers = map[int]chan json.RawMessage{}
			return
		}
		var m struct {
			ID     int
			Method string
			Params struct {
				Request          struct{ URL string }
				Entry            struct{ Source, Level, Text, URL string }
				ExceptionDetails struct {
					Text      string
					Exception struct{ Description string }
				}
			}
		}
		if json.Unmarshal(line[:len(line)-1], &m) != nil {
			continue
		}
		b.mu.Lock()
		switch {
		case m.ID != 0:
			if c := b.answers[m.ID]; c != nil {
				c <- slices.Clone(line[:len(line)-1])
				delete(b.answers, m.ID)
			}
		case m.Method == "Network.requestWillBeSent":
			b.requests = append(b.requests, m.Params.Request.URL)
		case m.Method == "Page.loadEventFired":
			b.loaded++
		case m.Method == "Runtime.exceptionThrown":
			b.faults = append(b.faults, m.Params.ExceptionDetails.Text+" "+m.Params.ExceptionDetails.Exception.Description)
		case m.Method == "Log.entryAdded" && !strings.HasSuffix(m.Params.Entry.URL, "/favicon.ico"):
			b.faults = append(b.faults, fmt.Sprint(m.Params.Entry))
		}
		b.mu.Unlock()
	}
}

// call asks the browser for something and reads the answer's result.
func (b *browser) call(method string, params, result any) {
	b.t.Helper()
	if params == nil {
		params = struct{}{}
	}
	b.mu.Lock()
	b.next++
	id, c := b.next, make(chan json.RawMessage, 1)
	b.answers[id] = c
	b.mu.Unlock()
	q := map[string]any{"id": id, "method": method, "params": params}
	if b.session != "" {
		q["sessionId"] = b.session
	}
	text, err := json.Marshal(q)
	if err != nil {
		b.t.Fatal(err)
	}
	if _, err := b.out.Write(append(text, 0)); err != nil {
		b.t.Fatal(err)
	}
	select {
	case line, ok := <-c:
		var a struct {
			Result json.RawMessage
			Error  *struct{ Message string }
		}
		if !ok {
			b.t.Fatalf("%s: the browser is gone", method)
		}
		if err := json.Unmarshal(line, &a); err != nil || a.Error != nil {
			b.t.Fatalf("%s: %v %+v", method, err, a.Error)
		}
		if result != nil {
			if err := json.Unmarshal(a.Result, result); err != nil {
				b.t.Fatalf("%s: %v", method, err)
			}
		}
	case <-time.After(60 * time.Second):
		b.t.Fatalf("%s: the browser does not answer", method)
	}
}

// eval gives what an expression comes to.
func (b *browser) eval(expression string) (v any) {
	b.t.Helper()
	var r struct {
		Result           struct{ Value any }
		ExceptionDetails *struct {
			Text      string
			Exception struct{ Description string }
		}
	}
	b.call("Runtime.evaluate", map[string]any{"expression": expression, "returnByValue": true, "awaitPromise": true}, &r)
	if r.ExceptionDetails != nil {
		b.t.Fatalf("%s: %s", expression, r.ExceptionDetails.Exception.Description)
	}
	return r.Result.Value
}

func (b *browser) until(what, expression string) {
	b.t.Helper()
	for end := time.Now().Add(20 * time.Second); b.eval(expression) != true; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			b.t.Fatalf("not within 20 s: %s; the page says %v", what, b.eval("document.body.innerText.slice(0, 600)"))
		}
	}
}

func (b *browser) open(address string) {
	b.t.Helper()
	b.mu.Lock()
	n := b.loaded
	b.mu.Unlock()
	b.call("Page.navigate", map[string]any{"url": address}, nil)
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		b.mu.Lock()
		ok := b.loaded > n
		b.mu.Unlock()
		if ok {
			return
		}
		if time.Now().After(end) {
			b.t.Fatal("the page did not load")
		}
	}
}

// key presses a key as a keyboard does.
func (b *browser) key(key, code, text string, virtual int) {
	b.t.Helper()
	for _, kind := range []string{"keyDown", "keyUp"} {
		p := map[string]any{"type": kind, "key": key, "code": code, "windowsVirtualKeyCode": virtual}
		if kind == "keyDown" && text != "" {
			p["text"] = text
		}
		b.call("Input.dispatchKeyEvent", p, nil)
	}
}

// click presses the mouse in the middle of an element.
func (b *browser) click(selector string) {
	b.t.Helper()
	at, ok := b.eval(fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.scrollIntoView({block: "center"}); const r = e.getBoundingClientRect();
		return [r.x + r.width/2, r.y + r.height/2] })()`, selector)).([]any)
	if !ok {
		b.t.Fatalf("there is no %s", selector)
	}
	for _, kind := range []string{"mousePressed", "mouseReleased"} {
		b.call("Input.dispatchMouseEvent", map[string]any{"type": kind, "x": at[0], "y": at[1], "button": "left", "clickCount": 1}, nil)
	}
}

func (b *browser) screen(width, height int, dark bool) {
	b.t.Helper()
	b.call("Emulation.setDeviceMetricsOverride", map[string]any{"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600}, nil)
	scheme := map[bool]string{false: "light", true: "dark"}[dark]
	b.call("Emulation.setEmulatedMedia", map[string]any{"features": []map[string]string{{"name": "prefers-color-scheme", "value": scheme}}}, nil)
}

// shot keeps a picture of the whole page in a folder that CUSHWRIGHT_SHOTS names, or in one that goes with the test.
func (b *browser) shot(name string) {
	b.t.Helper()
	dir := os.Getenv("CUSHWRIGHT_SHOTS")
	if dir == "" {
		dir = b.t.TempDir()
	}
	var r struct{ Data string }
	b.call("Page.captureScreenshot", map[string]any{"format": "png", "captureBeyondViewport": true}, &r)
	png, err := base64.StdEncoding.DecodeString(r.Data)
	if err != nil || len(png) < 10_000 {
		b.t.Fatalf("a picture of %d bytes, %v", len(png), err)
	}
	if err := os.WriteFile(filepath.Join(dir, name+".png"), png, 0o644); err != nil {
		b.t.Fatal(err)
	}
}

// noFaults says what went wrong in the page since the last time.
func (b *browser) noFaults(when string) {
	b.t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, f := range b.faults {
		b.t.Errorf("%s: %s", when, f)
	}
	b.faults = nil
}
