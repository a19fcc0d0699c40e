package main

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"math"
	"math/cmplx"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"cushwright/cmd/internal/bench"
	"cushwright/config"
	"cushwright/dsp"
	"cushwright/platform/soundfile"
)

// sheetOf runs the command into a folder of its own and returns the page and the files.
func sheetOf(t *testing.T, folder string, args ...string) (page *node, files []string) {
	t.Helper()
	type answer struct {
		Cushion, Reference string
		Files              []string
		Caution            string
		Notes              []string
	}
	a := reply[answer](t, folder, append([]string{"sheet", "--out", t.TempDir()}, args...)...)
	data, err := os.ReadFile(a.Files[0])
	if err != nil {
		t.Fatal(err)
	}
	return parsePage(t, data), a.Files
}

// checkSheet compares every number on a sheet with what the engine would run and what the commands find.
func checkSheet(t *testing.T, folder, cushion string, how []string, page *node, files []string) {
	t.Helper()
	snap, err := config.Load(folder)
	if err != nil {
		t.Fatal(err)
	}
	corr, _ := snap.Correction(cushion)
	near := func(what string, got, want, tol float64) {
		t.Helper()
		if !(math.Abs(got-want) <= tol) {
			t.Errorf("%s: %v on the sheet, %v in the engine", what, got, want)
		}
	}

	// The correction, as it is played.
	rows, bands := page.byID(t, "bands").rows(), corr.Correction.Bands()
	if len(rows) != len(bands) {
		t.Fatalf("%d bands on the sheet, %d in the correction", len(rows), len(bands))
	}
	var typed []dsp.Band
	for i, r := range rows {
		shape, err := dsp.ParseShape(r[1])
		if err != nil {
			t.Fatal(err)
		}
		ear, err := dsp.ParseEar(r[2])
		if err != nil {
			t.Fatal(err)
		}
		b := dsp.Band{Shape: shape, Ear: ear, FreqHz: num(t, r[3]), Q: num(t, r[5])}
		if shape.HasGain() {
			b.GainDB = num(t, r[4])
		} else if r[4] != "none" {
			t.Errorf("band %d has a gain of %s", i+1, r[4])
		}
		typed = append(typed, b)
		if b != bands[i] || r[0] != fmt.Sprint(i+1) {
			t.Errorf("band %d: %v on the sheet, %v in the correction", i+1, r, bands[i])
		}
	}

	// The sections at each rate, from the bands as they stand on the sheet, by Compile and by Realise.
	typedIn, err := dsp.NewCorrection(typed, corr.Correction.FixedHeadroomDB())
	if err != nil {
		t.Fatal(err)
	}
	most := 0.0
	for _, hz := range []float64{44100, 48000, 96000} {
		ch, err := typedIn.Compile(hz, dsp.Options{})
		if err != nil {
			t.Fatal(err)
		}
		most = max(most, -ch.HeadroomDB())
		for _, e := range []dsp.Ear{dsp.Left, dsp.Right} {
			id := fmt.Sprintf("%.0f-both", hz)
			if !slices.Equal(ch.Sections(dsp.Left), ch.Sections(dsp.Right)) {
				id = fmt.Sprintf("%.0f-%s", hz, e)
			}
			var realised []dsp.Section
			for _, b := range typed {
				if b.Covers(e) {
					s, err := dsp.Realise(b, hz)
					if err != nil {
						t.Fatal(err)
					}
					realised = append(realised, s...)
				}
			}
			var read []dsp.Section
			for i, r := range page.byID(t, "sections-"+id).rows() {
				read = append(read, dsp.Section{B0: num(t, r[1]), B1: num(t, r[2]), B2: num(t, r[3]), A1: num(t, r[4]), A2: num(t, r[5])})
				if r[0] != fmt.Sprint(i+1) {
					t.Errorf("section %d has the number %s", i+1, r[0])
				}
			}
			if !slices.Equal(read, ch.Sections(e)) || !slices.Equal(read, realised) {
				t.Errorf("%s: sections\n%v on the sheet,\n%v in the engine", id, read, ch.Sections(e))
			}
			near("level at "+id, page.value(t, "level-"+id, false), -ch.HeadroomDB(), 0)
			near("factor at "+id, page.value(t, "factor-"+id, false), dsp.Ratio(ch.HeadroomDB()), 0)
		}
	}
	// The convention that stands beside them is that of Section: the response follows from the sentence.
	if c := page.byID(t, "convention").text; c != "y[n] = b0·x[n] + b1·x[n-1] + b2·x[n-2] - a1·y[n-1] - a2·y[n-2]" {
		t.Errorf("convention: %s", c)
	}
	near("level to take off", page.value(t, "takeoff", true), most, 0)
	ch, err := corr.Correction.Compile(48000, dsp.Options{})
	if err != nil {
		t.Fatal(err)
	}
	near("boost", page.value(t, "boost", false), max(0, ch.PeakDB()), 0)

	// Described equalisers and sliders, as their commands find them.
	apart := slices.ContainsFunc(bands, func(b dsp.Band) bool { return b.Ear != dsp.Both })
	earsFlag := map[bool]string{true: "apart", false: "together"}[apart]
	if len(snap.EqualiserNames()) == 0 {
		t.Error("no equaliser to compare with")
	}
	for _, name := range snap.EqualiserNames() {
		d := reply[bench.Derived](t, folder, append([]string{"derive", cushion, "--dry", "--for", name, "--ears", earsFlag}, how...)...)
		rows := page.byID(t, "eq-"+name).rows()
		if len(rows) != len(d.Bands) {
			t.Errorf("%s: %d bands on the sheet, %d derived", name, len(rows), len(d.Bands))
			continue
		}
		for i, b := range d.Bands {
			r := rows[i]
			if r[0] != b.Shape.String() || apart && r[1] != b.Ear.String() {
				t.Errorf("%s: %v on the sheet, %+v derived", name, r, b)
			}
			n := len(r) - 3
			near(name+" Hz", num(t, r[n]), b.FreqHz, 0.05)
			near(name+" dB", num(t, r[n+1]), b.GainDB, 0)
			near(name+" Q", num(t, r[n+2]), b.Q, 0)
		}
		near(name+" after", page.value(t, "after-eq-"+name, false), d.After.RMSDB, 1e-12)
		near(name+" before", page.value(t, "before-eq-"+name, false), d.Before.RMSDB, 1e-12)
		if off := page.value(t, "takeoff-eq-"+name, true); off < -d.HeadroomDB || off > -d.HeadroomDB+0.5 {
			t.Errorf("%s: %g dB are taken off, the engine would take %g", name, off, -d.HeadroomDB)
		}
	}
	for _, count := range []string{"5", "10", "31"} {
		a := reply[bench.SliderAnswer](t, folder, append([]string{"sliders", cushion, "--count", count, "--ears", earsFlag}, how...)...)
		for _, row := range a.Rows {
			id := count
			if row.Ear != dsp.Both {
				id += "-" + row.Ear.String()
			}
			rows := page.byID(t, "sliders-"+id).rows()
			if len(rows) != len(row.Sliders) {
				t.Fatalf("%s: %d sliders, want %d", id, len(rows), len(row.Sliders))
			}
			for i, s := range row.Sliders {
				near(id+" Hz", num(t, rows[i][0]), s.FreqHz, 0)
				near(id+" dB", num(t, rows[i][1]), s.GainDB, 0)
			}
			near(id+" after", page.value(t, "after-sliders-"+id, false), row.ResidualRMSDB, 1e-12)
			near(id+" before", page.value(t, "before-sliders-"+id, false), row.BeforeRMSDB, 1e-12)
			near(id+" Q", page.value(t, "q-sliders-"+id, false), row.Q, 0)
			near(id+" level", page.value(t, "takeoff-sliders-"+id, true), -row.HeadroomDB, 1e-12)
		}
	}

	// The impulse responses: the engine's response, headroom included, by their own Fourier sums.
	listed := page.byID(t, "impulses").rows()
	if len(listed) != len(files)-1 {
		t.Fatalf("%d files listed, %d written", len(listed), len(files)-1)
	}
	seen := map[string]int{}
	for _, r := range listed {
		file := filepath.Join(filepath.Dir(files[0]), r[0])
		if !slices.Contains(files, file) {
			t.Errorf("%s is listed and was not written", r[0])
		}
		hz, stated := num(t, r[2]), num(t, r[4])
		var ir [2][]float64
		switch filepath.Ext(file) {
		case ".wav":
			s, err := soundfile.Read(file)
			if err != nil || s.Channels != 2 || float64(s.RateHz) != hz || !s.Float {
				t.Fatalf("%s: %v %+v", r[0], err, s)
			}
			for i, v := range s.Samples {
				ir[i%2] = append(ir[i%2], v)
			}
		case ".csv":
			f, err := os.Open(file)
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			c := csv.NewReader(f)
			c.Comment = '#'
			all, err := c.ReadAll()
			if err != nil || !slices.Equal(all[0], []string{"frame", "left", "right"}) {
				t.Fatalf("%s: %v %v", r[0], err, all[0])
			}
			for i, v := range all[1:] {
				if v[0] != fmt.Sprint(i) {
					t.Fatalf("%s: frame %s follows %d", r[0], v[0], i-1)
				}
				ir[0], ir[1] = append(ir[0], num(t, v[1])), append(ir[1], num(t, v[2]))
			}
		}
		seen[filepath.Ext(file)+r[2]]++
		if fmt.Sprint(len(ir[0])) != r[3] {
			t.Errorf("%s: %d frames, %s are listed", r[0], len(ir[0]), r[3])
		}
		ch, err := corr.Correction.Compile(hz, dsp.Options{})
		if err != nil {
			t.Fatal(err)
		}
		for i, e := range []dsp.Ear{dsp.Left, dsp.Right} {
			for f := 20.0; f <= 20000; f *= 1.03 {
				near(fmt.Sprintf("%s, %s, %.0f Hz", r[0], e, f), dsp.DB(cmplx.Abs(dsp.ResponseOf(ir[i], f, hz))), ch.DB(e, f)+ch.HeadroomDB(), stated+0.0005)
			}
		}
		if stated > 0.02 {
			t.Errorf("%s is off by %g dB", r[0], stated)
		}
	}
	for _, want := range []string{".wav44100", ".wav48000", ".wav96000", ".csv48000"} {
		if seen[want] != 1 {
			t.Errorf("no %s among %v", want, seen)
		}
	}
}

