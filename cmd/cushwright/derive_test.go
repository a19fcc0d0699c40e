package main

import (
	"bytes"
	"fmt"
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

// What common practice (no source) expects where a porous fabric cushion gives way to a sealed one about 3 mm thicker: most
// is taken off at 250 Hz, then below; 1 kHz gains, 2 kHz loses, 4 kHz gains.
func TestSlidersOfTheDemoHaveTheExpectedSigns(t *testing.T) {
	a := reply[bench.SliderAnswer](t, demoBench(t), "sliders", "wipe-clean", "--reference", "woven")
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
			args := []string{"add", name, "--new", "--ear", ear}
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
	a := reply[bench.SliderAnswer](t, dir, "sliders", "sealed", "--reference", "old", "--q", "1.2", "--treble", "--max-boost", "24")
	for i, s := range a.Rows[0].Sliders {
		if math.Abs(s.GainDB-set[i]) > 0.5 {
			t.Errorf("%g Hz: built from %+g dB, found %+g", s.FreqHz, set[i], s.GainDB)
		}
	}
	gentle := reply[bench.SliderAnswer](t, dir, "sliders", "sealed", "--reference", "old", "--gentle=2", "--freq", "100,400,1600,6400", "--width", "2")
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
	d := reply[bench.Derived](t, dir, "derive", "wipe-clean", "--reference", "woven")
	kept, err := os.ReadFile(filepath.Join(dir, "earlier", "wipe-clean", "0001.toml"))
	if err != nil || !bytes.Equal(kept, old) {
		t.Errorf("the former correction is not kept: %v", err)
	}
	snap, err := config.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	c, ok := snap.Correction("wipe-clean")
	if !ok || c.Reference != "woven" || d.Reference != "woven" || d.File != file || c.Derived == nil || c.Derived.Seats != 10 || c.Derived.ReferenceSeats != 20 {
		t.Fatalf("%+v\n%+v", c, d)
	}
	var bands []bench.BandSetting
	for _, b := range c.Correction.Bands() {
		bands = append(bands, bench.BandSetting{Shape: b.Shape, Ear: b.Ear, FreqHz: b.FreqHz, GainDB: b.GainDB, Q: b.Q})
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
	e := reply[bench.Derived](t, dir, "derive", "wipe-clean", "--dry")
	if !slices.Equal(e.Bands, d.Bands) || e.File != "" {
		t.Errorf("without --reference: %+v", e)
	}
}

func TestDeriveForAnEqualiser(t *testing.T) {
	d := reply[bench.Derived](t, demoBench(t), "derive", "wipe-clean", "--for", "five-band-whole-decibels", "--dry")
	if len(d.Bands) == 0 || len(d.Bands) > 5 || !(d.After.RMSDB < 0.4*d.Before.RMSDB) {
		t.Errorf("%+v", d)
	}
	for _, b := range d.Bands {
		if b.GainDB != math.Round(b.GainDB) || b.FreqHz != math.Round(b.FreqHz) || b.Q != math.Round(10*b.Q)/10 {
			t.Errorf("%+v is not on the steps", b)
		}
	}
}

// TestDeriveForKeepsTheCorrection: settings for an equaliser are printed; the engine's correction stays, unless --write
// says so, and even then it can be put back.
func TestDeriveForKeepsTheCorrection(t *testing.T) {
	dir := demoBench(t)
	file := filepath.Join(dir, "corrections", "wipe-clean.toml")
	before := content(t, dir)
	out, _, err := command(dir, "derive", "wipe-clean", "--for", "five-band-whole-decibels")
	if err != nil || !strings.Contains(out, "nothing was written") || !strings.Contains(out, "--write") {
		t.Errorf("%v: %s", err, out)
	}
	if !same(before, content(t, dir)) {
		t.Fatal("settings for an equaliser replaced what the engine plays")
	}
	if list := reply[[]earlierListed](t, dir, "earlier", "wipe-clean"); len(list) != 0 {
		t.Errorf("%+v", list)
	}
	d := reply[bench.Derived](t, dir, "derive", "wipe-clean", "--for", "five-band-whole-decibels", "--write")
	if d.File != file || same(before, content(t, dir)) {
		t.Errorf("--write wrote nothing: %q", d.File)
	}
	list := reply[[]earlierListed](t, dir, "earlier", "wipe-clean")
	if len(list) != 1 || list[0].Number != 1 || list[0].Reference != "woven" || list[0].Problem != "" || list[0].Bands == 0 {
		t.Fatalf("%+v", list)
	}
	if out, _, err := command(dir, "earlier", "wipe-clean"); err != nil || !strings.Contains(out, "cushwright earlier wipe-clean 1") {
		t.Errorf("%v: %s", err, out)
	}
	for _, bad := range []string{"2", "0", "x"} {
		if _, _, err := command(dir, "earlier", "wipe-clean", bad); err == nil {
			t.Errorf("number %s passed", bad)
		}
	}
	if _, msg, err := command(dir, "earlier", "wipe-clean", "1"); err != nil || !strings.Contains(msg, caution) {
		t.Errorf("%v: %s", err, msg)
	}
	if b, err := os.ReadFile(file); err != nil || string(b) != before[file] {
		t.Errorf("the good one is not back: %v", err)
	}
}

func TestDeriveEarsApart(t *testing.T) {
	d := reply[bench.Derived](t, demoBench(t), "derive", "deep-foam", "--ears", "apart", "--bands", "3", "--dry")
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
	for _, f := range bench.PlotHz() {
		fmt.Fprintf(&b, "%.4f,%.4f\n", f, 12+(m.Means[dsp.Left].At(f)+m.Means[dsp.Right].At(f))/2)
	}
	if err := os.MkdirAll(filepath.Join(dir, "wanted"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "wanted", "booth.csv"), []byte(b.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	curveOf := func(d bench.Derived) (out []float64) {
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
	got, want := reply[bench.Derived](t, dir, "derive", "wipe-clean", "--wanted", "booth", "--dry"), reply[bench.Derived](t, dir, "derive", "wipe-clean", "--dry")
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
	c := curveOf(reply[bench.Derived](t, dir, "derive", "wipe-clean", "--wanted", "booth", "--dry"))
	if !(c[0]-c[2] > g[0]-g[2]+3) {
		t.Errorf("at 60 Hz against 250 Hz %.1f dB with the calibration, %.1f without", c[0]-c[2], g[0]-g[2])
	}
}
