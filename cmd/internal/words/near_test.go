package words

import "testing"

func TestNear(t *testing.T) {
	names := []string{"deep-foam", "wipe-clean", "woven"}
	for _, k := range []struct{ text, want string }{
		{"wovne", "woven"}, {"Woven", "woven"}, {"wipeclean", "wipe-clean"}, {"deep", "deep-foam"}, {"wipe", "wipe-clean"},
		{"deepfoma", "deep-foam"}, {"linen", ""}, {"", ""}, {"x", ""}, {"woven", "woven"},
	} {
		if got := Near(k.text, names); got != k.want {
			t.Errorf("%q: %q, want %q", k.text, got, k.want)
		}
	}
	for _, k := range []struct {
		a, b string
		want int
	}{{"", "", 0}, {"abc", "", 3}, {"", "ab", 2}, {"kitten", "sitting", 3}, {"ab", "ba", 1}, {"abcd", "acbd", 1}} {
		if got := edits(k.a, k.b); got != k.want {
			t.Errorf("%q to %q: %d edits, want %d", k.a, k.b, got, k.want)
		}
	}
}

// TestPlain: the packages that an error went through are for the log.
func TestPlain(t *testing.T) {
	for _, k := range []struct{ message, want string }{
		{`config: read "corrections/wipe-clean.toml": line 12: q is 200, allowed: 0.1 to 100`,
			`corrections/wipe-clean.toml: line 12: q is 200, allowed: 0.1 to 100`},
		{"config: read \"settings.toml\": guard.ceiling_db is 2, allowed: -20 to 0 dB\n" +
			`config: read "a.toml": line 1: x is "control: y"`,
			"settings.toml: guard.ceiling_db is 2, allowed: -20 to 0 dB\na.toml: line 1: x is \"control: y\""},
		{`control: no engine is running: start it`, `No engine is running: start it`},
		{`cushwright: derive "x": config: read "a": no such file`, `Derive "x": read "a": no such file`},
		{`--ear both: one sweep`, `--ear both: one sweep`},
		{`seats/woven/left-01.csv: bad`, `seats/woven/left-01.csv: bad`},
		{`rig.input is not set`, `rig.input is not set`},
		{``, ``},
	} {
		if got := Plain(k.message); got != k.want {
			t.Errorf("%q\n reads %q\n want  %q", k.message, got, k.want)
		}
	}
}
