package watch

import (
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	tea "charm.land/bubbletea/v2"
	"github.com/charmbracelet/x/ansi"

	"cushwright/cmd/internal/service"
	"cushwright/cmd/internal/viewtest"
	"cushwright/engine/control"
)

var update = flag.Bool("update", false, "write the golden views anew")

// views are states of the view with the names of their golden files.
func views() map[string]func(*view, *viewtest.Engine) {
	return map[string]func(*view, *viewtest.Engine){
		"running": func(v *view, p *viewtest.Engine) {},
		"problems": func(v *view, p *viewtest.Engine) {
			p.St.Problems = []string{`corrections/wipe-clean.toml: line 12: q is 200, allowed: 0.1 to 100`,
				`settings.toml: line 3: guard.ceiling_db is 2, allowed: -20 to 0 dB`}
			p.St.KeysTaken = []string{"ctrl+alt+b (bypass): taken by another program"}
			p.St.Bypass, p.St.Muted = true, true
			p.St.Counters.Overs, p.St.Counters.Underruns = 5, 2
			p.St.Summary = service.Summary(p.St)
		},
		"unmatched": func(v *view, p *viewtest.Engine) {
			p.St.Match = service.MatchOff
		},
		"keys": func(v *view, p *viewtest.Engine) {
			v.Update(tea.KeyPressMsg{Code: '?', Text: "?"})
		},
		"lost": func(v *view, p *viewtest.Engine) { p.Err = control.ErrNoEngine },
		"trial": func(v *view, p *viewtest.Engine) {
			p.St.Trial = true
			p.St.Summary = service.Summary(p.St)
		},
	}
}

func TestGolden(t *testing.T) {
	for _, size := range []struct {
		name          string
		width, height int
	}{{"80x24", 80, 24}, {"60x20", 60, 20}} {
		for name, change := range views() {
			p := &viewtest.Engine{St: viewtest.Status()}
			now := time.Date(2026, 11, 25, 13, 4, 0, 0, time.UTC)
			v := &view{ask: p, now: func() time.Time { return now }}
			v.Update(tea.WindowSizeMsg{Width: size.width, Height: size.height})
			v.Update(v.Init()())
			now = now.Add(22 * time.Second)
			change(v, p)
			v.Update(v.poll()())
			got := v.View().Content + "\n"
			file := filepath.Join("testdata", name+"-"+size.name+".txt")
			if *update {
				if err := os.MkdirAll("testdata", 0o755); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("%s is\n%s\nnot\n%s", file, got, want)
			}
		}
	}
}

// TestFits: whatever the size and the names, the view keeps within it, and has no control characters or colours.
func TestFits(t *testing.T) {
	p := &viewtest.Engine{St: viewtest.Status()}
	p.St.Output = "bad\x1b[31m\tname\u202e 耳機 " + strings.Repeat("very ", 40)
	p.St.Problems = []string{"line\nbreak", "two"}
	for w := 1; w <= 200; w += 9 {
		for h := 1; h <= 40; h += 3 {
			v := &view{ask: p, now: time.Now}
			v.Update(tea.WindowSizeMsg{Width: w, Height: h})
			v.Update(v.Init()())
			lines := strings.Split(v.View().Content, "\n")
			if len(lines) > h {
				t.Fatalf("%d lines at %dx%d", len(lines), w, h)
			}
			for _, l := range lines {
				if ansi.StringWidth(l) > w || strings.ContainsAny(l, "\x1b\t\r\u202e") {
					t.Fatalf("line %q at %dx%d", l, w, h)
				}
			}
		}
	}
}

func TestKeysAndLoss(t *testing.T) {
	p := &viewtest.Engine{St: viewtest.Status()}
	v := &view{ask: p, now: time.Now, width: 80, height: 24}
	v.Update(v.Init()())
	key := func(code rune, text string) {
		if _, cmd := v.Update(tea.KeyPressMsg{Code: code, Text: text}); cmd != nil {
			v.Update(cmd())
		}
	}
	key('b', "b")
	key('n', "n")
	key(tea.KeyLeft, "")
	if got := strings.Join(p.Asked, ", "); got != "bypass toggle, wear woven, wear deep-foam" {
		t.Errorf("asked: %s", got)
	}
	p.Err = errors.New("a listening trial is under way")
	key('b', "b")
	if !strings.Contains(v.View().Content, "! A listening trial is under way") {
		t.Error("a refusal is not shown")
	}
	// The engine goes and another comes: the view asks on, and counts of the old one are no overs of the new.
	p.Err = control.ErrNoEngine
	if _, cmd := v.Update(v.poll()()); cmd == nil {
		t.Error("gave up after the loss")
	}
	if !strings.Contains(v.View().Content, "ENGINE LOST") {
		t.Error("the loss is not shown")
	}
	p.Err, p.St.PID, p.St.Counters.Overs = nil, 8, 9
	v.Update(v.poll()())
	if s := v.View().Content; strings.Contains(s, "LOST") || !strings.Contains(s, "overs     9\n") {
		t.Errorf("after the return:\n%s", s)
	}
	if _, cmd := v.Update(tea.KeyPressMsg{Code: 'q', Text: "q"}); cmd == nil || cmd() != (tea.QuitMsg{}) {
		t.Error("q does not quit")
	}
}

func TestPeakHold(t *testing.T) {
	now := time.Unix(1000, 0)
	var p peak
	for _, c := range []struct {
		after time.Duration
		db    float64
		want  float64
	}{{0, -20, -20}, {0, -30, -20}, {time.Second, -10, -10}, {hold, -40, -10}, {time.Millisecond, -40, -40}} {
		now = now.Add(c.after)
		if p.take(c.db, now); p.db != c.want {
			t.Errorf("after %v at %g dB: %g, want %g", c.after, c.db, p.db, c.want)
		}
	}
}

// TestPartingTellsOfBypass: whoever leaves the view while bypass is on is told so, and how to end it.
func TestPartingTellsOfBypass(t *testing.T) {
	for _, k := range []struct {
		bypass bool
		other  string
		trial  bool
		says   string
	}{{}, {bypass: true, says: "Bypass is still on"}, {bypass: true, other: "deep-foam", says: "the correction of deep-foam"},
		{bypass: true, trial: true}} {
		p := &viewtest.Engine{St: viewtest.Status()}
		p.St.Bypass, p.St.Other, p.St.Trial = k.bypass, k.other, k.trial
		v := &view{ask: p, now: time.Now}
		v.Update(v.Init()())
		got := v.parting()
		if k.says == "" && got != "" || !strings.Contains(got, k.says) ||
			k.says != "" && !strings.Contains(got, `"cushwright bypass off"`) {
			t.Errorf("%+v: %q", k, got)
		}
	}
}
