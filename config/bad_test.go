package config

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cushwright/dsp"
)

// tableFile says where in a bench a file of testdata/bad or testdata/good belongs: its name begins with the kind.
func tableFile(name string) string {
	kind, _, _ := strings.Cut(name, "-")
	return map[string]string{"settings": "settings.toml", "cushion": "cushions/x.toml", "correction": "corrections/x.toml",
		"equaliser": "equalisers/x.toml"}[kind]
}

func put(t testing.TB, dir, file string, data []byte) {
	t.Helper()
	p := filepath.Join(dir, filepath.FromSlash(file))
	if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(p, data, 0o644); err != nil {
		t.Fatal(err)
	}
}

// Each file of testdata/bad is one kind of bad edit; NAME.want holds the message, line for line.
func TestBadFiles(t *testing.T) {
	files, err := filepath.Glob("../testdata/bad/*.toml")
	if err != nil || len(files) < 50 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	for _, f := range files {
		name := strings.TrimSuffix(filepath.Base(f), ".toml")
		t.Run(name, func(t *testing.T) {
			data, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			dir := t.TempDir()
			put(t, dir, tableFile(name), data)
			s, err := Load(dir)
			if err == nil || s != nil {
				t.Fatalf("accepted: %+v", s)
			}
			var ps Problems
			if !errors.As(err, &ps) {
				t.Fatalf("%T", err)
			}
			for _, p := range ps {
				if p.File != tableFile(name) {
					t.Errorf("file %q", p.File)
				}
			}
			got := err.Error() + "\n"
			want := strings.TrimSuffix(f, ".toml") + ".want"
			if *update {
				if err := os.WriteFile(want, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			w, err := os.ReadFile(want)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(w) {
				t.Errorf("got\n%swant\n%s", got, w)
			}
		})
	}
}

func TestGoodFiles(t *testing.T) {
	files, err := filepath.Glob("../testdata/good/*.toml")
	if err != nil || len(files) < 10 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	dir := t.TempDir()
	for _, f := range files {
		name := strings.TrimSuffix(filepath.Base(f), ".toml")
		data, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		kind, rest, _ := strings.Cut(name, "-")
		file := tableFile(name)
		if kind == "settings" {
			one := t.TempDir()
			put(t, one, file, data)
			if _, err := Load(one); err != nil {
				t.Error(err)
			}
			continue
		}
		put(t, dir, strings.Replace(file, "x.toml", rest+".toml", 1), data)
	}
	s, err := Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	c, _ := s.Correction("all-shapes")
	b := c.Correction.Bands()
	if len(b) != 6 || b[1] != (dsp.Band{Shape: dsp.LowShelf, Ear: dsp.Left, FreqHz: 105.5, GainDB: -24, Q: 0.7}) || b[2].FreqHz != 1000 || b[2].Ear != dsp.Right {
		t.Errorf("%+v", b)
	}
	if c, _ := s.Correction("inline"); len(c.Correction.Bands()) != 2 || c.Correction.FixedHeadroomDB() != -6 {
		t.Errorf("%+v", c.Correction.Bands())
	}
	if c, _ := s.Correction("no-bands"); !c.Correction.AutoHeadroom() || len(c.Correction.Bands()) != 0 || c.Reference != "woven" {
		t.Errorf("%+v", c)
	}
	if c, _ := s.Correction("derived"); c.Derived == nil || c.Derived.Seats != 5 || c.Derived.BeforeRMSDB != 4.37 || len(c.Derived.Left) != 1 {
		t.Errorf("%+v", c.Derived)
	}
	for _, n := range []string{"bare-date", "date-string"} {
		if c, ok := s.Cushion(n); !ok || c.Since != "2026-01-12" || !c.Recorded {
			t.Errorf("%+v", c)
		}
	}
	if c, ok := s.Cushion("no-bands"); !ok || c.Recorded || c.MassG != nil {
		t.Errorf("a correction alone: %+v", c)
	}
	if e, _ := s.Equaliser("fixed"); e.Bands != 2 || e.FixedFreqHz[0] != 31.5 || len(e.Shapes) != 1 || e.QMax != 10 {
		t.Errorf("%+v", e)
	}
	// "woven" is named as reference, and no file describes it.
	if len(s.Warnings) == 0 || !strings.Contains(s.Warnings[0].Error(), `"woven"`) {
		t.Errorf("warnings %v", s.Warnings)
	}
}

// Every setting of the file reaches its field.
func TestSettingsReachTheirFields(t *testing.T) {
	data, err := os.ReadFile("../testdata/good/settings-all.toml")
	if err != nil {
		t.Fatal(err)
	}
	s, ps := parseSettings("settings.toml", data)
	want := Settings{"woven", false, Sound{"a", "b", false, "safe", 16, 16384, "malgo", false}, Guard{false, -20}, Bypass{"programme"},
		Keys{"ctrl+alt+b", "super+shift+right", "f9", "ctrl+alt+escape"}, Rig{"c", "d", -20, -20, "rig/mic.txt", "bench", "headset"}, PageSettings{8080}}
	if len(ps) > 0 || s != want {
		t.Errorf("%+v %v", s, ps)
	}
}