func TestSheet(t *testing.T) {
	folder := demoBench(t)
	page, files := sheetOf(t, folder, "wipe-clean")
	if filepath.Base(files[0]) != "wipe-clean-as-woven.html" {
		t.Errorf("the page is %s", files[0])
	}
	checkSheet(t, folder, "wipe-clean", nil, page, files)

	// What the cushions are, what changes, and how it was measured.
	if r := page.byID(t, "records").rows(); !slices.ContainsFunc(r, func(c []string) bool { return slices.Equal(c, []string{"thickness", "20 mm", "23 mm"}) }) {
		t.Errorf("records: %v", r)
	}
	cmp := reply[comparison](t, folder, "compare", "woven", "wipe-clean")
	for _, e := range cmp.Ears {
		rows := page.byID(t, "octaves-"+e.Ear.String()).rows()
		if len(rows) != len(e.Octaves) {
			t.Fatalf("%d octaves, want %d", len(rows), len(e.Octaves))
		}
		for i, o := range e.Octaves {
			if r := rows[i]; r[0] != o.Band || r[1] != fmt.Sprintf("%+.1f", o.DiffDB) || r[2] != fmt.Sprintf("± %.1f", *o.Half95) || r[3] != o.Verdict {
				t.Errorf("octave %v, compare says %+v", r, o)
			}
		}
	}
	seats := page.byID(t, "seats").rows()
	if len(seats) != 30 || !slices.Equal(seats[0][:7], []string{"woven", "left", "1", "2026-01-12", "48000", "-30.0", "59.4"}) {
		t.Errorf("%d seats, first %v", len(seats), seats[0])
	}
	text := page.text
	for _, w := range []string{"invented: this response comes from a formula", "IEC 60318-4", "safe-listening rules that apply where you are"} {
		if !strings.Contains(text, w) {
			t.Errorf("%q is not said", w)
		}
	}

	// The rest of the answer to "before and after": derive finds the same for its own correction.
	d := reply[bench.Derived](t, folder, "derive", "wipe-clean")
	page, files = sheetOf(t, folder, "wipe-clean", "--reference", "woven")
	checkSheet(t, folder, "wipe-clean", nil, page, files)
	for id, want := range map[string]float64{"before": d.Before.RMSDB, "after": d.After.RMSDB} {
		if got := page.value(t, id, false); math.Abs(got-want) > 0.003 { // the written bands are rounded
			t.Errorf("%s: %g dB on the sheet, %g by derive", id, got, want)
		}
	}
	if len(d.Uncorrected) == 0 || len(page.byID(t, "left").all("li")) != len(d.Uncorrected) {
		t.Errorf("derive left %d things, the sheet lists others", len(d.Uncorrected))
	}
}

