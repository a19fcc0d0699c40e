//go:build !windows

package page

import (
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"cushwright/config"
	"cushwright/engine/control"
)

const token = "0123456789abcdef" // of a trial

const pageText = `(id => document.getElementById(id).textContent)`

// TestPageInBrowser opens the page of a whole engine in Chromium and uses it by keyboard and mouse.
func TestPageInBrowser(t *testing.T) {
	svc := startWhole(t)
	snap, err := config.Load(svc.dir)
	if err != nil {
		t.Fatal(err)
	}
	p, addr := servePage(t, svc.client, snap)
	started := make(chan bool, 1)
	p.boot = func(context.Context) error { started <- true; return nil }
	b := startBrowser(t)
	b.screen(1280, 900, false)
	address := p.Admit(addr)
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
	if got := b.eval(`[...document.querySelectorAll("#bands ~ .scroll tbody tr")].length`); got != float64(svc.Status().Bands) {
		t.Errorf("%v bands on the page, %d in the engine", got, svc.Status().Bands)
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
	bands := svc.Status().Bands
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
	ask(control.TrialRequest{Hidden: true, First: "none", Second: "wipe-clean"})
	b.until("the trial", `!document.getElementById("hidden").hidden && document.getElementById("bypass").disabled && [...document.querySelectorAll("[data-cushion]")].every(b => b.disabled || b.ariaDisabled)`)
	b.until("a hidden level", pageText+`("out-db") === "hidden"`)
	// All of the page but the input's level and the delay, which move by themselves; and, as a program would read it,
	// the stream.
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
	svc.hangUp()
	b.until("the loss", `!document.getElementById("lost").hidden && document.getElementById("state").textContent === "no engine" && document.getElementById("bypass").disabled`)
	for what, id := range map[string]string{"input": "in", "output": "out"} {
		if got := b.eval(fmt.Sprintf(`[%[1]q + "-db", %[1]q + "-hold"].map(%[2]s).join() + document.querySelector("#" + %[1]q + " .fill").style.transform`,
			id, pageText)); got != "–,–scaleX(0)" {
			t.Errorf("without an engine the %s shows %v", what, got)
		}
	}
	if got := b.eval(pageText + `("now") + document.title + ` + pageText + `("figures")`); got != "No engineNo engine" {
		t.Errorf("the last frame looks live: %v", got)
	}
	b.shot("lost-1280")
	b.eval(`document.querySelector("#start button").click()`)
	select {
	case <-started:
	case <-time.After(5 * time.Second):
		t.Error("the button starts no engine")
	}

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
