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
	"cushwright/dsp/fit"
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

// What common practice (no source) expects where a porous fabric cushion gives way to a sealed one about 3 mm thicker: most
// is taken off at 250 Hz, then below; 1 kHz gains, 2 kHz loses, 4 kHz gains.
func TestSlidersOfTheDemoHaveTheExpectedSigns(t *testing.T) {
	a := reply[sliderAnswer](t, demoBench(t), "sliders", "wipe-clean", "--reference", "woven")
	if len(a.Rows) != 1 || len(a.Rows[0].Sliders) != 10 {
		t.Fatalf("%+v", a)
	}
	r := a.Rows[0]
	gain := map[float64]float64{}
	least := 0.0
	for _, s := range r.Sliders {
		gain[s.FreqHz] = s.GainDB
		least = min(least, s.GainDB)
		if math.Abs(math.Remainder(s.GainDB, 0.5)) > 1e-9 {
			t.Errorf("%g Hz: %g dB is no step of 0.5 dB", s.FreqHz, s.GainDB)
		}
	}
	if gain[250] != least {
		t.Errorf("most is not taken off at 250 Hz: %v", gain)
	}
	for hz, sign := range map[float64]float64{31.5: -1, 63: -1, 125: -1, 250: -1, 1000: 1, 2000: -1, 4000: 1} {
		if gain[hz]*sign <= 0 {
			t.Errorf("%g Hz: %+g dB", hz, gain[hz])
		}
	}
	if !(r.ResidualRMSDB < 0.7*r.NaiveRMSDB && r.NaiveRMSDB < r.BeforeRMSDB) {
		t.Errorf("left over %.2f dB, naive %.2f, before %.2f", r.ResidualRMSDB, r.NaiveRMSDB, r.BeforeRMSDB)
	}
	if a.Caution == "" || r.HeadroomDB >= 0 {
		t.Errorf("it boosts without a caution or headroom: %+v", a)
	}
}

// Seats built from slider settings, taken in as text, give the settings back.
func TestSlidersGiveBackSettings(t *testing.T) {
	dir := demoBench(t)
	// The same common practice, no source.
	set := []float64{-4.5, -5, -6, -7.5, 0, 3.5, -2.5, 3.5, 0, 0}
	tmp := t.TempDir()
	for _, name := range []string{"old", "sealed"} {
		for _, ear := range []string{"left", "right"} {
			args := []string{"add", name, "--ear", ear}
			for seat := range 3 {
				var b strings.Builder
				for f := 20.0; f < 20500; f *= 1.01 {
					v := 90 + 3*math.Sin(math.Log(f))
					for i, hz := range fit.TenSliders {
						if name == "sealed" {
							v -= dsp.Band{Shape: dsp.Bell, FreqHz: hz, GainDB: set[i], Q: 1.2}.AnalogDB(f)
						}
					}
					fmt.Fprintf(&b, "%.3f %.4f\n", f, v+2*float64(seat))
				}
				file := filepath.Join(tmp, fmt.Sprint(name, ear, seat))
				if err := os.WriteFile(file, []byte(b.String()), 0o600); err != nil {
					t.Fatal(err)
				}
				args = append(args, file)
			}
			if _, _, err := command(dir, args...); err != nil {
				t.Fatal(err)
			}
		}
	}
	a := reply[sliderAnswer](t, dir, "sliders", "sealed", "--reference", "old", "--q", "1.2", "--treble", "--max-boost", "24")
	for i, s := range a.Rows[0].Sliders {
		if math.Abs(s.GainDB-set[i]) > 0.5 {
			t.Errorf("%g Hz: built from %+g dB, found %+g", s.FreqHz, set[i], s.GainDB)
		}
	}
	gentle := reply[sliderAnswer](t, dir, "sliders", "sealed", "--reference", "old", "--gentle=2", "--freq", "100,400,1600,6400", "--width", "2")
	for _, s := range gentle.Rows[0].Sliders {
		if math.Abs(s.GainDB) > 2 {
			t.Errorf("gentle: %+v", s)
		}
	}
	if n := len(gentle.Rows[0].Sliders); n != 4 || math.Abs(gentle.Rows[0].Q-2./3) > 1e-9 { // 2 octaves: Q = √4/(4 − 1)
		t.Errorf("%d sliders of Q %g", n, gentle.Rows[0].Q)
	}
}

