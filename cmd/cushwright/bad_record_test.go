package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cushwright/platform/soundfile"
)

// putFile writes a file of the bench.
func putFile(t *testing.T, dir, file, text string) {
	t.Helper()
	name := filepath.Join(dir, filepath.FromSlash(file))
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// A faulty record stops no command of anything else. Each names it, and what needs it is refused with its fault.
func TestOneBadRecordStopsNothingElse(t *testing.T) {
	dir := demoBench(t)
	putFile(t, dir, "corrections/deep-foam.toml", "[[band]]\nshape = \"bell\"\nfreq_hz = 1000\ngain_db = -2,5\nq = 1\n")
	putFile(t, dir, "cushions/linen.toml", "labe = \"Linen\"\n")
	putFile(t, dir, "equalisers/five-band-whole-decibels.toml", "bands = 99\n")
	tmp := t.TempDir()
	in, out := filepath.Join(tmp, "in.wav"), filepath.Join(tmp, "out.wav")
	if err := soundfile.WriteWAV(in, &soundfile.Sound{RateHz: 48000, Channels: 1, Samples: make([]float64, 4800)}); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{"show", "wipe-clean"}, {"render", in, out, "--cushion", "wipe-clean"},
		{"compare", "woven", "wipe-clean"}, {"compare", "woven", "deep-foam"}, {"sliders", "wipe-clean"},
		{"derive", "wipe-clean", "--dry"}, {"sheet", "wipe-clean", "--out", tmp}} {
		said, msg, err := command(dir, args...)
		if err != nil {
			t.Errorf("%v: %v", args, err)
		}
		if said == "" && args[0] != "render" {
			t.Errorf("%v prints nothing", args)
		}
		for _, w := range []string{`"corrections/deep-foam.toml": line 4`, `"cushions/linen.toml": line 1`, `"equalisers/five-band-whole-decibels.toml": line 1`} {
			if !strings.Contains(msg, w) {
				t.Errorf("%v does not name %s: %q", args, w, msg)
			}
		}
	}
	for _, c := range []struct{ args, want string }{
		{"show deep-foam", "write -2.5"}, {"render " + in + " " + out + " --cushion deep-foam", "write -2.5"},
		{"sheet deep-foam --out " + tmp, "write -2.5"}, {"derive deep-foam --refine --dry", "write -2.5"},
		{"show linen", "labe is an unknown key"}, {"derive wipe-clean --dry --for five-band-whole-decibels", "bands is 99"}} {
		said, _, err := command(dir, strings.Fields(c.args)...)
		if err == nil || said != "" || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %q, %v", c.args, said, err)
		}
	}
	if _, _, err := command(dir, "check"); err == nil {
		t.Error("check finds the bench in order")
	}
	// Settings are no record: nothing is guessed in their place.
	putFile(t, dir, "settings.toml", "refernce = \"woven\"\n")
	if _, _, err := command(dir, "show", "wipe-clean"); err == nil || !strings.Contains(err.Error(), "refernce") {
		t.Errorf("faulty settings: %v", err)
	}
}
