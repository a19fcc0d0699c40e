package page

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"cushwright/cmd/internal/viewtest"
	"cushwright/config"
)

// TestPageRefuses: what does not come from the page itself, opened by its address, changes nothing and reads nothing.
func TestPageRefuses(t *testing.T) {
	snap := pageFolder(t)
	g := &guarded{Engine: viewtest.Engine{St: viewtest.Status()}}
	p, addr := servePage(t, g, snap)
	address := p.Admit(addr)
	host := addr.String()
	if !strings.HasPrefix(host, "127.0.0.1:") {
		t.Fatalf("it listens on %s", host)
	}
	v := viewtest.Enter(t, address)
	for _, want := range []string{"wipe-clean", "deep-foam", "woven", "<svg", "Mind your ears", "Settings for sliders"} {
		if !strings.Contains(v.Body, want) {
			t.Errorf("the page has no %q", want)
		}
	}
	for _, never := range []string{"style=", "onclick", "http://", "https://", "<script>"} {
		body := strings.ReplaceAll(v.Body, "http://www.w3.org/2000/svg", "")
		body = strings.ReplaceAll(body, "http://www.w3.org/1999/xlink", "")
		if at := strings.Index(body, never); at >= 0 {
			t.Errorf("the page has %q: %q", never, body[max(0, at-60):min(len(body), at+60)])
		}
	}
	room, err := url.Parse(v.Home)
	if err != nil {
		t.Fatal(err)
	}
	cookies := v.HTTP.Jar.Cookies(room)
	if len(cookies) != 1 || len(v.HTTP.Jar.Cookies(&url.URL{Scheme: "http", Host: "127.0.0.1:1", Path: "/"})) != 0 {
		t.Fatalf("cookies: %v", cookies)
	}
	cookie := cookies[0].Name + "=" + cookies[0].Value
	form := url.Values{"token": {v.Token()}, "cushion": {"deep-foam"}, "mode": {"on"}}.Encode()
	good := func() *http.Request {
		r, err := http.NewRequest("POST", v.Home+"wear", strings.NewReader(form))
		if err != nil {
			t.Fatal(err)
		}
		r.Header = http.Header{"Content-Type": {"application/x-www-form-urlencoded"}, "Origin": {"http://" + host}, "Cookie": {cookie}, "X-Page-Script": {"1"},
			"Sec-Fetch-Site": {"same-origin"}}
		return r
	}
	read := func(path string) *http.Request {
		r := good()
		r.Method, r.Body, r.ContentLength = "GET", nil, 0
		r.URL.Path = path
		return r
	}
	set := func(r *http.Request, key, value string) *http.Request {
		if value == "" {
			r.Header.Del(key)
		} else {
			r.Header.Set(key, value)
		}
		return r
	}
	body := func(r *http.Request, text string) *http.Request {
		r.Body, r.ContentLength = io.NopCloser(strings.NewReader(text)), int64(len(text))
		return r
	}
	named := func(r *http.Request, host string) *http.Request { r.Host = host; return r }
	path := func(r *http.Request, path string) *http.Request { r.URL.Path = path; return r }
	for _, c := range []struct {
		name string
		r    *http.Request
		code int
	}{
		{"as the page does", good(), http.StatusNoContent},
		{"without a cookie", set(good(), "Cookie", ""), http.StatusForbidden},
		{"with another cookie", set(good(), "Cookie", "room=AAAAAAAAAAAAAAAAAAAAAAAAAA"), http.StatusForbidden},
		{"without a token", body(good(), "cushion=deep-foam"), http.StatusForbidden},
		{"with the address' token", body(good(), "cushion=deep-foam&token="+address[len(address)-26:]), http.StatusForbidden},
		{"with the token in the address only", func() *http.Request {
			r := body(good(), "cushion=deep-foam")
			r.URL.RawQuery = "token=" + v.Token()
			return r
		}(), http.StatusForbidden},
		{"without an origin", set(good(), "Origin", ""), http.StatusForbidden},
		{"from a foreign origin", set(good(), "Origin", "http://example.org"), http.StatusForbidden},
		{"from another port", set(good(), "Origin", "http://127.0.0.1:1"), http.StatusForbidden},
		{"from the same name by https", set(good(), "Origin", "https://"+host), http.StatusForbidden},
		{"from no origin", set(good(), "Origin", "null"), http.StatusForbidden},
		{"cross-site", set(good(), "Sec-Fetch-Site", "cross-site"), http.StatusForbidden},
		{"same-site", set(good(), "Sec-Fetch-Site", "same-site"), http.StatusForbidden},
		{"to a foreign host", named(good(), "example.org"), http.StatusMisdirectedRequest},
		{"to a foreign host with our port", named(good(), "example.org:"+strings.TrimPrefix(host, "127.0.0.1:")), http.StatusMisdirectedRequest},
		{"to a name for this computer", named(good(), strings.Replace(host, "127.0.0.1", "localhost", 1)), http.StatusMisdirectedRequest},
		{"to another room", path(good(), "/AAAAAAAAAAAAAAAAAAAAAAAAAA/wear"), http.StatusForbidden},
		{"by GET", read(room.Path + "wear"), http.StatusMethodNotAllowed},
		{"by PUT", func() *http.Request { r := good(); r.Method = "PUT"; return r }(), http.StatusMethodNotAllowed},
		{"too long", body(good(), form+"&x="+strings.Repeat("x", 5000)), http.StatusBadRequest},
		{"something else", path(good(), room.Path+"stop"), http.StatusNotFound},
		{"the page as the browser does", read(room.Path), http.StatusOK},
		{"the page without a cookie", set(read(room.Path), "Cookie", ""), http.StatusForbidden},
		{"the page cross-site", set(set(read(room.Path), "Sec-Fetch-Site", "cross-site"), "Origin", ""), http.StatusForbidden},
		{"the page under a foreign name", named(read(room.Path), "example.org"), http.StatusMisdirectedRequest},
		{"the stream without a cookie", set(read(room.Path+"live"), "Cookie", ""), http.StatusForbidden},
		{"the stream cross-site", set(read(room.Path+"live"), "Origin", "http://example.org"), http.StatusForbidden},
		{"the lower part without a cookie", set(read(room.Path+"bench"), "Cookie", ""), http.StatusForbidden},
		{"the style without a cookie", set(read(room.Path+"page.css"), "Cookie", ""), http.StatusForbidden},
		{"another file", read(room.Path + "page.html"), http.StatusNotFound},
		{"no room", read("/"), http.StatusNotFound},
		{"the address once more", func() *http.Request {
			r := read("/open")
			r.URL.RawQuery = strings.TrimPrefix(address[strings.Index(address, "?"):], "?")
			return r
		}(), http.StatusForbidden},
		{"a guess", read("/open"), http.StatusForbidden},
	} {
		before := g.requests()
		res, err := (&http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}).Do(c.r)
		if err != nil {
			t.Fatal(c.name, err)
		}
		text, _ := io.ReadAll(res.Body)
		res.Body.Close()
		if res.StatusCode != c.code {
			t.Errorf("%s: %s, want %d", c.name, res.Status, c.code)
		}
		if changed := g.requests() != before; changed != (c.code == http.StatusNoContent) {
			t.Errorf("%s: changed something: %v", c.name, changed)
		}
		if c.code >= 400 && (strings.Contains(string(text), "woven") || strings.Contains(string(text), "dBFS")) {
			t.Errorf("%s: it tells %.100q", c.name, text)
		}
		h := res.Header
		if !strings.HasPrefix(h.Get("Content-Security-Policy"), "default-src 'none'; script-src 'self';") || strings.Contains(h.Get("Content-Security-Policy"), "unsafe") ||
			h.Get("X-Content-Type-Options") != "nosniff" || h.Get("Cache-Control") != "no-store" || h.Get("Access-Control-Allow-Origin") != "" {
			t.Errorf("%s: header %v", c.name, h)
		}
	}
	// A form without script comes back to the page; a refusal of the engine is said there.
	g.mu.Lock()
	g.Err = errors.New("cushwright: a listening trial is under way: end it first")
	g.mu.Unlock()
	r := set(good(), "X-Page-Script", "")
	res, err := (&http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}).Do(r)
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	if l := res.Header.Get("Location"); res.StatusCode != http.StatusSeeOther || !strings.HasPrefix(l, "./?said=A+listening") {
		t.Errorf("%s to %q", res.Status, l)
	}
	r.Body = io.NopCloser(strings.NewReader(form))
	set(r, "X-Page-Script", "1")
	if res, err = http.DefaultClient.Do(r); err != nil {
		t.Fatal(err)
	}
	if res.Body.Close(); res.StatusCode != http.StatusConflict {
		t.Errorf("a refusal of the engine: %s", res.Status)
	}
	// The cookie and the address.
	second := p.Admit(addr)
	res, err = (&http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}).Get(second)
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	c := res.Header.Get("Set-Cookie")
	for _, want := range []string{"HttpOnly", "SameSite=Strict", "Path=/"} {
		if !strings.Contains(c, want) {
			t.Errorf("the cookie lacks %s: %s", want, c)
		}
	}
	if strings.Contains(c, "Path=/;") || strings.HasSuffix(c, "Path=/") {
		t.Errorf("every server of this computer is sent the cookie: %s", c)
	}
}

