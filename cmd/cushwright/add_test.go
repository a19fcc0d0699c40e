package main

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cushwright/config"
	"cushwright/dsp"
)

// rigText is a text of third octaves as a rig writes it, each row by the format.
func rigText(t *testing.T, row func(hz, db float64) string) string {
	t.Helper()
	var b strings.Builder
	for k := -17; k <= 13; k++ {
		hz := math.Round(1000*math.Pow(10, float64(k)/10)*1000) / 1000
		b.WriteString(row(hz, 80+math.Round(100*math.Sin(float64(k)))/100) + "\n")
	}
	file := filepath.Join(t.TempDir(), "rig.txt")
	if err := os.WriteFile(file, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

func storedSeats(t *testing.T, dir, cushion string) (out []config.Seat) {
	t.Helper()
	b := config.Bench{Dir: dir}
	refs, err := b.Seats(cushion)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range refs {
		s, err := b.LoadSeat(r)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, s)
	}
	return out
}

// The same measurement is taken once, by what it holds and not by its name; the other ear is another seat.
func TestAddTakesAMeasurementOnce(t *testing.T) {
	dir := demoBench(t)
	file := rigText(t, func(hz, db float64) string { return fmt.Sprintf("%g %g", hz, db) })
	copied := filepath.Join(t.TempDir(), "copy.txt")
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(copied, append([]byte("# another heading\n"), b...), 0o600); err != nil {
		t.Fatal(err)
	}
	before := len(storedSeats(t, dir, "woven"))
	out, _, err := command(dir, "add", "woven", "--ear", "left", file, copied, file)
	if err != nil || strings.Count(out, "already there as") != 2 || len(storedSeats(t, dir, "woven")) != before+1 {
		t.Errorf("%v, %d seats more:\n%s", err, len(storedSeats(t, dir, "woven"))-before, out)
	}
	out, _, err = command(dir, "add", "woven", "--ear", "left", copied)
	if err != nil || !strings.Contains(out, "already there as "+filepath.Join(dir, "seats", "woven", "left-11.csv")) || len(storedSeats(t, dir, "woven")) != before+1 {
		t.Errorf("%v: %s", err, out)
	}
	if _, _, err := command(dir, "add", "woven", "--ear", "right", file); err != nil || len(storedSeats(t, dir, "woven")) != before+2 {
		t.Errorf("%v", err)
	}
}

// A name that no cushion has is asked about, or wants --new, and then a record is begun with its label.
func TestAddBeginsNoCushionUnasked(t *testing.T) {
	dir := demoBench(t)
	file := rigText(t, func(hz, db float64) string { return fmt.Sprintf("%g %g", hz, db) })
	before := content(t, dir)
	if _, _, err := command(dir, "add", "wovne", "--ear", "left", file); err == nil || !strings.Contains(err.Error(), "--new") || !strings.Contains(err.Error(), "woven") {
		t.Errorf("a slip of the pen: %v", err)
	}
	answer := func(say string) error {
		root := newRoot()
		root.SetIn(strings.NewReader(say))
		var out, msg strings.Builder
		root.SetOut(&out)
		root.SetErr(&msg)
		root.SetArgs([]string{"--bench", dir, "add", "wovne", "--ear", "left", file})
		err := root.Execute()
		if !strings.Contains(msg.String(), "Begin it? [y/N]") {
			t.Errorf("it does not ask: %q", msg.String())
		}
		return err
	}
	for _, no := range []string{"n\n", "\n", ""} {
		if err := answer(no); err == nil {
			t.Errorf("%q was taken for yes", no)
		}
	}
	if !same(before, content(t, dir)) {
		t.Error("something was written")
	}
	if err := answer("y\n"); err != nil {
		t.Error(err)
	}
	if _, _, err := command(dir, "add", "linen", "--new", "--label", "Linen, grey", "--ear", "left", file); err != nil {
		t.Fatal(err)
	}
	snap, err := config.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	for name, label := range map[string]string{"wovne": "wovne", "linen": "Linen, grey"} {
		if k, ok := snap.Cushion(name); !ok || !k.Recorded || k.Label != label || len(storedSeats(t, dir, name)) != 1 {
			t.Errorf("%s: %+v", name, k)
		}
	}
}

// Seats without a record are named by check, and what it advises helps.
func TestCheckNamesSeatsWithoutARecord(t *testing.T) {
	dir := demoBench(t)
	putFile(t, dir, "seats/wovne/left-01.csv", "freq_hz,level_db\n20,90\n20000,80\n")
	_, msg, err := command(dir, "check")
	if err != nil || !strings.Contains(msg, "seats/wovne has seats, and there is no record cushions/wovne.toml") {
		t.Errorf("%v, %q", err, msg)
	}
	// A fault elsewhere hides it not.
	putFile(t, dir, "cushions/linen.toml", "labl = \"Linen\"\n")
	out, msg, err := command(dir, "check")
	if !errors.As(err, new(answerNo)) || !strings.Contains(out, "labl") || !strings.Contains(msg, "no record cushions/wovne.toml") {
		t.Errorf("%v, %q, %q", err, out, msg)
	}
	if err := os.Remove(filepath.Join(dir, "cushions", "linen.toml")); err != nil {
		t.Fatal(err)
	}
	if _, _, err := command(dir, "cushions", "new", "wovne"); err != nil {
		t.Fatal(err)
	}
	if _, msg, err := command(dir, "check"); err != nil || strings.Contains(msg, "wovne") {
		t.Errorf("%v, %q", err, msg)
	}
}

// Columns and units that no heading names can be said; both ears of one file become two seats.
func TestAddColumnsAndUnits(t *testing.T) {
	pa := func(db float64) float64 { return 20e-6 * math.Pow(10, db/20) }
	for name, c := range map[string]struct {
		row  func(hz, db float64) string
		args string
		ears int
	}{
		"turned":    {func(hz, db float64) string { return fmt.Sprintf("%g;%g;7", db, hz) }, "--columns level,freq,- --ear left", 1},
		"numbered":  {func(hz, db float64) string { return fmt.Sprintf("3\t%g\t%g\t-40", hz, db) }, "--columns -,freq,level,phase --ear left", 1},
		"kilohertz": {func(hz, db float64) string { return fmt.Sprintf("%.6f %g", hz/1000, db) }, "--unit kHz --ear left", 1},
		"pascals":   {func(hz, db float64) string { return fmt.Sprintf("%g, %.9f", hz, pa(db)) }, "--columns freq,level --unit Hz,Pa --ear left", 1},
		"two ears":  {func(hz, db float64) string { return fmt.Sprintf("%g,%g,%g", hz, db, db-3) }, "--columns freq,left,right", 2},
		"decimal commas": {func(hz, db float64) string {
			return strings.ReplaceAll(fmt.Sprintf("%g;%g;%g", hz, db-3, db), ".", ",")
		}, "--columns freq,right,left", 2},
		"right ear alone": {func(hz, db float64) string { return fmt.Sprintf("%g %g %g", hz, 1.0, db-3) }, "--columns freq,-,right", -1},
	} {
		dir := demoBench(t)
		file := rigText(t, c.row)
		out, _, err := command(dir, append([]string{"add", "linen", "--new", file}, strings.Fields(c.args)...)...)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		seats := storedSeats(t, dir, "linen")
		if want := max(c.ears, 1); len(seats) != want || strings.Count(out, "→ ") != want {
			t.Errorf("%s: %d seats\n%s", name, len(seats), out)
		}
		for _, s := range seats {
			off := 0.0
			if s.Ear == dsp.Right {
				off = -3
			}
			if c.ears == -1 && s.Ear != dsp.Right || len(s.FreqHz) != 31 {
				t.Errorf("%s: %s ear, %d points", name, s.Ear, len(s.FreqHz))
				continue
			}
			for i, k := 0, -17; k <= 13; i, k = i+1, k+1 {
				hz, db := math.Round(1000*math.Pow(10, float64(k)/10)*1000)/1000, 80+math.Round(100*math.Sin(float64(k)))/100+off
				if s.FreqHz[i] != hz || math.Abs(s.LevelDB[i]-db) > 0.001 {
					t.Errorf("%s, %s ear: %g Hz %g dB, want %g, %g", name, s.Ear, s.FreqHz[i], s.LevelDB[i], hz, db)
					break
				}
			}
		}
	}
	// A heading that names kHz and --unit kHz say one thing, not two.
	dir := demoBench(t)
	headed := rigText(t, func(hz, db float64) string { return fmt.Sprintf("%.6f,%g", hz/1000, db) })
	b, err := os.ReadFile(headed)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(headed, append([]byte("kHz,dB\n"), b...), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, _, err := command(dir, "add", "linen", "--new", "--ear", "left", "--unit", "kHz", headed); err != nil {
		t.Fatal(err)
	}
	if s := storedSeats(t, dir, "linen"); len(s) != 1 || math.Abs(s[0].FreqHz[0]-19.953) > 0.001 {
		t.Errorf("%+v", s)
	}
	file := rigText(t, func(hz, db float64) string { return fmt.Sprintf("%g %g", hz, db) })
	for args, want := range map[string]string{"--columns freq,level,phase --ear left": "line 1: 19.953 ", "--columns freq,volume --ear left": "left out",
		"--columns freq,left,right --ear left": "no --ear", "--columns level --ear left": "freq", "--columns freq,level,left": "either level",
		"--unit mV --ear left": "Hz or kHz", "--columns freq,freq,level --ear left": "each once"} {
		if _, _, err := command(dir, append([]string{"add", "woven", file}, strings.Fields(args)...)...); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", args, err)
		}
	}
}

// What is odd in a file stands in the line that add prints of it.
func TestAddSaysWhatIsOdd(t *testing.T) {
	dir := demoBench(t)
	file := rigText(t, func(hz, db float64) string { return strings.ReplaceAll(fmt.Sprintf("%g;%g", hz/1000, db), ".", ",") })
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, append([]byte("kHz;dB\n"), b...), 0o600); err != nil {
		t.Fatal(err)
	}
	out, _, err := command(dir, "add", "woven", "--ear", "left", file)
	first, _, _ := strings.Cut(out, "\n")
	if err != nil || !strings.HasPrefix(first, file) || !strings.Contains(first, "kHz") || !strings.Contains(first, "decimal comma") {
		t.Errorf("%v, %q", err, first)
	}
}

