package config

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"unicode/utf16"
)

func utf16Text(s string, big bool) string {
	b := []byte{0xff, 0xfe}
	if big {
		b = []byte{0xfe, 0xff}
	}
	for _, u := range utf16.Encode([]rune(s)) {
		if big {
			b = append(b, byte(u>>8), byte(u))
		} else {
			b = append(b, byte(u), byte(u>>8))
		}
	}
	return string(b)
}

// measured is texts as rigs write them: all of them mean 20 Hz 80.5 dB, 1000 Hz 94 dB, 20000 Hz -3.25 dB, in part with phases.
var measured = []struct{ name, text, understood string }{
	{"comma", "20,80.5\n1000,94\n20000,-3.25\n", "columns Hz, dB; separated by commas; decimal point; UTF-8"},
	{"comma blank", "20, 80.5\n1000, 94\n20000, -3.25\n", "separated by commas; decimal point"},
	{"semicolon", "20;80.5\n1000;94\n20000;-3.25", "separated by semicolons; decimal point"},
	{"semicolon decimal comma", "20,0;80,5\n1000,0;94,0\n20000,0;-3,25\n", "separated by semicolons; decimal comma"},
	{"decimal comma from the second row on", "20;80,5\n1000;94\n20000;-3,25\n", "decimal comma"},
	{"decimal comma in the last row only", "20;80,5\n1000;94\n20000;-3,25\n", "decimal comma"},
	{"tab", "20\t80.5\n1000\t94\n20000\t-3.25\n", "separated by tabs; decimal point"},
	{"tab decimal comma", "20\t80,5\n1000\t94\n20000\t-3,25\n", "separated by tabs; decimal comma"},
	{"blanks", "  20   80.5\n 1000   94\n20000   -3.25\n", "separated by spaces; decimal point"},
	{"blanks decimal comma", "20,000 80,500\n1000,000 94,000\n20000,000 -3,250\n", "separated by spaces; decimal comma"},
	{"comments", "* rig\n# a\n; b\n// c\n\"Freq\";\"Level\"\nFreq(Hz) SPL(dB)\n20 80.5\n* between\n1000 94\n20000 -3.25\n", "7 comment lines"},
	{"heading with digits", "Smoothing 1/48 octave\n1/48 octave smoothed\n20 80.5\n1000 94\n20000 -3.25\n", "2 comment lines"},
	{"crlf", "20,80.5\r\n1000,94\r\n20000,-3.25\r\n", "UTF-8"},
	{"cr", "20,80.5\r1000,94\r20000,-3.25\r", "UTF-8"},
	{"bom", "\ufeff20,80.5\n1000,94\n20000,-3.25\n", "UTF-8"},
	{"utf-16le", utf16Text("* Pegel über Frequenz\r\n20\t80,5\r\n1000\t94,0\r\n20000\t-3,25\r\n", false), "UTF-16 little-endian; 1 comment line"},
	{"utf-16be", utf16Text("20\t80,5\r\n1000\t94,0\r\n20000\t-3,25\r\n", true), "UTF-16 big-endian"},
	{"single-byte letters", "* Pegel \xfcber\n20 80.5\n1000 94\n20000 -3.25\n", "single-byte text"},
	{"falling", "20000 -3.25\n1000 94\n20 80.5\n", "sorted by frequency"},
	{"duplicates", "20 80.5\n1000 93.5\n1000 94.5\n20000 -3.25\n", "1 duplicate frequencies averaged"},
	{"exponents", "2.0e1 8.05E1\n1e+3 9.4e1\n2e4 -3.25e0\n", "3 frequencies, 20 to 20000 Hz"},
	{"zero hertz first", "0 -100\n20 80.5\n1000 94\n20000 -3.25\n", "3 frequencies, 20 to 20000 Hz"},
	{"separator at the end", "20,80.5,\n1000,94,\n20000,-3.25,\n", "columns Hz, dB;"},
	{"phase", "20 80.5 10\n1000 94 -20.5\n20000 -3.25 720\n", "columns Hz, dB, degrees"},
	{"phase semicolon", "20,0;80,5;10,0\n1000,0;94,0;-20,5\n20000,0;-3,25;720,0\n", "columns Hz, dB, degrees; separated by semicolons; decimal comma"},
	{"phase comma", "20,80.5,10\n1000,94,-20.5\n20000,-3.25,720\n", "columns Hz, dB, degrees; separated by commas"},
	{"blank lines", "\n\n20 80.5\n\n\n1000 94\n20000 -3.25\n\n", "3 frequencies"},
}