// TestPageContrast: text stands out from its ground by 4.5 to 1 or more in both colour schemes (WCAG 2.2, success
// criterion 1.4.3; its definition of relative luminance), marks and frames by 3 to 1 (1.4.11).
func TestPageContrast(t *testing.T) {
	css := string(file("page.css"))
	schemes := regexp.MustCompile(`(?s):root \{(.*?)\}`).FindAllStringSubmatch(css, -1)
	if len(schemes) != 2 {
		t.Fatalf("%d colour schemes", len(schemes))
	}
	for i, scheme := range schemes {
		colour := map[string]float64{} // relative luminance
		for _, m := range regexp.MustCompile(`--([a-z-]+): #([0-9a-f]{6})`).FindAllStringSubmatch(scheme[1], -1) {
			v, err := strconv.ParseUint(m[2], 16, 32)
			if err != nil {
				t.Fatal(err)
			}
			for k, w := range []float64{0.2126, 0.7152, 0.0722} {
				c := float64(v>>(16-8*k)&0xff) / 255
				if c <= 0.04045 {
					c /= 12.92
				} else {
					c = math.Pow((c+0.055)/1.055, 2.4)
				}
				colour[m[1]] += w * c
			}
		}
		for _, c := range []struct {
			over, under string
			least       float64
		}{{"ink", "ground", 4.5}, {"ink", "sheet", 4.5}, {"soft", "ground", 4.5}, {"soft", "sheet", 4.5}, {"act", "sheet", 4.5}, {"act", "ground", 4.5},
			{"on-act", "act", 4.5}, {"ink", "alarm-ground", 4.5}, {"alarm", "ground", 4.5}, {"out", "ground", 4.5}, {"guard", "ground", 3}, {"guard", "sheet", 3},
			{"in", "rule", 3}, {"out", "rule", 3}, {"guard", "rule", 3}, {"ink", "rule", 3}} {
			a, ok1 := colour[c.over]
			b, ok2 := colour[c.under]
			if !ok1 || !ok2 {
				t.Fatalf("no %s or %s", c.over, c.under)
			}
			if got := (max(a, b) + .05) / (min(a, b) + .05); got < c.least {
				t.Errorf("scheme %d: %s on %s: %.2f to 1, at least %g", i, c.over, c.under, got, c.least)
			}
		}
	}
}

