package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"cushwright/cmd/internal/bench"
	"cushwright/config"
	"cushwright/dsp"
)

// demoBench is a folder of its own with the built-in, invented bench.
func demoBench(t testing.TB) string {
	t.Helper()
	dir := t.TempDir()
	if _, err := config.FirstRun(dir); err != nil {
		t.Fatal(err)
	}
	return dir
}

// command runs a command line in this process.
func command(bench string, args ...string) (stdout, stderr string, err error) {
	root := newRoot()
	var out, msg bytes.Buffer
	root.SetOut(&out)
	root.SetErr(&msg)
	root.SetArgs(append([]string{"--bench", bench}, args...))
	err = root.Execute()
	return out.String(), msg.String(), err
}

// reply runs a command with --json and decodes what it prints.
func reply[T any](t testing.TB, bench string, args ...string) (v T) {
	t.Helper()
	out, _, err := command(bench, append(args, "--json")...)
	if err != nil {
		t.Fatalf("%v: %v", args, err)
	}
	d := json.NewDecoder(strings.NewReader(out))
	d.DisallowUnknownFields()
	if err := d.Decode(&v); err != nil {
		t.Fatalf("%v: %v in\n%s", args, err, out)
	}
	return v
}

// content is every file below a folder.
func content(t *testing.T, dir string) map[string]string {
	t.Helper()
	all := map[string]string{}
	err := filepath.WalkDir(dir, func(p string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		b, err := os.ReadFile(p)
		all[p] = string(b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func same(a, b map[string]string) bool {
	for f, x := range a {
		if y, ok := b[f]; !ok || x != y {
			return false
		}
	}
	return len(a) == len(b)
}

// utf16 writes text as UTF-16, little end first, with its mark.
func utf16(s string) []byte {
	out := []byte{0xff, 0xfe}
	for _, r := range s {
		out = append(out, byte(r), byte(r>>8))
	}
	return out
}

func TestAddRoundTrip(t *testing.T) {
	dir := demoBench(t)
	file := filepath.Join(t.TempDir(), "rig.txt")
	text := "* a rig's heading\r\nHz;dB;degrees\r\n"
	var freq, level, phase []float64
	for i := range 31 {
		freq, level, phase = append(freq, 20*float64(i+1)*float64(i+1)+0.5), append(level, 70.25+float64(i%5)), append(phase, 30-4*float64(i))
		text += strings.ReplaceAll(fmt.Sprintf("%g;%g;%g\r\n", freq[i], level[i], phase[i]), ".", ",")
	}
	if err := os.WriteFile(file, utf16(text), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, k := range []struct{ name, seat, says string }{{"woven", "left-11.csv", ""}, {"linen", "left-01.csv", "linen has 1 seat of the left ear"}} {
		out, msg, err := command(dir, "add", k.name, file, "--ear", "left", "--date", "2026-10-01", "--new")
		if err != nil {
			t.Fatal(err)
		}
		want := filepath.Join(dir, "seats", k.name, k.seat)
		if !strings.Contains(out, want) || !strings.Contains(out, "UTF-16") || !strings.Contains(out, "decimal comma") {
			t.Errorf("says %q", out)
		}
		if k.says == "" && msg != "" || !strings.Contains(msg, k.says) {
			t.Errorf("message %q, want %q", msg, k.says)
		}
		data, err := os.ReadFile(want)
		if err != nil {
			t.Fatal(err)
		}
		s, err := config.ParseSeat(k.seat, data)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(s.FreqHz, freq) || !slices.Equal(s.LevelDB, level) || !slices.Equal(s.PhaseDeg, phase) || s.Date != "2026-10-01" {
			t.Errorf("%+v", s)
		}
	}
	if _, err := config.Load(dir); err != nil {
		t.Error(err)
	}
	// A second file that is no measurement leaves nothing of the first behind.
	bad := filepath.Join(t.TempDir(), "two.txt")
	if err := os.WriteFile(bad, []byte("20 90\n20000 80\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	before := content(t, dir)
	if out, _, err := command(dir, "add", "woven", file, bad, "--ear", "right"); err == nil || out != "" || !strings.Contains(err.Error(), "a gap wider than an octave") {
		t.Errorf("%q, %v", out, err)
	}
	if !same(before, content(t, dir)) {
		t.Error("a refused add changed the bench")
	}
}

// TestCheckReadsSeats: rubbish in a seat is named with file and line, and the answer is no.
func TestCheckReadsSeats(t *testing.T) {
	dir := demoBench(t)
	if out, msg, err := command(dir, "check"); err != nil {
		t.Fatalf("%v, %s%s", err, out, msg)
	}
	if err := os.WriteFile(filepath.Join(dir, "seats", "woven", "left-02.csv"), []byte("freq_hz,level_db\n20,90\nrubbish\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	out, _, err := command(dir, "check")
	var no answerNo
	if !errors.As(err, &no) || !strings.Contains(out, `"seats/woven/left-02.csv": line 3`) {
		t.Errorf("%q, %v", out, err)
	}
}

func TestCompare(t *testing.T) {
	dir := demoBench(t)
	png, svg := filepath.Join(t.TempDir(), "a.png"), filepath.Join(t.TempDir(), "a.svg")
	out, msg, err := command(dir, "compare", "woven", "wipe-clean", "--png", png, "--svg", svg)
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range []string{"left ear", "right ear", " real", " within seating scatter", "bass ", "middle ", "treble ", "sensitivity ",
		"left against right", "23 mm", "20 mm", "smooth sealed synthetic leather"} {
		if !strings.Contains(out, w) {
			t.Errorf("%q is not said in\n%s", w, out)
		}
	}
	for _, w := range []string{"100 Hz", "10 kHz"} {
		if !strings.Contains(msg, w) {
			t.Errorf("no warning of %s: %q", w, msg)
		}
	}
	for file, head := range map[string]string{png: "\x89PNG", svg: "<svg"} {
		if b, err := os.ReadFile(file); err != nil || !bytes.HasPrefix(b, []byte(head)) {
			t.Errorf("%s: %v", file, err)
		}
	}
	type full struct {
		bench.Comparison
	}
	c := reply[full](t, dir, "compare", "woven", "wipe-clean")
	if len(c.Ears) != 2 || len(c.Outliers) != 0 || len(c.Imbalance) != 2 {
		t.Fatalf("%+v", c)
	}
	for _, e := range c.Ears {
		if len(e.Octaves) != 10 || len(e.Ranges) != 3 || e.ReferenceSeats != 10 {
			t.Fatalf("%+v", e)
		}
		for _, b := range e.Octaves { // the model of the demo bench says +7.6 dB at 250 Hz
			if b.Band == "250" && (b.Verdict != "real" || math.Abs(b.DiffDB-7) > 2 || b.Half95 == nil || *b.Half95 > 4) {
				t.Errorf("%s: %+v", e.Ear, b)
			}
		}
	}
	// A cushion against itself: nothing is real, and the other gain of an aligned pair is no matter.
	c = reply[full](t, dir, "compare", "woven", "woven", "--align")
	for _, e := range c.Ears {
		for _, b := range e.Octaves {
			if b.Verdict == "real" || b.DiffDB != 0 {
				t.Errorf("against itself: %+v", b)
			}
		}
	}
}

// A seat that leaked is named, and the answer is no: seat again.
func TestCompareNamesALeak(t *testing.T) {
	dir := demoBench(t)
	data, err := os.ReadFile(filepath.Join(dir, "seats", "wipe-clean", "left-01.csv"))
	if err != nil {
		t.Fatal(err)
	}
	s, err := config.ParseSeat("seat", data)
	if err != nil {
		t.Fatal(err)
	}
	for i, f := range s.FreqHz {
		s.LevelDB[i] -= 20 / (1 + math.Pow(f/120, 2))
	}
	if _, err := config.WriteSeat(dir, "wipe-clean", dsp.Left, s); err != nil {
		t.Fatal(err)
	}
	out, _, err := command(dir, "compare", "woven", "wipe-clean")
	var no answerNo
	if !errors.As(err, &no) || !strings.Contains(err.Error(), "seat again") {
		t.Errorf("error %v", err)
	}
	if !strings.Contains(out, "seats/wipe-clean/left-06.csv: low bass missing") {
		t.Errorf("the leak is not named in\n%s", out)
	}
	_, msg, err := command(dir, "derive", "wipe-clean", "--dry")
	if err != nil || !strings.Contains(msg, "left-06.csv: low bass missing") {
		t.Errorf("derive: %v, %q", err, msg)
	}
}

// Two cushions are compared without a look at the seats of the others.
func TestCompareReadsOnlyTheTwo(t *testing.T) {
	dir := demoBench(t)
	if err := os.WriteFile(filepath.Join(dir, "seats", "deep-foam", "left-01.csv"), []byte("broken"), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, _, err := command(dir, "compare", "woven", "wipe-clean"); err != nil {
		t.Error(err)
	}
	if _, _, err := command(dir, "compare", "woven", "deep-foam"); err == nil || !strings.Contains(err.Error(), "left-01.csv") {
		t.Errorf("the broken seat gave %v", err)
	}
}

func TestBenchCommandsRefuse(t *testing.T) {
	dir := demoBench(t)
	tmp := t.TempDir()
	good, bad := filepath.Join(tmp, "good.txt"), filepath.Join(tmp, "bad.txt")
	if err := os.WriteFile(good, []byte("20 80\n1000 82\n20000 70\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(bad, []byte("20 80\n1000 eighty\n20000 70\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	before := content(t, dir)
	for _, k := range []struct{ line, says string }{
		{"add woven --ear left", "Write: cushwright add NAME FILE…"},
		{"add woven " + good, `--ear is "", allowed: left or right`},
		{"add woven --ear both " + good, `--ear is "both", allowed: left or right`},
		{"add ../woven --ear left " + good, "not a name"},
		{"add woven --ear left --date today " + good, "YYYY-MM-DD"},
		{"add woven --ear left " + filepath.Join(tmp, "none"), "none"},
		{"add woven --ear left " + good + " " + bad, "line 2"},
		{"compare woven", "Write: cushwright compare REF NEW"},
		{"compare woven linen", "unknown cushion. The bench has: deep-foam, wipe-clean, woven"},
		{"compare ../x woven", "not a name"},
		{"derive linen", "unknown cushion"},
		{"derive woven", "it is the reference itself"},
		{"derive wipe-clean --reference linen", "unknown cushion"},
		{"derive wipe-clean --reference woven --wanted x", "Give only one of --reference and --wanted."},
		{"derive wipe-clean --wanted x", "wanted/x.csv"},
		{"derive wipe-clean --wanted ../x", "not a name"},
		{"derive wipe-clean --bands 0", "--bands is 0, allowed: 1 to 64"},
		{"derive wipe-clean --ears one", "allowed: together or apart"},
		{"derive wipe-clean --for none", `unknown equaliser "none"`},
		{"derive wipe-clean --max-boost -1", "largest boost"},
		{"derive wipe-clean --max-boost NaN", "largest boost"},
		{"sliders wipe-clean --count 7", "allowed: 5, 10 or 31"},
		{"sliders wipe-clean --freq 1000,500", "ascending"},
		{"sliders wipe-clean --width -1", "--width"},
		{"sliders wipe-clean --q 99", "q range"},
		{"sliders wipe-clean --step -1", "step"},
		{"sliders wipe-clean --gentle=-2", "largest move"},
		{"sliders wipe-clean --level low", "free or measured"},
		{"sliders wipe-clean --bells round", "any, analog or bilinear"},
	} {
		out, _, err := command(dir, strings.Fields(k.line)...)
		var no answerNo
		if err == nil || !strings.Contains(err.Error(), k.says) || errors.As(err, &no) || out != "" {
			t.Errorf("%s: %v, printed %q; want %q", k.line, err, out, k.says)
		}
	}
	if !same(before, content(t, dir)) {
		t.Error("a refused command changed the bench")
	}
}

// largeBench is a bench of that many cushions more, ten seats each. All but the first and the last have seats that nobody could read.
func largeBench(t testing.TB, cushions int) string {
	t.Helper()
	dir := demoBench(t)
	record, err := os.ReadFile(filepath.Join(dir, "cushions", "woven.toml"))
	if err != nil {
		t.Fatal(err)
	}
	broken := filepath.Join(t.TempDir(), "broken.csv")
	if err := os.WriteFile(broken, []byte("no seat"), 0o644); err != nil {
		t.Fatal(err)
	}
	for i := range cushions {
		name := fmt.Sprintf("c%04d", i)
		seats := filepath.Join(dir, "seats", name)
		if err := os.MkdirAll(seats, 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, "cushions", name+".toml"), record, 0o644); err != nil {
			t.Fatal(err)
		}
		for _, ear := range bench.Ears {
			for n := 1; n <= 5; n++ {
				file, from := fmt.Sprintf("%s-%02d.csv", ear, n), broken
				switch i {
				case 0:
					from = filepath.Join(dir, "seats", "woven", file)
				case cushions - 1:
					from = filepath.Join(dir, "seats", "wipe-clean", file)
				}
				if err := os.Link(from, filepath.Join(seats, file)); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	return dir
}

// A bench of 2,000 cushions with ten seats each opens, is checked seat by seat, and compares two of them without a look at the
// others' seats.
func TestLargeBench(t *testing.T) {
	dir := largeBench(t, 2000)
	out, _, err := command(dir, "check")
	var no answerNo
	if !errors.As(err, &no) || strings.Count(out, "\n") != 19980 || strings.Contains(out, "c0000") || strings.Contains(out, "c1999") {
		t.Fatalf("check: %v, %d lines", err, strings.Count(out, "\n"))
	}
	out, _, err = command(dir, "compare", "c0000", "c1999")
	if err != nil || !strings.Contains(out, "c0000 → c1999") || !strings.Contains(out, "left ear, 5 and 5 seats") {
		t.Errorf("%v, %s", err, out)
	}
	if _, _, err := command(dir, "compare", "c0000", "c1000"); err == nil || !strings.Contains(err.Error(), "c1000/left-01.csv") {
		t.Errorf("seats that nobody could read were compared: %v", err)
	}
}

// A bench of many cushions: two of them are compared.
func BenchmarkCompareOnALargeBench(b *testing.B) {
	dir := largeBench(b, 2000)
	for b.Loop() {
		if _, _, err := command(dir, "compare", "c0000", "c1999"); err != nil {
			b.Fatal(err)
		}
	}
}