func TestMeasurements(t *testing.T) {
	for _, c := range measured {
		m, understood, err := ParseMeasurement([]byte(c.text), "rig.txt")
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if !slices.Equal(m.FreqHz, []float64{20, 1000, 20000}) || !slices.Equal(m.LevelDB, []float64{80.5, 94, -3.25}) {
			t.Errorf("%s: %+v", c.name, m)
		}
		if strings.HasPrefix(c.name, "phase") != slices.Equal(m.PhaseDeg, []float64{10, -20.5, 720}) || m.PhaseDeg == nil == strings.HasPrefix(c.name, "phase") {
			t.Errorf("%s: phases %v", c.name, m.PhaseDeg)
		}
		if !strings.Contains(understood, c.understood) || strings.Contains(understood, "\n") {
			t.Errorf("%s: understood %q", c.name, understood)
		}
	}
}

func TestRefusedMeasurements(t *testing.T) {
	for _, c := range []struct {
		name, text string
		line       int
		reason     string
	}{
		{"empty", "", 0, "no line of numbers"},
		{"comments only", "# a\n# b\n", 0, "no line of numbers"},
		{"words only", "hello\nworld\n", 0, "no line of numbers"},
		{"one column", "20\n1000\n", 1, "1 columns, allowed: 2 or 3"},
		{"four columns", "20 1 2 3\n", 1, "4 columns"},
		{"decimal commas parted by commas", "20,0,80,5\n", 1, "4 columns"},
		{"doubtful commas", "20, 80,5\n30, 80,5\n", 1, "commas with and without spaces"},
		{"both marks", "1.000,5;80\n", 1, "both decimal commas and decimal points"},
		{"columns change", "20 1\n30 1 2\n", 2, "3 columns, the first row has 2"},
		{"separator changes", "20;1\n30,1\n", 2, "1 columns, the first row has 2"},
		{"word among numbers", "20 1\n30 x\n40 1\n", 2, "neither numbers nor a comment"},
		{"word after numbers", "20 1\n30 1\nend\n", 3, "neither numbers nor a comment"},
		{"two points", "20 1.2.3\n30 1\n", 1, "column 2 is not a number"},
		{"two signs", "20 --3\n30 1\n", 1, "column 2 is not a number"},
		{"empty cell", "20,1\n30,\n", 2, "column 2 is not a number"},
		{"nan", "20 1\n30 nan\n", 2, "column 2 is not a number"},
		{"infinite", "20 1\n30 1e999\n", 2, "column 2 is not a number"},
		{"negative frequency", "20 1\n-30 1\n", 2, "frequencies of"},
		{"zero hertz later", "20 1\n0 1\n", 2, "frequencies of"},
		{"frequency too high", "20 1\n1e8 1\n", 2, "frequencies of"},
		{"level too high", "20 1\n30 1e6\n", 2, "levels of"},
		{"phase too high", "20 1 1\n30 1 1e9\n", 2, "phases of"},
		{"one frequency", "20 1\n20 2\n", 0, "1 frequencies, at least 2"},
		{"zero bytes", "20 1\n30 \x001\n", 0, "zero bytes"},
		{"utf-16 without mark", utf16Text("20 1\n30 1\n", false)[2:], 0, "zero bytes"},
		{"odd utf-16", utf16Text("20 1\n30 1\n", false) + "x", 0, "odd number of bytes"},
		{"long line", "20 1\n30 1" + strings.Repeat(" ", 100) + strings.Repeat("0", 5000) + "\n", 2, "longer than"},
		{"too many lines", strings.Repeat("\n", 1_000_001) + "20 1\n", 1_000_001, "more than 1000000 lines"},
		{"too many bytes", strings.Repeat("# comment\n", 2_000_000), 0, "bytes of text"},
		{"binary", string([]byte{0x89, 'P', 'N', 'G', 13, 10, 26, 10, 0, 0}), 0, "zero bytes"},
	} {
		_, _, err := ParseMeasurement([]byte(c.text), "rig.txt")
		var p *Problem
		if !errors.As(err, &p) || p.Line != c.line || !strings.Contains(err.Error(), c.reason) || !strings.Contains(err.Error(), `"rig.txt"`) || len(err.Error()) > 400 {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

// A thousand malformed texts, made by damaging good ones: read to the very same, or refused with a *Problem; no panic, nothing
// that is not a number, nothing out of order.
func TestThousandDamagedTexts(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	refused := 0
	const runs = 3000
	for i := range runs {
		b := []byte(measured[r.IntN(len(measured))].text)
		for range 1 + r.IntN(4) {
			k := r.IntN(len(b))
			switch r.IntN(5) {
			case 0:
				b[k] = byte(r.IntN(256))
			case 1:
				b = slices.Delete(b, k, min(len(b), k+1+r.IntN(4)))
			case 2:
				b = slices.Insert(b, k, []byte(",;.\t-e #x\x00\n0")[r.IntN(12)])
			case 3:
				b = b[:k+1]
			case 4:
				b = append(b, b[k:]...)
			}
			if len(b) == 0 {
				b = []byte("x")
			}
		}
		m, _, err := ParseMeasurement(b, "rig.txt")
		if err != nil {
			var p *Problem
			if !errors.As(err, &p) || p.Err == nil {
				t.Fatalf("%d: %q: %v", i, b, err)
			}
			refused++
			continue
		}
		checkResponse(t, m.FreqHz, m.LevelDB, m.PhaseDeg)
	}
	t.Logf("%d of %d refused", refused, runs)
	if refused < 1000 {
		t.Errorf("only %d refused", refused)
	}
}

func checkResponse(t *testing.T, freq, level, phase []float64) {
	t.Helper()
	if len(freq) < 2 || len(level) != len(freq) || phase != nil && len(phase) != len(freq) {
		t.Fatal("lengths", len(freq), len(level), len(phase))
	}
	for i, f := range freq {
		if i > 0 && !(f > freq[i-1]) || !(f > 0) || math.IsInf(f, 0) || math.IsNaN(level[i]) || math.IsInf(level[i], 0) ||
			phase != nil && (math.IsNaN(phase[i]) || math.IsInf(phase[i], 0)) {
			t.Fatal("point", i, f, level[i])
		}
	}
}

func TestRefusedSeats(t *testing.T) {
	for _, c := range []struct {
		text   string
		line   int
		reason string
	}{
		{"", 0, "0 frequencies"},
		{"freq_hz,level_db\n", 0, "0 frequencies"},
		{"freq_hz,level_db\n20,1\n", 0, "1 frequencies"},
		{"20,1\n30,1\n", 1, "the header"},
		{"Freq_hz,level_db\n20,1\n30,1\n", 1, "the header"},
		{"freq_hz,level_db\n20,1\n30\n", 3, "2 numbers parted by commas"},
		{"freq_hz,level_db,phase_deg\n20,1\n", 2, "3 numbers parted by commas"},
		{"freq_hz,level_db\n20,1\n20,1\n", 3, "freq_hz is 20, allowed: a frequency above"},
		{"freq_hz,level_db\n20,1\n30,x\n", 3, "level_db is x, allowed: a number"},
		{"freq_hz,level_db\n20,0x10\n30,1\n", 2, "level_db is 0x10"},
		{"freq_hz,level_db\n20,1_0\n30,1\n", 2, "level_db is 1_0"},
		{"freq_hz,level_db\n20,inf\n30,1\n", 2, "level_db is inf"},
		{"freq_hz,level_db\n20,1\n30,1e5\n", 3, "levels of"},
		{"freq_hz,level_db\n-20,1\n30,1\n", 2, "frequencies of"},
		{"# rate_hz: fast\nfreq_hz,level_db\n20,1\n30,1\n", 1, "rate_hz is fast"},
		{"# sweep_level_db: 1e9\nfreq_hz,level_db\n20,1\n30,1\n", 1, "sweep_level_db is 1e9"},
		{"# x\n" + strings.Repeat("y", 5000), 2, "4096 bytes"},
	} {
		_, err := ParseSeat("seats/x/left-01.csv", []byte(c.text))
		var p *Problem
		if !errors.As(err, &p) || p.Line != c.line || !strings.Contains(err.Error(), c.reason) || !strings.Contains(err.Error(), "seats/x/left-01.csv") {
			t.Errorf("%.40q: %v", c.text, err)
		}
	}
	// A seat of a thousand million lines is refused for its size before it is read.
	big := filepath.Join(t.TempDir(), "seats", "x", "left-01.csv")
	if err := os.MkdirAll(filepath.Dir(big), 0o755); err != nil {
		t.Fatal(err)
	}
	f, err := os.Create(big)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := f.Truncate(10e9); err != nil {
		t.Fatal(err)
	}
	b := Bench{filepath.Dir(filepath.Dir(filepath.Dir(big)))}
	refs, err := b.Seats("x")
	if err != nil || len(refs) != 1 {
		t.Fatal(refs, err)
	}
	if _, err := b.LoadSeat(refs[0]); err == nil || !strings.Contains(err.Error(), "larger than") {
		t.Error(err)
	}
	// A stray name among the seats is named.
	if err := os.WriteFile(filepath.Join(filepath.Dir(big), "left.csv"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Seats("x"); err == nil || !strings.Contains(err.Error(), "seats/x/left.csv") {
		t.Error(err)
	}
}

func TestParseKey(t *testing.T) {
	for in, want := range map[string]KeyCombo{
		"":                      {},
		"ctrl+alt+b":            {Ctrl: true, Alt: true, Key: "b"},
		"alt+ctrl+b":            {Ctrl: true, Alt: true, Key: "b"},
		"f1":                    {Key: "f1"},
		"shift+f24":             {Shift: true, Key: "f24"},
		"super+shift+page-down": {Super: true, Shift: true, Key: "page-down"},
		"ctrl+0":                {Ctrl: true, Key: "0"},
	} {
		got, err := ParseKey(in)
		if err != nil || got != want {
			t.Errorf("%q: %+v %v", in, got, err)
		}
		if again, err := ParseKey(got.String()); err != nil || again != got {
			t.Errorf("%q: %+v %v", got, again, err)
		}
	}
	for _, in := range []string{"b", "shift+b", "ctrl", "ctrl+", "+b", "ctrl++b", "ctrl+b+", "b+ctrl", "ctrl+ctrl+b", "Ctrl+b", "ctrl+B", "ctrl + b",
		" ctrl+b", "ctrl+b\n", "ctrl+ä", "ctrl+f0", "ctrl+f25", "ctrl+f", "ctrl+alt", "hyper+b", "ctrl-b", "ctrl+bb", "space", strings.Repeat("ctrl+", 1000) + "b", "ctrl+\x00"} {
		got, err := ParseKey(in)
		if in == "ctrl+f" {
			if err != nil || got.Key != "f" {
				t.Error(err)
			}
			continue
		}
		if err == nil || got != (KeyCombo{}) || len(err.Error()) > 500 || strings.Contains(err.Error(), "\n") {
			t.Errorf("%.40q: %+v %v", in, got, err)
		}
	}
}

// The table files start the fuzzers as well.
func addFiles(f *testing.F, pattern string) {
	files, err := filepath.Glob(pattern)
	if err != nil || len(files) == 0 {
		f.Fatal(pattern, err)
	}
	for _, name := range files {
		b, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
}

// Whatever the bytes: a value or problems, every problem with the file and on one line, and what is accepted is in range.
func FuzzTOML(f *testing.F) {
	addFiles(f, "../testdata/bad/*.toml")
	addFiles(f, "../testdata/good/*.toml")
	f.Add([]byte(DefaultSettingsTOML))
	f.Fuzz(func(t *testing.T, data []byte) {
		check := func(ps Problems) bool {
			for _, p := range ps {
				if p.File != "file" || p.Line < 0 || strings.ContainsAny(p.Error(), "\n\x00") || p.Key == "" && p.Value == "" && p.Err == nil {
					t.Fatalf("%q: %#v", data, p)
				}
			}
			return len(ps) == 0
		}
		if s, ps := parseSettings("file", data); check(ps) {
			if !(s.Guard.CeilingDB >= -20 && s.Guard.CeilingDB <= 0) || !(s.Rig.SweepLevelDB <= s.Rig.MaxLevelDB) || s.Sound.CaptureFrames < 0 || s.Sound.CaptureFrames > 16384 {
				t.Fatalf("%q: %+v", data, s)
			}
		}
		parseCushion("file", "n", data)
		if c, ps := parseCorrection("file", "n", data); check(ps) {
			text, err := c.Text(nil)
			if err != nil {
				t.Fatalf("%q: %v", data, err)
			}
			back, err := ParseCorrection("file", "n", text)
			if err != nil || len(back.Correction.Bands()) != len(c.Correction.Bands()) {
				t.Fatalf("%q: %v", data, err)
			}
		}
		_, ps := parseCushion("file", "n", data)
		check(ps)
		_, ps = parseEqualiser("file", "n", data)
		check(ps)
	})
}

func FuzzSeat(f *testing.F) {
	f.Add([]byte("# date: 2026-01-02\n# rate_hz: 48000\n# rig: desk\n# headphone: booth\n# note\nfreq_hz,level_db,phase_deg\n20,1,2\n30,1,2\n"))
	f.Add([]byte("freq_hz,level_db\r\n20,1\r\n30,-1e1\r\n"))
	addFiles(f, "demo/seats/woven/left-01.csv")
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := ParseSeat("file", data)
		if err != nil {
			found := asProblems(err)
			for _, p := range found {
				if p.File != "file" || strings.ContainsAny(p.Error(), "\n\x00") {
					t.Fatalf("%q: %v", data, err)
				}
			}
			if len(found) == 0 {
				t.Fatalf("%q: %v", data, err)
			}
			return
		}
		checkResponse(t, s.FreqHz, s.LevelDB, s.PhaseDeg)
		text, err := s.Text()
		if err != nil {
			t.Fatalf("%q: %v", data, err)
		}
		back, err := ParseSeat("file", text)
		if err != nil || fmt.Sprint(back.FreqHz, back.LevelDB, back.PhaseDeg, back.Headphone, back.Rig) !=
			fmt.Sprint(s.FreqHz, s.LevelDB, s.PhaseDeg, s.Headphone, s.Rig) {
			t.Fatalf("%q: %v", text, err)
		}
	})
}

func FuzzMeasurement(f *testing.F) {
	for _, c := range measured {
		f.Add([]byte(c.text))
	}
	for _, c := range oddTexts {
		f.Add([]byte(c.text))
	}
	f.Add([]byte("\"\n000000000000"))
	f.Fuzz(func(t *testing.T, data []byte) {
		m, understood, err := ParseMeasurement(data, "file")
		if err != nil {
			var p *Problem
			if !errors.As(err, &p) || p.Err == nil || strings.ContainsAny(err.Error(), "\n\x00") {
				t.Fatalf("%q: %v", data, err)
			}
			return
		}
		if understood == "" || strings.Contains(understood, "\n") {
			t.Fatal(understood)
		}
		checkResponse(t, m.FreqHz, m.LevelDB, m.PhaseDeg)
	})
}

func FuzzKey(f *testing.F) {
	for _, s := range []string{"", "ctrl+alt+b", "f12", "super+page-up", "ctrl+ctrl+b", "++", "CTRL+B"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		k, err := ParseKey(s)
		if err != nil {
			return
		}
		again, err := ParseKey(k.String())
		if err != nil || again != k || (k.Key == "") != (s == "") {
			t.Fatalf("%q: %+v %v", s, k, err)
		}
	})
}

func FuzzColumns(f *testing.F) {
	f.Add([]byte("20;80\n1000;81,5\n20000;70\n"), "freq,level", "kHz")
	f.Add([]byte("1\t20\t80\t-3\n2\t1000\t81\t4\n"), "-,freq,left,right", "Hz,Pa")
	f.Fuzz(func(t *testing.T, data []byte, names, units string) {
		c, err := ParseColumns(names, units)
		if err != nil {
			return
		}
		for _, level := range []string{"level", "left", "right"} {
			if c.Names != nil && !slices.Contains(c.Names, level) || c.Names == nil && level != "level" {
				continue
			}
			m, understood, err := parseColumns(data, "file", c, level)
			if err != nil {
				var p *Problem
				if !errors.As(err, &p) || p.File != "file" || strings.ContainsAny(err.Error(), "\n\x00") {
					t.Fatalf("%q: %v", data, err)
				}
				continue
			}
			if len(m.FreqHz) < 2 || len(m.FreqHz) != len(m.LevelDB) || !slices.IsSorted(m.FreqHz) || strings.Contains(understood, "\n") {
				t.Fatalf("%q: %+v, %q", data, m, understood)
			}
			for _, v := range append(slices.Clone(m.FreqHz), m.LevelDB...) {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					t.Fatalf("%q: %+v", data, m)
				}
			}
		}
	})
}