// A newcomer gets from nothing to a correction by what the commands say themselves.
func TestCommandsLeadThroughANewBench(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "mine")
	file := func(n int, bass float64) string {
		return rigText(t, func(hz, db float64) string {
			return fmt.Sprintf("%g %.3f", hz, db+bass/(1+math.Pow(hz/200, 2))+0.2*math.Sin(float64(n)*math.Log(hz)))
		})
	}
	step := func(want string, args ...string) {
		t.Helper()
		out, msg, err := command(dir, args...)
		if err != nil || !strings.Contains(msg, want) {
			t.Errorf("%v: %v, %q does not say %q\n%s", args, err, msg, want, out)
		}
	}
	add := func(name string, bass float64, ear string) []string {
		return []string{"add", name, "--new", "--ear", ear, file(len(ear), bass), file(2*len(ear), bass), file(3*len(ear), bass)}
	}
	step("has 3 seats of the left ear and 0 of the right", add("felt", 0, "left")...)
	step("felt is the reference; next come the seats of another cushion", add("felt", 0, "right")...)
	step("", add("gel", 6, "left")...)
	step(`next: "cushwright derive gel"`, add("gel", 6, "right")...)
	step("", "derive", "gel")
	snap, err := config.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	if snap.Settings.Reference != "felt" || len(snap.Warnings) != 0 {
		t.Errorf("%+v, %v", snap.Settings, snap.Warnings)
	}
	k, ok := snap.Correction("gel")
	if !ok {
		t.Fatal("no correction")
	}
	if d := k.Correction.AnalogDB(dsp.Left, 40) - k.Correction.AnalogDB(dsp.Left, 2000); math.Abs(d+5.8) > 1 { // 6 dB of bass more
		t.Errorf("it takes %.1f dB of bass off", -d)
	}
	t.Setenv("XDG_STATE_HOME", t.TempDir())
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	step("gel is fitted", "wear", "gel")
	if _, _, err := command(dir, "wear", "silk"); err == nil || !strings.Contains(err.Error(), "cushwright cushions new silk") || errors.As(err, new(answerNo)) {
		t.Errorf("%v", err)
	}
	step("silk has 0 seats", "cushions", "new", "silk", "--label", "Silk")
	step("silk has no correction, so it plays uncorrected", "wear", "silk")
}