// TestPageEscapes: names and messages come from files and devices.
func TestPageEscapes(t *testing.T) {
	snap := pageFolder(t)
	evil := `<script src="x"></script>"'&`
	g := &guarded{Engine: viewtest.Engine{St: viewtest.Status()}}
	g.St.Problems, g.St.Output, g.St.Reference = []string{evil}, evil, evil
	g.St.Bench = "/another/bench"
	p, addr := servePage(t, g, snap)
	v := viewtest.Enter(t, p.Admit(addr))
	if strings.Contains(v.Body, `<script src="x"`) || !strings.Contains(v.Body, "&lt;script src=&#34;x&#34;&gt;") {
		t.Error("a message is not escaped")
	}
	if !strings.Contains(v.Body, "now has another bench, /another/bench") {
		t.Error("another bench is not told")
	}
}

// TestPageSlowBrowser: a browser that takes nothing is dropped; the others and the engine do not feel it.
func TestPageSlowBrowser(t *testing.T) {
	snap := pageFolder(t)
	g := &guarded{Engine: viewtest.Engine{St: viewtest.Status()}}
	p, addr := servePage(t, g, snap)
	stream := func(v *viewtest.Visitor) net.Conn {
		u, err := url.Parse(v.Home)
		if err != nil {
			t.Fatal(err)
		}
		c, err := net.Dial("tcp4", addr.String())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { c.Close() })
		fmt.Fprintf(c, "GET %slive HTTP/1.1\r\nHost: %s\r\nCookie: room=%s\r\n\r\n", u.Path, addr, v.HTTP.Jar.Cookies(u)[0].Value)
		return c
	}
	slow := stream(viewtest.Enter(t, p.Admit(addr)))
	slow.(*net.TCPConn).SetReadBuffer(4096)
	quick := stream(viewtest.Enter(t, p.Admit(addr)))
	got := make(chan string, 1000)
	go func() {
		in := bufio.NewScanner(quick)
		in.Buffer(nil, 1<<22)
		for in.Scan() {
			if strings.HasPrefix(in.Text(), "event: ") {
				got <- in.Text()
			}
		}
	}()
	// Every message is large and new, so that the kernel's buffers fill soon.
	stop := make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		for n := 0; ; n++ {
			select {
			case <-stop:
				return
			case <-time.After(5 * time.Millisecond):
			}
			g.mu.Lock()
			g.St.Problems = []string{strings.Repeat(fmt.Sprint(n%10), 200_000)}
			g.mu.Unlock()
		}
	})
	defer wg.Wait()
	defer close(stop)
	dropped := func() int { p.live.mu.Lock(); defer p.live.mu.Unlock(); return p.live.dropped }
	for end := time.Now().Add(30 * time.Second); dropped() == 0; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("a browser that takes nothing is kept")
		}
	}
	for len(got) > 0 {
		<-got
	}
	g.mu.Lock()
	calls := g.calls
	g.mu.Unlock()
	const n = 20
	for range n {
		select {
		case <-got:
		case <-time.After(5 * time.Second):
			t.Fatal("the other browser gets nothing more")
		}
	}
	g.mu.Lock()
	calls = g.calls - calls
	g.mu.Unlock()
	if calls == 0 || calls > n+2 {
		t.Errorf("%d questions to the engine for %d messages", calls, n)
	}
	// Nobody looks: nobody asks.
	quick.Close()
	slow.Close()
	for end := time.Now().Add(10 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		p.live.mu.Lock()
		n := len(p.live.clients)
		p.live.mu.Unlock()
		if n == 0 {
			break
		}
		if time.Now().After(end) {
			t.Fatal("browsers that went are kept")
		}
	}
	time.Sleep(2 * askEvery)
	g.mu.Lock()
	calls = g.calls
	g.mu.Unlock()
	time.Sleep(4 * askEvery)
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.calls != calls {
		t.Errorf("%d questions to the engine though nobody looks", g.calls-calls)
	}
}

