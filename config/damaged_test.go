package config

import (
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"
)

// A thousand malformed records of each kind, made by damaging good ones: refused in words that name the file and say where
// and why, or still good; no panic.
func TestThousandDamagedRecords(t *testing.T) {
	parse := map[string]func(file string, b []byte) error{
		"settings":   func(f string, b []byte) error { _, ps := parseSettings(f, b); return orNil(ps) },
		"cushion":    func(f string, b []byte) error { _, err := ParseCushion(f, "x", b); return err },
		"correction": func(f string, b []byte) error { _, err := ParseCorrection(f, "x", b); return err },
		"equaliser":  func(f string, b []byte) error { _, err := ParseEqualiser(f, "x", b); return err },
		"seat":       func(f string, b []byte) error { _, err := ParseSeat(f, b); return err },
	}
	good := map[string][][]byte{}
	add := func(pattern string, kind func(name string) string) {
		files, err := filepath.Glob(pattern)
		if err != nil || len(files) == 0 {
			t.Fatal(pattern, err)
		}
		for _, f := range files {
			b, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			k := kind(filepath.Base(f))
			good[k] = append(good[k], b[:min(len(b), 4000)])
		}
	}
	add("../testdata/good/*.toml", func(n string) string { k, _, _ := strings.Cut(n, "-"); return k })
	for _, k := range []string{"cushion", "correction", "equaliser"} {
		add("demo/"+k+"s/*.toml", func(string) string { return k })
	}
	add("demo/seats/*/left-01.csv", func(string) string { return "seat" })

	words := []string{"=", "[", "]", "[[band]]", "\"", "'''", "#", "\n", "nan", "inf", "-1", "1e999", "0x1F", "true", "2026-13-40", "\x00", "\xff", "ü", ",", "{", "freq_hz", "= 5\n", "[x]\n"}
	r := rand.New(rand.NewPCG(3, 4))
	for kind, read := range parse {
		refused := 0
		const runs = 3000
		for i := range runs {
			b := slices.Clone(good[kind][r.IntN(len(good[kind]))])
			for range 1 + r.IntN(4) {
				k := r.IntN(len(b))
				switch r.IntN(5) {
				case 0:
					b[k] = byte(r.IntN(256))
				case 1:
					b = slices.Delete(b, k, min(len(b), k+1+r.IntN(6)))
				case 2:
					b = slices.Insert(b, k, []byte(words[r.IntN(len(words))])...)
				case 3: // a line twice, or two lines run together
					if at := slices.Index(b[k:], '\n'); at >= 0 {
						b = slices.Insert(b, k, b[k:k+at+1]...)
					}
				case 4:
					b = b[:k+1]
				}
				if len(b) == 0 {
					b = []byte("x")
				}
			}
			const file = "folder/x.file"
			err := read(file, b)
			if err == nil {
				continue
			}
			refused++
			said := err.Error()
			var one *Problem
			var many Problems
			switch {
			case errors.As(err, &many):
			case errors.As(err, &one):
				many = Problems{one}
			}
			if len(many) == 0 || !utf8.ValidString(said) {
				t.Fatalf("%s %d: %q: %q", kind, i, b, said)
			}
			for _, p := range many {
				s := p.Error()
				where := p.Line > 0 || p.Key != "" || strings.Contains(s, "missing") || p.Allowed != "" || p.Err != nil
				if p.File != file || !where || !strings.Contains(s, file) || len(s) > 600 || strings.ContainsAny(s, "\n\x00") {
					t.Fatalf("%s %d: %q: %q", kind, i, b, s)
				}
				if p.Line > 1+strings.Count(string(b), "\n")+strings.Count(string(b), "\r") {
					t.Fatalf("%s %d: line %d of %q", kind, i, p.Line, b)
				}
			}
		}
		t.Logf("%s: %d of %d refused", kind, refused, runs)
		if refused < 1000 {
			t.Errorf("%s: only %d refused", kind, refused)
		}
	}
}