func TestDeriveDryWritesNothing(t *testing.T) {
	dir := demoBench(t)
	before := content(t, dir)
	out, msg, err := command(dir, "derive", "wipe-clean", "--reference", "woven", "--dry")
	if err != nil {
		t.Fatal(err)
	}
	if !same(before, content(t, dir)) {
		t.Error("something was written")
	}
	for _, w := range []string{" bands\n", "headroom: take", "before: ", "after: ", "left uncorrected", fit.WhyScatter, "nothing was written"} {
		if !strings.Contains(out, w) {
			t.Errorf("%q is not said in\n%s", w, out)
		}
	}
	if !strings.Contains(msg, caution) {
		t.Errorf("it boosts without the caution: %q", msg)
	}
}

func TestDeriveWritesWhatItSays(t *testing.T) {
	dir := demoBench(t)
	file := filepath.Join(dir, "corrections", "wipe-clean.toml")
	old, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	d := reply[derived](t, dir, "derive", "wipe-clean", "--reference", "woven")
	kept, err := os.ReadFile(file + ".previous")
	if err != nil || !bytes.Equal(kept, old) {
		t.Errorf("the former correction is not kept: %v", err)
	}
	snap, err := config.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	c, ok := snap.Correction("wipe-clean")
	if !ok || c.Reference != "woven" || d.Reference != "woven" || d.File != file || c.Derived == nil || c.Derived.Seats != 10 || c.Derived.ReferenceSeats != 10 {
		t.Fatalf("%+v\n%+v", c, d)
	}
	var bands []bandSetting
	for _, b := range c.Correction.Bands() {
		bands = append(bands, bandSetting{b.Shape, b.Ear, b.FreqHz, b.GainDB, b.Q})
	}
	if !slices.Equal(bands, d.Bands) || len(bands) == 0 || len(bands) > 8 {
		t.Errorf("written %v\nsaid %v", bands, d.Bands)
	}
	chain, err := c.Correction.Compile(48000, dsp.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if d.HeadroomDB != chain.HeadroomDB() || d.HeadroomDB >= 0 {
		t.Errorf("headroom %g dB, the chain's is %g", d.HeadroomDB, chain.HeadroomDB())
	}
	if !(d.After.RMSDB < 0.25*d.Before.RMSDB && d.After.MaxDB < d.Before.MaxDB) || d.Seconds <= 0 {
		t.Errorf("before %+v, after %+v, %g s", d.Before, d.After, d.Seconds)
	}
	// The course of the demo pair: see the sliders' signs.
	at := func(hz float64) float64 { return c.Correction.AnalogDB(dsp.Left, hz) }
	for _, hz := range []float64{31.5, 500, 1000, 2000, 4000, 8000} {
		if at(hz) < at(250) {
			t.Errorf("%g Hz gets %.1f dB, less than 250 Hz with %.1f", hz, at(hz), at(250))
		}
	}
	if !(at(1000) > at(500)+2 && at(1000) > at(2000)+2 && at(4000) > at(2000)+2) {
		t.Errorf("1 kHz %.1f, 2 kHz %.1f, 4 kHz %.1f dB", at(1000), at(2000), at(4000))
	}
	// Once more: the same file, and the kept one stays.
	first := content(t, dir)
	if _, _, err := command(dir, "derive", "wipe-clean", "--reference", "woven"); err != nil {
		t.Fatal(err)
	}
	if !same(first, content(t, dir)) {
		t.Error("the same input gave another output")
	}
	// The reference of the settings holds where none is named.
	e := reply[derived](t, dir, "derive", "wipe-clean", "--dry")
	if !slices.Equal(e.Bands, d.Bands) || e.File != "" {
		t.Errorf("without --reference: %+v", e)
	}
}

func TestDeriveForAnEqualiser(t *testing.T) {
	d := reply[derived](t, demoBench(t), "derive", "wipe-clean", "--for", "five-band-whole-decibels", "--dry")
	if len(d.Bands) == 0 || len(d.Bands) > 5 || !(d.After.RMSDB < 0.4*d.Before.RMSDB) {
		t.Errorf("%+v", d)
	}
	for _, b := range d.Bands {
		if b.GainDB != math.Round(b.GainDB) || b.FreqHz != math.Round(b.FreqHz) || b.Q != math.Round(10*b.Q)/10 {
			t.Errorf("%+v is not on the steps", b)
		}
	}
}

func TestDeriveEarsApart(t *testing.T) {
	d := reply[derived](t, demoBench(t), "derive", "deep-foam", "--ears", "apart", "--bands", "3", "--dry")
	n := map[dsp.Ear]int{}
	for _, b := range d.Bands {
		n[b.Ear]++
	}
	if n[dsp.Left] == 0 || n[dsp.Right] == 0 || n[dsp.Both] != 0 || n[dsp.Left] > 3 || n[dsp.Right] > 3 || len(d.Ears) != 2 {
		t.Errorf("%+v", d)
	}
}

// A wanted response with the course of the reference, 12 dB louder, asks for much the same correction and 12 dB more level.
func TestDeriveTowardsAWantedResponse(t *testing.T) {
	dir := demoBench(t)
	snap, err := config.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	m, err := bench.Read(snap, "woven")
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	b.WriteString("freq_hz,level_db\n")
	for _, f := range plotHz() {
		fmt.Fprintf(&b, "%.4f,%.4f\n", f, 12+(m.Means[dsp.Left].At(f)+m.Means[dsp.Right].At(f))/2)
	}
	if err := os.MkdirAll(filepath.Join(dir, "wanted"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "wanted", "booth.csv"), []byte(b.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	curveOf := func(d derived) (out []float64) {
		for _, f := range []float64{60, 120, 250, 500, 1000, 2000, 4000} {
			v := 0.0
			for _, b := range d.Bands {
				v += dsp.Band{Shape: b.Shape, FreqHz: b.FreqHz, GainDB: b.GainDB, Q: b.Q}.AnalogDB(f)
			}
			out = append(out, v)
		}
		return out
	}
	_, msg, err := command(dir, "derive", "wipe-clean", "--wanted", "booth", "--dry")
	if err != nil || !strings.Contains(msg, "no calibration") {
		t.Errorf("%v, %q", err, msg)
	}
	got, want := reply[derived](t, dir, "derive", "wipe-clean", "--wanted", "booth", "--dry"), reply[derived](t, dir, "derive", "wipe-clean", "--dry")
	g, w := curveOf(got), curveOf(want)
	mean := 0.0
	for i := range g {
		mean += (g[i] - w[i]) / float64(len(g))
	}
	for i := range g {
		if math.Abs(g[i]-w[i]-mean) > 1.5 {
			t.Errorf("towards the wanted response %.1f, towards the cushion %.1f dB", g, w)
			break
		}
	}
	if got.Reference != "booth" || math.Abs(mean+got.LevelDB-want.LevelDB-12) > 1.5 {
		t.Errorf("%+v", got)
	}
	// The calibration comes off the seats: the rig's own bass is no business of the correction.
	if err := os.WriteFile(filepath.Join(dir, "rig.txt"), []byte("20 9\n50 9\n100 0\n20000 0\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "settings.toml"), []byte("[rig]\ncalibration = \"rig.txt\"\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	c := curveOf(reply[derived](t, dir, "derive", "wipe-clean", "--wanted", "booth", "--dry"))
	if !(c[0]-c[2] > g[0]-g[2]+3) {
		t.Errorf("at 60 Hz against 250 Hz %.1f dB with the calibration, %.1f without", c[0]-c[2], g[0]-g[2])
	}
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
	for _, k := range []struct{ name, seat, says string }{{"woven", "left-06.csv", ""}, {"linen", "left-01.csv", "linen has no record yet"}} {
		out, msg, err := command(dir, "add", k.name, file, "--ear", "left", "--date", "2026-10-01")
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
		if len(e.Octaves) != 10 || len(e.Ranges) != 3 || e.ReferenceSeats != 5 {
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
		{"add woven --ear left", "requires at least 2 arg(s)"},
		{"add woven " + good, `--ear is "", allowed: left or right`},
		{"add woven --ear both " + good, `--ear is "both", allowed: left or right`},
		{"add ../woven --ear left " + good, "not a name"},
		{"add woven --ear left --date today " + good, "YYYY-MM-DD"},
		{"add woven --ear left " + filepath.Join(tmp, "none"), "none"},
		{"add woven --ear left " + good + " " + bad, "line 2"},
		{"compare woven", "accepts 2 arg(s)"},
		{"compare woven linen", "unknown cushion, the bench has: deep-foam, wipe-clean, woven"},
		{"compare ../x woven", "not a name"},
		{"derive linen", "unknown cushion"},
		{"derive woven", "it is the reference itself"},
		{"derive wipe-clean --reference linen", "unknown cushion"},
		{"derive wipe-clean --reference woven --wanted x", "none of the others can be"},
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
	if err != nil || !strings.Contains(out, "c0000 -> c1999") || !strings.Contains(out, "left ear, 5 and 5 seats") {
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
