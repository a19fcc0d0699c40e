package faultscript

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// tape is a rig that keeps what it is asked for.
type tape struct{ did []string }

// sample is a table with every kind of argument.
func sample() Table[*tape] {
	keep := func(what string) func(*tape, Values) {
		return func(r *tape, v Values) {
			r.did = append(r.did, fmt.Sprintf("%s %s %v %d %v %q %s", what, v.Text("WHAT"), v.Span("TIME"),
				v.Count("HOW-MANY"), v.Span("WITHIN"), v.All("PAIRS"), v.Text("WHERE")))
		}
	}
	return Table[*tape]{
		"start":       {"it starts", nil, keep("start")},
		"wait":        {"it waits", []Arg{{Name: "TIME", Kind: Span}, {Name: "LONG", Kind: Span, Optional: true}}, keep("wait")},
		"wait random": {"it waits for up to a time", []Arg{{Name: "TIME", Kind: Span}}, keep("wait random")},
		"edit":        {"", []Arg{{Name: "TIME", Kind: Offset}}, keep("edit")},
		"settings":    {"", []Arg{{Name: "PAIRS", Kind: Setting, Rest: true}}, keep("settings")},
		"change":      {"", []Arg{{Name: "WHAT", Kind: Name}, {Name: "HOW-MANY", Kind: Count}}, keep("change")},
		"expect sound": {"", []Arg{{Name: "WHERE", Kind: Name, Word: "on"}, {Name: "WITHIN", Kind: Span, Word: "within"}},
			keep("expect sound")},
		"expect report": {"", []Arg{{Name: "WHAT"}, {Name: "OFTEN", Among: []string{"never", "once"}}}, keep("expect report")},
	}
}

func TestParse(t *testing.T) {
	text := "# a comment\r\n\n start  # the first\n" +
		"wait 500ms\nwait 1s 5s\nwait random 300ms\n\tedit -1h\n" +
		`settings sound.output="" sound.follow=true a="x # y"` + "\nsettings\nchange phones 2\n" +
		"expect sound\nexpect sound within 2s\nexpect sound on speakers within 1s\nexpect sound within 1s on speakers\n" +
		`expect report "not \"remembered\" # here" once` + "\nexpect report plain never"
	want := []struct {
		line int
		did  string
	}{
		{3, `start  0s 0 0s [] `},
		{4, `wait  500ms 0 0s [] `},
		{5, `wait  1s 0 0s [] `},
		{6, `wait random  300ms 0 0s [] `},
		{7, `edit  -1h0m0s 0 0s [] `},
		{8, `settings  0s 0 0s ["sound.output=\"\"" "sound.follow=true" "a=\"x # y\""] `},
		{9, `settings  0s 0 0s [] `},
		{10, `change phones 0s 2 0s [] `},
		{11, `expect sound  0s 0 0s [] `},
		{12, `expect sound  0s 0 2s [] `},
		{13, `expect sound  0s 0 1s [] speakers`},
		{14, `expect sound  0s 0 1s [] speakers`},
		{15, `expect report not "remembered" # here 0s 0 0s [] `},
		{16, `expect report plain 0s 0 0s [] `},
	}
	steps, err := sample().Parse("x.txt", text)
	if err != nil {
		t.Fatal(err)
	}
	r := &tape{}
	for _, s := range steps {
		s.Do(r)
	}
	if len(steps) != len(want) || len(r.did) != len(want) {
		t.Fatalf("%d steps, want %d: %q", len(steps), len(want), r.did)
	}
	for i, w := range want {
		if steps[i].Line != w.line || steps[i].File != "x.txt" || r.did[i] != w.did {
			t.Errorf("line %d does %q; want line %d, %q", steps[i].Line, r.did[i], w.line, w.did)
		}
	}
	if got := steps[4].Where(); got != "x.txt line 7: edit -1h" {
		t.Errorf("where: %q", got)
	}
	if steps[3].Has("LONG") || !steps[2].Has("LONG") || steps[2].Span("LONG") != 5*time.Second {
		t.Error("what was not given is taken for given")
	}
}

