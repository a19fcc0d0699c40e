package page

import (
	"context"
	"errors"
	"io"
	"net/http"
	"regexp"
	"strings"
	"testing"

	"cushwright/cmd/internal/viewtest"
	"cushwright/engine/control"
)

// TestPageWithoutEngine: the page is there without an engine, shows no figures, and has a button that starts one.
func TestPageWithoutEngine(t *testing.T) {
	p, addr := servePage(t, &viewtest.Engine{Err: control.ErrNoEngine}, pageFolder(t))
	booted := 0
	var refused error
	p.boot = func(context.Context) error { booted++; return refused }
	v := viewtest.Enter(t, p.Admit(addr))
	for _, id := range []string{"in-db", "in-hold", "out-db", "out-hold", "guard-db"} {
		if !strings.Contains(v.Body, `id="`+id+`">–</`) {
			t.Errorf("%s is not empty", id)
		}
	}
	if strings.Contains(v.Body, "control:") || !strings.Contains(v.Body, ">No engine</h1>") || strings.Contains(v.Body, "Curves of") {
		t.Error("the page looks live")
	}
	start := regexp.MustCompile(`<form id="start"[^>]*>`)
	if form := start.FindString(v.Body); form == "" || strings.Contains(form, "hidden") {
		t.Errorf("no button to start the engine: %q", form)
	}
	post := func() string {
		t.Helper()
		r, err := http.NewRequest("POST", v.Home+"start", strings.NewReader("token="+v.Token()))
		if err != nil {
			t.Fatal(err)
		}
		r.Header = http.Header{"Content-Type": {"application/x-www-form-urlencoded"}, "Origin": {v.At}, "X-Page-Script": {"1"}}
		res, err := v.HTTP.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		b, _ := io.ReadAll(res.Body)
		return res.Status + " " + string(b)
	}
	if got := post(); booted != 1 || !strings.HasPrefix(got, "204") {
		t.Errorf("started %d times: %s", booted, got)
	}
	refused = errors.New("cushwright: run: no sound server answers")
	if got := post(); !strings.Contains(got, "Run: no sound server answers") {
		t.Errorf("a failed start: %s", got)
	}
	p.boot = nil
	if w := viewtest.Enter(t, p.Admit(addr)); !strings.Contains(start.FindString(w.Body), "hidden") {
		t.Error("a button that can do nothing")
	}
}

// TestPageShowsBypassAndOutput: bypass stands as large as the cushion's name, and the meter is named after the output.
func TestPageShowsBypassAndOutput(t *testing.T) {
	g := &guarded{Engine: viewtest.Engine{St: viewtest.Status()}}
	p, addr := servePage(t, g, pageFolder(t))
	for _, on := range []bool{false, true} {
		g.mu.Lock()
		g.St.Bypass = on
		g.mu.Unlock()
		v := viewtest.Enter(t, p.Admit(addr))
		if shown := strings.Contains(v.Body, `<p id="mode" class="mode">Bypass</p>`); shown != on {
			t.Errorf("bypass %v is shown: %v", on, shown)
		}
		if !strings.Contains(v.Body, `<span id="out-name">invented booth amplifier</span>`) {
			t.Error("the meter is not named after the output")
		}
	}
	size := func(rule string) string {
		m := regexp.MustCompile(`(?m)^` + regexp.QuoteMeta(rule) + ` \{.*?font-size: ([^;]+)`).FindSubmatch(file("page.css"))
		if m == nil {
			t.Fatalf("no size of %s", rule)
		}
		return string(m[1])
	}
	if a, b := size("h1"), size(".mode"); a != b {
		t.Errorf("the cushion's name has %s, bypass %s", a, b)
	}
}
