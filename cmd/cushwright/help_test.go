package main

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// TestDidYouMean: a mistyped command, option, cushion or equaliser is answered with the one that was meant.
func TestDidYouMean(t *testing.T) {
	dir := demoBench(t)
	for _, k := range []struct{ line, meant string }{
		{"wera woven", `"wear"`}, {"shwo woven", `"show"`}, {"devcies", `"devices"`},
		{"derive wipe-clean --bnds 3", `--bands`}, {"show wovne", `"woven"`}, {"show wipeclean", `"wipe-clean"`},
		{"derive depe-foam --reference woven", `"deep-foam"`}, {"sheet deep", `"deep-foam"`},
		{"derive wipe-clean --dry --reference woven --for ten-octave-slider", `"ten-octave-sliders"`},
		{"compare woven wipe-claen", `"wipe-clean"`}, {"render a b --cushion wovn", `"woven"`},
	} {
		_, _, err := command(dir, strings.Fields(k.line)...)
		if err == nil || !strings.Contains(err.Error(), "Did you mean "+k.meant+"?") {
			t.Errorf("%s: %v, want: did you mean %s", k.line, err, k.meant)
		}
	}
	for _, line := range []string{"xyzzy", "show linen"} {
		if _, _, err := command(dir, strings.Fields(line)...); err == nil || strings.Contains(err.Error(), "mean") {
			t.Errorf("%s: %v, though nothing is near", line, err)
		}
	}
}

// TestLabelsAreNames: where one cushion alone has a label, it is as good as the name.
func TestLabelsAreNames(t *testing.T) {
	dir := demoBench(t)
	record := func(name, label string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(dir, "cushions", name+".toml"), []byte("label = \""+label+"\"\n"),
			0o600); err != nil {
			t.Fatal(err)
		}
	}
	record("wipe-clean", "The shiny ones")
	record("woven", "Cloth")
	for _, line := range [][]string{{"show", "the Shiny ones"}, {"derive", "The shiny ones", "--reference", "cloth", "--dry"},
		{"sliders", "The  shiny ones", "--reference", "Cloth"}, {"compare", "cloth", "the shiny ones"}} {
		out, _, err := command(dir, line...)
		if err != nil || !strings.Contains(out, "wipe-clean") {
			t.Errorf("%q: %v\n%.200s", line, err, out)
		}
	}
	record("deep-foam", "the shiny ones")
	if _, _, err := command(dir, "show", "The shiny ones"); err == nil {
		t.Error("a label that two cushions have was taken for one of them")
	}
}

// library is how the command-line library speaks.
var library = regexp.MustCompile(`arg\(s\)|unknown (command|flag|shorthand)|flag needs|invalid argument|strconv|` +
	`required flag|if any flags|accepts |requires at least`)

// TestWrongCommandLines: a wrong command line is told in our own words what to write.
func TestWrongCommandLines(t *testing.T) {
	dir := demoBench(t)
	for _, k := range []struct{ line, says string }{
		{"derive", "cushwright derive NEW"}, {"derive a b", "cushwright derive NEW"},
		{"add woven", "cushwright add NAME FILE"}, {"compare woven", "cushwright compare REF NEW"},
		{"compare --since 2026-01-12", "cushwright compare"}, {"devices now", "cushwright devices"},
		{"bypass on off", "cushwright bypass [on|off|toggle]"}, {"autostart maybe", "cushwright autostart on|off"},
		{"derive woven --bands", "--bands NUMBER"}, {"derive woven --bands few", "whole number"},
		{"derive woven --max-boost much", "a number"}, {"sliders woven --freq 1,b", "a number"},
		{"render a b", "--cushion CUSHION"}, {"derive woven --reference a --wanted b", "--reference and --wanted"},
		{"show woven -x", "no option -x"}, {"show woven --=3", "not understood"}, {"completion bash now", "completion bash"},
	} {
		_, _, err := command(dir, strings.Fields(k.line)...)
		if err == nil || !strings.Contains(err.Error(), k.says) || library.MatchString(err.Error()) {
			t.Errorf("%s: %v, want %q in our own words", k.line, err, k.says)
		}
	}
}