func TestErrors(t *testing.T) {
	for _, c := range []struct {
		script string
		want   []string // all stand in the error
	}{
		{"", []string{"holds no command"}},
		{"# nothing\n\n", []string{"holds no command"}},
		{"start\nbegin", []string{`read "x.txt" line 2: "begin" is no command`, "expect report, expect sound", "wait random"}},
		{"expect", []string{"line 1: expect: a word is missing; allowed: report, sound"}},
		{"expect silence", []string{`expect "silence" is no command; allowed: report, sound`}},
		{"start now", []string{"start: now is too much; usage: start"}},
		{"wait", []string{"wait: TIME is missing; usage: wait TIME [LONG]"}},
		{"wait soon", []string{"TIME = soon: allowed: a length of time such as 500ms"}},
		{"wait -1s", []string{"TIME = -1s: allowed"}},
		{"wait 0s", []string{"TIME = 0s: allowed"}},
		{"wait 25h", []string{"TIME = 25h: allowed"}},
		{"wait 1s 2s 3s", []string{"3s is too much"}},
		{"wait random", []string{"wait random: TIME is missing"}},
		{"edit 1", []string{"TIME = 1: allowed", "-1h for an hour ago"}},
		{"settings x", []string{"PAIRS = x: allowed: KEY=VALUE"}},
		{"settings =1", []string{"PAIRS = =1"}},
		{"settings a=", []string{"PAIRS = a="}},
		{"change ph/ones 2", []string{"WHAT = ph/ones: allowed: letters"}},
		{"change phones 0", []string{"HOW-MANY = 0: allowed: a whole number from 1 on"}},
		{"change phones two", []string{"HOW-MANY = two"}},
		{"expect sound on", []string{"WHERE is missing after on"}},
		{"expect sound within 1s within 2s", []string{"within stands twice"}},
		{"expect sound loudly", []string{"loudly is too much; usage: expect sound [on WHERE] [within WITHIN]"}},
		{`expect report "x`, []string{`the quote "x has no end`}},
		{`expect report "\q" once`, []string{`WHAT = "\q": allowed`}},
		{"expect report x twice", []string{"OFTEN = twice: allowed: never, once"}},
		{"foo\nstart\nbar", []string{"line 1", "line 3"}},
	} {
		steps, err := sample().Parse("x.txt", c.script)
		if err == nil || steps != nil {
			t.Errorf("%q: %d steps, %v", c.script, len(steps), err)
			continue
		}
		for _, w := range append(c.want, "faultscript: read \"x.txt\"") {
			if !strings.Contains(err.Error(), w) {
				t.Errorf("%q: %v; want %q", c.script, err, w)
			}
		}
	}
	table := sample()
	table["idle"] = Command[*tape]{}
	if _, err := table.Parse("x.txt", "idle"); err == nil {
		t.Error("a command that does nothing")
	}
}

func TestHelp(t *testing.T) {
	help := sample().Help()
	for name := range sample() {
		if !strings.Contains(help, name) {
			t.Errorf("%s is missing", name)
		}
	}
	for _, want := range []string{"expect report WHAT never|once", "settings [PAIRS…]", "wait TIME [LONG] "} {
		if !strings.Contains(help, want) {
			t.Errorf("%q is missing in\n%s", want, help)
		}
	}
}

// Whatever a script holds, it is read or refused with its line; and what was read is read again from its lines.
func FuzzParse(f *testing.F) {
	files, err := filepath.Glob("../../../testdata/faults/*.txt")
	if err != nil || len(files) == 0 {
		f.Fatalf("no scripts: %v", err)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(text))
	}
	f.Add("settings a=\"\\\"#\" b=1\nexpect report \"x y\" once\nwait 1s # no\nexpect sound on a within 1s")
	table := sample()
	f.Fuzz(func(t *testing.T, text string) {
		steps, err := table.Parse("f", text)
		lines := strings.Count(text, "\n") + 1
		if err != nil {
			if steps != nil || !strings.HasPrefix(err.Error(), `faultscript: read "f"`) {
				t.Fatalf("%d steps with %v", len(steps), err)
			}
			return
		}
		var again []string
		last := 0
		for _, s := range steps {
			if s.Line <= last || s.Line > lines {
				t.Fatalf("line %d after %d, of %d", s.Line, last, lines)
			}
			last = s.Line
			again = append(again, s.Values.Line())
		}
		twice, err := table.Parse("f", strings.Join(again, "\n"))
		if err != nil {
			t.Fatalf("read once, refused the second time: %v", err)
		}
		a, b := &tape{}, &tape{}
		for i := range steps {
			steps[i].Do(a)
			twice[i].Do(b)
		}
		if !slices.Equal(a.did, b.did) {
			t.Fatalf("%q, then %q", a.did, b.did)
		}
	})
}