// TestPageDrawsOnce: what takes work is done once for a state of the bench, and again when a seat is added.
func TestPageDrawsOnce(t *testing.T) {
	snap := pageFolder(t)
	v := &view{snap: snap}
	start := time.Now()
	first := v.bench("wipe-clean")
	took := time.Since(start)
	if len(first.Fitted.Figures) != 3 || len(first.Fitted.Bands) == 0 || len(first.Fitted.Sliders) < 3 || len(first.Fitted.Notes) != 0 {
		t.Fatalf("%d figures, %d bands, %d rows of sliders, notes %q", len(first.Fitted.Figures), len(first.Fitted.Bands), len(first.Fitted.Sliders), first.Fitted.Notes)
	}
	if !strings.Contains(string(first.Fitted.Figures[0].SVG), "wipe-clean corrected") || !strings.Contains(string(first.Fitted.Figures[0].SVG), ">woven<") {
		t.Error("the first figure does not have the reference and the prediction")
	}
	key := v.key
	start = time.Now()
	again := v.bench("wipe-clean")
	t.Logf("drawn in %v, again in %v", took, time.Since(start))
	if &again.Fitted.Figures[0] != &first.Fitted.Figures[0] {
		t.Error("it was drawn anew")
	}
	seat, err := snap.Seats("wipe-clean")
	if err != nil {
		t.Fatal(err)
	}
	b, err := snap.LoadSeat(seat[0])
	if err != nil {
		t.Fatal(err)
	}
	text := "freq_hz,level_db\n"
	for i, f := range b.FreqHz {
		text += fmt.Sprintf("%g,%g\n", f, b.LevelDB[i]+1)
	}
	if err := config.WriteAtomic(filepath.Join(snap.Dir, "seats", "wipe-clean", "left-77.csv"), []byte(text)); err != nil {
		t.Fatal(err)
	}
	if v.bench("wipe-clean"); v.key == key {
		t.Error("a new seat is not seen")
	}
	// Cushions without a correction, and a name that is gone.
	if f := v.bench("woven").Fitted; len(f.Figures) != 2 || len(f.Bands) != 0 {
		t.Errorf("woven: %d figures, %d bands", len(f.Figures), len(f.Bands))
	}
	if f := v.bench("nobody").Fitted; len(f.Figures) != 0 {
		t.Errorf("nobody: %+v", f)
	}
}

