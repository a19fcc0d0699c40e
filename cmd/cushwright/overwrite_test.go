package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cushwright/platform/soundfile"
)

// TestNothingOfOthersIsOverwritten: what a command wrote it may write again; what somebody else put there, or changed
// since, takes --force.
func TestNothingOfOthersIsOverwritten(t *testing.T) {
	dir, out := demoBench(t), t.TempDir()
	in := filepath.Join(out, "in.wav")
	if err := soundfile.WriteWAV(in, &soundfile.Sound{RateHz: 48000, Channels: 2, Samples: make([]float64, 9600)}); err != nil {
		t.Fatal(err)
	}
	theirs := []byte("somebody's own")
	for _, c := range []struct{ file, args string }{
		{"a.png", "show wipe-clean --png OUT"},
		{"a.svg", "show wipe-clean --svg OUT"},
		{"a.wav", "render IN OUT --cushion wipe-clean"},
		{"a.html", "sheet wipe-clean --out OUT"},
	} {
		file := filepath.Join(out, c.file)
		args := strings.Fields(c.args)
		for i, a := range args {
			args[i] = map[string]string{"IN": in, "OUT": file}[a]
			if args[i] == "" {
				args[i] = a
			}
		}
		read := func() []byte {
			t.Helper()
			b, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			return b
		}
		if err := os.WriteFile(file, theirs, 0o644); err != nil {
			t.Fatal(err)
		}
		if _, _, err := command(dir, args...); err == nil || !strings.Contains(err.Error(), "--force") || !bytes.Equal(read(), theirs) {
			t.Errorf("%s over somebody's file: %v", c.args, err)
		}
		if _, _, err := command(dir, append(args, "--force")...); err != nil || bytes.Equal(read(), theirs) {
			t.Errorf("%s --force: %v", c.args, err)
		}
		if _, _, err := command(dir, args...); err != nil {
			t.Errorf("%s over its own file: %v", c.args, err)
		}
		if err := os.WriteFile(file, append(read(), 'x'), 0o644); err != nil {
			t.Fatal(err)
		}
		if _, _, err := command(dir, args...); err == nil {
			t.Errorf("%s over a file that was changed", c.args)
		}
	}
}

// TestRenderKeepsItsSource: the file that is read is never the one that is written, under whatever name.
func TestRenderKeepsItsSource(t *testing.T) {
	dir, out := demoBench(t), t.TempDir()
	t.Chdir(out)
	if err := soundfile.WriteWAV("x.wav", &soundfile.Sound{RateHz: 48000, Channels: 2, Samples: make([]float64, 9600)}); err != nil {
		t.Fatal(err)
	}
	before, err := os.ReadFile("x.wav")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Link("x.wav", "y.wav"); err != nil {
		t.Fatal(err)
	}
	for _, to := range []string{"x.wav", "./x.wav", filepath.Join(out, "x.wav"), "y.wav"} {
		for _, force := range [][]string{nil, {"--force"}} {
			_, _, err := command(dir, append([]string{"render", "x.wav", to, "--cushion", "wipe-clean"}, force...)...)
			if err == nil || !strings.Contains(err.Error(), "OUT is the file that is read") {
				t.Errorf("render x.wav %s %v: %v", to, force, err)
			}
		}
	}
	if after, err := os.ReadFile("x.wav"); err != nil || !bytes.Equal(after, before) {
		t.Errorf("the source was changed: %v", err)
	}
}