// TestHelpIsWhole: the help of every command is made of whole sentences and names no types of the program.
func TestHelpIsWhole(t *testing.T) {
	types := regexp.MustCompile(`--[a-z-]+ (string|int|float|float64|float64Slice|floats|duration|strings)\b`)
	root := newRoot()
	for _, c := range append(root.Commands(), root) {
		if c.Name() == "completion" {
			continue
		}
		out, _, err := command(t.TempDir(), strings.Fields(strings.TrimPrefix(c.CommandPath(), "cushwright")+" --help")...)
		if err != nil || types.MatchString(out) || strings.Contains(out, "Flags:") {
			t.Errorf("%s: %v: %q", c.Name(), err, types.FindString(out))
		}
		if slices.Contains(cautious, c.Name()) != strings.Contains(out, "Mind your ears") {
			t.Errorf("the caution in the help of %s", c.Name())
		}
		whole := func(what, s string) {
			if s == "" || strings.ToUpper(s[:1]) != s[:1] && s[0] != '-' && !strings.HasPrefix(s, "cushwright") ||
				!strings.HasSuffix(strings.TrimSpace(s), ".") {
				t.Errorf("%s of %s is no whole sentence: %q", what, c.Name(), s)
			}
		}
		whole("the heading", c.Short)
		c.Flags().VisitAll(func(f *pflag.Flag) { whole("--"+f.Name, f.Usage) })
		if c != root && c.GroupID == "" {
			t.Errorf("%s stands in no group", c.Name())
		}
	}
}

// TestCautionOnceADay: at a terminal the caution comes once a day; what is not a terminal always has it.
func TestCautionOnceADay(t *testing.T) {
	file := filepath.Join(t.TempDir(), "cautioned")
	day := time.Date(2026, 3, 4, 9, 0, 0, 0, time.Local)
	for i, k := range []struct {
		terminal bool
		at       time.Time
		want     bool
	}{{false, day, true}, {true, day, true}, {true, day.Add(8 * time.Hour), false}, {false, day.Add(9 * time.Hour), true},
		{true, day.Add(24 * time.Hour), true}, {true, day.Add(25 * time.Hour), false}} {
		var b bytes.Buffer
		cautionOnce(&b, k.terminal, file, k.at)
		if got := b.String() != ""; got != k.want {
			t.Errorf("step %d: cautioned is %v", i, got)
		}
	}
	var b bytes.Buffer
	for range 2 { // where the day cannot be noted, it is said again
		b.Reset()
		if cautionOnce(&b, true, filepath.Join(file, "below", "a", "file"), day); b.Len() == 0 {
			t.Error("no caution")
		}
	}
}

// TestCompletionsNameNames: a shell completes the names that the bench has.
func TestCompletionsNameNames(t *testing.T) {
	dir := demoBench(t)
	for _, k := range []struct {
		line []string
		want []string
	}{
		{[]string{"wear", ""}, []string{"deep-foam", "wipe-clean", "woven"}},
		{[]string{"derive", "w"}, []string{"wipe-clean", "woven"}},
		{[]string{"compare", "woven", ""}, []string{"deep-foam", "wipe-clean"}},
		{[]string{"blind", "no"}, []string{"none"}},
		{[]string{"derive", "wipe-clean", "--reference", "wo"}, []string{"woven"}},
		{[]string{"derive", "wipe-clean", "--for", "ten"}, []string{"ten-band-half-decibels", "ten-octave-sliders"}},
		{[]string{"render", "a", "b", "--cushion", "d"}, []string{"deep-foam"}},
		{[]string{"bypass", "o"}, []string{"on", "off"}},
		{[]string{"add", "woven", "--ear", "l"}, []string{"left"}},
	} {
		out, _, err := command(dir, append([]string{cobra.ShellCompNoDescRequestCmd}, k.line...)...)
		lines := strings.Split(strings.TrimSpace(out), "\n")
		lines = slices.DeleteFunc(lines, func(l string) bool { return strings.HasPrefix(l, ":") })
		if err != nil || !slices.Equal(lines, k.want) {
			t.Errorf("%q completes to %q (%v), want %q", k.line, lines, err, k.want)
		}
	}
}