// TestUnmatchedIsSaid: with the match off, the page warns of it.
func TestUnmatchedIsSaid(t *testing.T) {
	snap := pageFolder(t)
	for _, match := range []string{"pink", "programme", "off", "pink"} {
		snap.Settings.Bypass.Match = match
		cautions := strings.Join((&view{snap: snap}).bench("woven").Cautions, " ")
		if got := strings.Contains(cautions, "not matched in loudness"); got != (match == "off") {
			t.Errorf("match %s: the page's cautions: %q", match, cautions)
		}
	}
}

// A faulty record is named on the page, and all that is in order is shown.
func TestPageNamesABadRecord(t *testing.T) {
	dir := pageFolder(t).Dir
	if err := os.WriteFile(filepath.Join(dir, "corrections", "deep-foam.toml"), []byte("bnd = 1\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	snap, err := config.LoadGood(dir)
	if err != nil {
		t.Fatal(err)
	}
	b := (&view{snap: snap}).bench("wipe-clean")
	if len(b.Fitted.Bands) == 0 || !strings.Contains(strings.Join(b.Cautions, "\n"), `"corrections/deep-foam.toml": line 1`) {
		t.Errorf("%d bands, %q", len(b.Fitted.Bands), b.Cautions)
	}
	for _, k := range b.Cushions {
		if k.Name == "deep-foam" && k.Sound != "its correction cannot be read" {
			t.Errorf("%+v", k)
		}
	}
	if len(b.Cushions) != 3 {
		t.Errorf("%d cushions", len(b.Cushions))
	}
}