// Ears apart, shapes without gain, a headroom by hand.
func TestSheetOfEarsApart(t *testing.T) {
	folder := demoBench(t)
	if _, _, err := command(folder, "derive", "deep-foam", "--reference", "woven", "--ears", "apart", "--bands", "5", "--yes"); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(folder, "corrections", "deep-foam.toml")
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	data = bytes.Replace(data, []byte(`headroom_db = "auto"`), []byte("headroom_db = -9.25"), 1)
	data = bytes.Replace(data, []byte("\n[derived]"), []byte("\n[[band]]\nshape = \"notch\"\near = \"right\"\nfreq_hz = 9123.25\nq = 7.125\n\n[derived]"), 1)
	if err := os.WriteFile(file, data, 0o644); err != nil {
		t.Fatal(err)
	}
	page, files := sheetOf(t, folder, "deep-foam")
	if got := page.value(t, "takeoff", true); got != 9.25 {
		t.Errorf("%g dB are taken off, the correction says 9.25", got)
	}
	checkSheet(t, folder, "deep-foam", nil, page, files)
}

// Only one ear was measured, and the correction is that ear's alone.
func TestSheetOfOneEar(t *testing.T) {
	folder := demoBench(t)
	left, err := filepath.Glob(filepath.Join(folder, "seats", "*", "left-*.csv"))
	if err != nil || len(left) == 0 {
		t.Fatal(err)
	}
	for _, f := range left {
		if err := os.Remove(f); err != nil {
			t.Fatal(err)
		}
	}
	d := reply[bench.Derived](t, folder, "derive", "wipe-clean", "--reference", "woven")
	file := filepath.Join(folder, "corrections", "wipe-clean.toml")
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, bytes.ReplaceAll(data, []byte(`ear = "both"`), []byte(`ear = "right"`)), 0o644); err != nil {
		t.Fatal(err)
	}
	page, _ := sheetOf(t, folder, "wipe-clean")
	if got := page.value(t, "after", false); math.Abs(got-d.After.RMSDB) > 0.003 {
		t.Errorf("%g dB are left, %g by derive", got, d.After.RMSDB)
	}
	if n := len(page.all("svg")); n != 3 {
		t.Errorf("%d plots of one ear", n)
	}
	if len(page.byID(t, "sections-48000-left").rows()) != 0 || len(page.byID(t, "sections-48000-right").rows()) < len(d.Bands) {
		t.Error("the sections are not those of the right ear alone")
	}
	if len(page.byID(t, "seats").rows()) != 15 {
		t.Error("the seats are not those of one ear")
	}
}

