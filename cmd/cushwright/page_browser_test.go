//go:build !windows

package main

import (
	"bufio"
	"bytes"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"cushwright/config"
	"cushwright/engine/control"
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

const pageText = `(id => document.getElementById(id).textContent)`

// TestPageInBrowser opens the page of a whole engine in Chromium and uses it by keyboard and mouse.
func TestPageInBrowser(t *testing.T) {
	svc, cl, hangUp := pageService(t)
	snap, err := config.Load(svc.dir)
	if err != nil {
		t.Fatal(err)
	}
	p, addr := servePage(t, cl, snap)
	b := startBrowser(t)
	b.screen(1280, 900, false)
	address := p.admit(addr)
	b.open(address)
	if at := fmt.Sprint(b.eval("location.href")); strings.Contains(at, "token") || !strings.HasPrefix(at, "http://"+addr.String()+"/") {
		t.Errorf("the page is at %s", at)
	}
	if got := b.eval(`document.cookie`); got != "" {
		t.Errorf("scripts can read the cookie: %v", got)
	}
	b.until("the fitted cushion", pageText+`("now") === "wipe-clean"`)
	for what, want := range map[string]float64{"figure svg": 3, ".cushions > li": 3, ".sliders": 3} {
		if got := b.eval(fmt.Sprintf("document.querySelectorAll(%q).length", what)); got != want {
			t.Errorf("%s: %v, want %v", what, got, want)
		}
	}
	if got := b.eval(`[...document.querySelectorAll("#bands ~ .scroll tbody tr")].length`); got != float64(svc.session.Status().Bands) {
		t.Errorf("%v bands on the page, %d in the engine", got, svc.session.Status().Bands)
	}

	// The meters move.
	seen := map[string]map[any]bool{}
	for range 40 {
		for what, expr := range map[string]string{"input": pageText + `("in-db")`, "output": pageText + `("out-db")`,
			"bar": `document.querySelector("#out .fill").style.transform`, "value": `document.getElementById("out").getAttribute("aria-valuenow")`} {
			if seen[what] == nil {
				seen[what] = map[any]bool{}
			}
			seen[what][b.eval(expr)] = true
		}
		time.Sleep(60 * time.Millisecond)
	}
	for what, n := range map[string]int{"input": 8, "output": 8, "bar": 8, "value": 2} {
		if len(seen[what]) < n {
			t.Errorf("the %s has only %d values in 2.4 s: %v", what, len(seen[what]), seen[what])
		}
	}
	b.noFaults("opened")

	// Every control has a name, by the tree that screen readers get.
	var tree struct {
		Nodes []struct {
			Ignored    bool
			Role, Name struct{ Value any }
		}
	}
	b.call("Accessibility.getFullAXTree", nil, &tree)
	roles := map[string]int{}
	for _, n := range tree.Nodes {
		role := fmt.Sprint(n.Role.Value)
		if n.Ignored {
			continue
		}
		roles[role]++
		if slices.Contains([]string{"button", "link", "meter", "image", "heading", "DisclosureTriangle", "figure"}, role) && role != "figure" &&
			(n.Name.Value == nil || strings.TrimSpace(fmt.Sprint(n.Name.Value)) == "") {
			t.Errorf("a %s without a name", role)
		}
	}
	for role, n := range map[string]int{"button": 4, "meter": 3, "heading": 6, "main": 1, "status": 1, "table": 1, "image": 3} {
		if roles[role] < n {
			t.Errorf("%d of role %s, want at least %d: %v", roles[role], role, n, roles)
		}
	}

	// From the top by the keyboard alone: tab until the wanted button has the focus, then Enter.
	b.eval(`document.activeElement.blur()`)
	for range 40 {
		b.key("Tab", "Tab", "", 9)
		if b.eval(`document.activeElement.dataset.cushion === "deep-foam"`) == true {
			break
		}
	}
	if b.eval(`getComputedStyle(document.activeElement).outlineStyle`) == "none" {
		t.Error("the focus cannot be seen")
	}
	b.key("Enter", "Enter", "\r", 13)
	b.until("deep-foam worn", pageText+`("now") === "deep-foam" && document.querySelector(".fitted h3").textContent === "deep-foam"`)
	if st := svc.Status(); st.Cushion != "deep-foam" {
		t.Errorf("the engine has %s", st.Cushion)
	}
	b.until("its curves", `document.getElementById("curves").textContent === "Curves of deep-foam"`)
	b.until("a place for the focus", `document.activeElement.dataset.cushion === "deep-foam"`)
	if got := b.eval("document.title"); got != "deep-foam fitted" {
		t.Errorf("the title is %v", got)
	}
	b.click(`[data-cushion="wipe-clean"]`)
	b.until("wipe-clean worn again", pageText+`("now") === "wipe-clean" && document.querySelector('[data-cushion="wipe-clean"]').ariaDisabled === "true"`)

	// Bypass by the mouse and by the space bar.
	pressed := `document.getElementById("bypass").getAttribute("aria-pressed")`
	b.click("#bypass")
	b.until("bypass", pressed+` === "true"`)
	if !svc.Status().Bypass {
		t.Error("the engine is not bypassed")
	}
	b.until("what is heard", pageText+`("heard").startsWith("Bypass: no correction")`)
	b.eval(`document.getElementById("bypass").focus()`)
	b.key(" ", "Space", " ", 32)
	b.until("no bypass", pressed+` === "false"`)
	if svc.Status().Bypass {
		t.Error("the engine is still bypassed")
	}

	// An edit with a mistake, and its mending. What is open stays open.
	b.eval(`document.querySelector("#sliders ~ details").open = true`)
	file := filepath.Join(svc.dir, "corrections", "wipe-clean.toml")
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := config.WriteAtomic(file, append(slices.Clone(text), "\n[[band]]\nshape = \"bell\"\nfreq_hz = 1000\ngain_db = -6.0\nq = 200.0\n"...)); err != nil {
		t.Fatal(err)
	}
	b.until("the mistake", `!document.getElementById("problems").hidden && document.getElementById("problems").textContent.includes("corrections/wipe-clean.toml")`)
	b.shot("problem-1280")
	bands := svc.session.Status().Bands
	if err := config.WriteAtomic(file, append(slices.Clone(text), "\n[[band]]\nshape = \"bell\"\nfreq_hz = 1000\ngain_db = -6.0\nq = 2.0\n"...)); err != nil {
		t.Fatal(err)
	}
	b.until("no mistake", `document.getElementById("problems").hidden`)
	b.until("the new band", fmt.Sprintf(`document.querySelectorAll("#bands ~ .scroll tbody tr").length === %d`, bands+1))
	if b.eval(`document.querySelector("#sliders ~ details").open`) != true {
		t.Error("what was open is shut")
	}
	b.noFaults("used")

	// Pictures, and no sideways scrolling.
	for _, s := range []struct {
		name          string
		width, height int
		dark          bool
	}{{"desktop-light", 1280, 900, false}, {"desktop-dark", 1280, 900, true}, {"phone-light", 390, 844, false}, {"phone-dark", 390, 844, true}, {"narrow", 320, 640, false}} {
		b.screen(s.width, s.height, s.dark)
		b.until("laid out", fmt.Sprintf(`innerWidth === %d`, s.width))
		if got := b.eval(`document.documentElement.scrollWidth - document.documentElement.clientWidth`); got != 0.0 {
			t.Errorf("%s: %v pixels too wide", s.name, got)
		}
		b.shot(s.name)
	}
	b.screen(1280, 900, false)

	// A trial: the page tells nothing that differs between the sides, and changes nothing.
	ask := func(q control.TrialRequest) {
		t.Helper()
		q.Token = token
		if err := svc.Trial(t.Context(), q); err != nil {
			t.Fatal(err)
		}
	}
	ask(control.TrialRequest{Hidden: true, First: none, Second: "wipe-clean"})
	b.until("the trial", `!document.getElementById("hidden").hidden && document.getElementById("bypass").disabled && [...document.querySelectorAll("[data-cushion]")].every(b => b.disabled || b.ariaDisabled)`)
	b.until("a hidden level", pageText+`("out-db") === "hidden"`)
	// All of the page but the input's level and the delay, which move by themselves; and, as a program would read it, the stream.
	b.eval(`window.heardOf = []; new EventSource("live").addEventListener("meters", e => heardOf.push(e.data)); 0`)
	whole := `(() => { const c = document.documentElement.cloneNode(true); for (const id of ["in", "in-db", "in-hold", "figures"]) c.querySelector("#" + id).remove(); return c.outerHTML })()`
	r := rand.New(rand.NewPCG(5, 6))
	first, differs := "", 0
	for range 12 {
		ask(control.TrialRequest{Hidden: true, Side: []string{"first", "second"}[r.IntN(2)]})
		for range 3 {
			time.Sleep(60 * time.Millisecond)
			got := fmt.Sprint(b.eval(whole))
			if first == "" {
				first = got
			} else if got != first {
				if at := 0; differs == 0 {
					for at < min(len(got), len(first)) && got[at] == first[at] {
						at++
					}
					t.Logf("at first %q, now %q", first[max(0, at-80):min(len(first), at+60)], got[max(0, at-80):min(len(got), at+60)])
				}
				differs++
			}
		}
	}
	if differs > 0 {
		t.Errorf("the page changed %d times in a trial", differs)
	}
	var told []struct {
		Out   float64 `json:"out_db"`
		True  float64 `json:"out_true_db"`
		Hold  float64 `json:"out_hold_db"`
		Guard float64 `json:"guard_db"`
	}
	if err := json.Unmarshal([]byte("["+strings.Join(strings.Fields(fmt.Sprint(b.eval(`heardOf.join(",")`))), " ")+"]"), &told); err != nil || len(told) < 10 {
		t.Fatalf("%d readings, %v", len(told), err)
	}
	for _, m := range told {
		if m != told[0] || m.Out != -200 {
			t.Fatalf("the stream tells %+v in a trial", m)
		}
	}
	if got := b.eval(`fetch("bypass", {method: "POST", headers: {"X-Page-Script": "1"}, body: new URLSearchParams({token: document.querySelector("[name=token]").value, mode: "on"})}).then(r => r.status)`); got != 409.0 {
		t.Errorf("bypass in a trial: status %v", got)
	}
	b.shot("trial-1280")
	ask(control.TrialRequest{})
	b.until("the end of the trial", `document.getElementById("hidden").hidden && !document.getElementById("bypass").disabled`)
	b.mu.Lock()
	b.faults = slices.DeleteFunc(b.faults, func(f string) bool { return strings.Contains(f, "409") })
	b.mu.Unlock()
	b.noFaults("after the trial")

	// The engine goes.
	hangUp()
	b.until("the loss", `!document.getElementById("lost").hidden && document.getElementById("state").textContent === "lost" && document.getElementById("bypass").disabled`)

	// Nothing was asked of anybody else.
	b.mu.Lock()
	defer b.mu.Unlock()
	kinds := map[string]int{}
	for _, s := range b.requests {
		u, err := url.Parse(s)
		if err != nil || u.Scheme != "http" || u.Host != addr.String() {
			t.Errorf("a request to %s", s)
			continue
		}
		kinds[u.Path[strings.LastIndex(u.Path, "/")+1:]]++
	}
	t.Logf("requests, all to %s: %v", addr, kinds)
	if kinds["live"] == 0 || kinds["page.js"] == 0 || kinds["wear"] != 2 {
		t.Errorf("requests seen: %v", kinds)
	}
}