// A wanted response in place of the reference cushion.
func TestSheetTowardsAWantedResponse(t *testing.T) {
	folder := demoBench(t)
	if err := os.MkdirAll(filepath.Join(folder, "wanted"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(folder, "wanted", "lecture.csv"), []byte("freq_hz,level_db\n20,90\n200,92\n3000,98\n20000,80\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, _, err := command(folder, "derive", "wipe-clean", "--wanted", "lecture"); err != nil {
		t.Fatal(err)
	}
	page, files := sheetOf(t, folder, "wipe-clean")
	if filepath.Base(files[0]) != "wipe-clean-as-lecture.html" {
		t.Errorf("the page is %s", files[0])
	}
	checkSheet(t, folder, "wipe-clean", []string{"--wanted", "lecture"}, page, files)
	if !strings.Contains(page.text, "does not cancel") {
		t.Error("that the rig's own response does not cancel is not said")
	}
	if r := page.byID(t, "records").rows(); r[0][1] != "a response, no cushion" {
		t.Errorf("records: %v", r[0])
	}
	// Another goal than the correction's own is refused.
	if _, _, err := command(folder, "sheet", "wipe-clean", "--reference", "woven", "--out", t.TempDir()); err == nil || !strings.Contains(err.Error(), "derive it towards") {
		t.Errorf("another reference: %v", err)
	}
}

// comparison is the answer of compare.
type comparison struct{ bench.Comparison }
