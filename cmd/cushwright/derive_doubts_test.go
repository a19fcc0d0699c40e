package main

import (
	"errors"
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
)

// alterSeats rewrites the seats of a cushion; alter returns false for a seat that is to go.
func alterSeats(t *testing.T, dir, cushion string, alter func(r config.SeatRef, s *config.Seat) bool) {
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
		file := filepath.Join(dir, filepath.FromSlash(r.File))
		if !alter(r, &s) {
			if err := os.Remove(file); err != nil {
				t.Fatal(err)
			}
			continue
		}
		text, err := s.Text()
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

func leftOne(r config.SeatRef) bool { return r.Ear == dsp.Left && r.Number == 1 }

// cut keeps the points of a seat between two frequencies.
func cut(s *config.Seat, lowHz, highHz float64) {
	var f, l []float64
	for i, hz := range s.FreqHz {
		if hz >= lowHz && hz <= highHz {
			f, l = append(f, hz), append(l, s.LevelDB[i])
		}
	}
	s.FreqHz, s.LevelDB = f, l
}

// What makes seats no proof stops derive: nothing is written, the exit code is 1, and --yes goes on and says in the file
// what speaks against it.
func TestDeriveStopsOnDoubt(t *testing.T) {
	for name, c := range map[string]struct {
		alter func(t *testing.T, dir string)
		says  string
	}{
		"a seat far from its fellows": {func(t *testing.T, dir string) {
			alterSeats(t, dir, "wipe-clean", func(r config.SeatRef, s *config.Seat) bool {
				for i, f := range s.FreqHz { // 14 dB up and down: 14 dB RMS, no matter the level
					if leftOne(r) {
						s.LevelDB[i] += 14 * math.Copysign(1, math.Sin(3*math.Log2(f)))
					}
				}
				return true
			})
		}, "seats/wipe-clean/left-01.csv stands 1"},
		"no bass": {func(t *testing.T, dir string) {
			alterSeats(t, dir, "woven", func(r config.SeatRef, s *config.Seat) bool {
				if leftOne(r) {
					cut(s, 60, 20000)
				}
				return true
			})
		}, "seats/woven/left-01.csv covers 6"},
		"no treble": {func(t *testing.T, dir string) {
			alterSeats(t, dir, "woven", func(r config.SeatRef, s *config.Seat) bool {
				if leftOne(r) {
					cut(s, 20, 9000)
				}
				return true
			})
		}, "seats/woven/left-01.csv covers 2"},
		"kilohertz taken for hertz": {func(t *testing.T, dir string) {
			alterSeats(t, dir, "wipe-clean", func(r config.SeatRef, s *config.Seat) bool {
				for i := range s.FreqHz {
					if leftOne(r) {
						s.FreqHz[i] *= 1.02 / 1000
					}
				}
				return true
			})
		}, "seats/wipe-clean/left-01.csv covers 0.02 Hz to 2"},
		"one seat of one ear": {func(t *testing.T, dir string) {
			alterSeats(t, dir, "wipe-clean", func(r config.SeatRef, s *config.Seat) bool { return leftOne(r) })
		}, "wipe-clean has one seat of one ear, and one seat is no proof"},
		"one seat of each ear of the reference": {func(t *testing.T, dir string) {
			alterSeats(t, dir, "woven", func(r config.SeatRef, s *config.Seat) bool { return r.Number == 1 })
		}, "woven has one seat of each ear, and one seat is no proof"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := demoBench(t)
			os.Remove(filepath.Join(dir, "corrections", "wipe-clean.toml")) // nothing to be worse than
			c.alter(t, dir)
			before := content(t, dir)
			for _, more := range [][]string{nil, {"--dry"}, {"--json"}} {
				out, _, err := command(dir, append([]string{"derive", "wipe-clean"}, more...)...)
				var no answerNo
				if !errors.As(err, &no) || !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), "--yes") {
					t.Errorf("%v: %v", more, err)
				}
				if out == "" || !same(before, content(t, dir)) {
					t.Errorf("%v: something was written, or nothing shown", more)
				}
			}
			if _, msg, err := command(dir, "derive", "wipe-clean", "--yes"); err != nil || !strings.Contains(msg, c.says) {
				t.Fatalf("%v, %q", err, msg)
			}
			text, err := os.ReadFile(filepath.Join(dir, "corrections", "wipe-clean.toml"))
			if err != nil || strings.Count(string(text), c.says) != 2 { // in a comment and in its record
				t.Errorf("%v, the file says\n%s", err, text)
			}
			snap, err := config.Load(dir)
			if err != nil {
				t.Fatal(err)
			}
			if k, _ := snap.Correction("wipe-clean"); !strings.Contains(k.Derived.Caution, c.says) {
				t.Errorf("%+v", k.Derived)
			}
		})
	}
	// Seats that only scatter, and seats at another gain of the rig, stop nothing.
	dir := demoBench(t)
	alterSeats(t, dir, "wipe-clean", func(r config.SeatRef, s *config.Seat) bool {
		for i := range s.LevelDB {
			s.LevelDB[i] += 12 * float64(r.Number)
		}
		return true
	})
	if d := reply[bench.Derived](t, dir, "derive", "wipe-clean"); len(d.Doubts) != 0 || d.File == "" {
		t.Errorf("%+v", d)
	}
}

// The sheet says that one seat is no proof.
func TestSheetSaysWhatIsNotProven(t *testing.T) {
	dir, to := demoBench(t), t.TempDir()
	page := func() string {
		t.Helper()
		if _, _, err := command(dir, "sheet", "wipe-clean", "--out", to); err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(filepath.Join(to, "wipe-clean-as-woven.html"))
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	if strings.Contains(page(), "Not proven") {
		t.Error("ten seats are called no proof")
	}
	alterSeats(t, dir, "wipe-clean", func(r config.SeatRef, s *config.Seat) bool { return leftOne(r) })
	if _, _, err := command(dir, "derive", "wipe-clean", "--yes"); err != nil {
		t.Fatal(err)
	}
	if p := page(); !strings.Contains(p, "<b>Not proven:</b> wipe-clean has one seat of one ear") {
		t.Error("the sheet does not say that one seat is no proof")
	}
}

// A correction is not replaced by one that leaves more over, save by --yes. Towards another reference it may be.
func TestDeriveKeepsTheBetterCorrection(t *testing.T) {
	dir := demoBench(t)
	good := reply[bench.Derived](t, dir, "derive", "wipe-clean")
	before := content(t, dir)
	_, _, err := command(dir, "derive", "wipe-clean", "--bands", "1")
	var no answerNo
	if !errors.As(err, &no) || !strings.Contains(err.Error(), fmt.Sprintf("leaves less over: %.2f dB RMS", good.After.RMSDB)) {
		t.Errorf("%v", err)
	}
	if !same(before, content(t, dir)) {
		t.Error("the better correction is gone")
	}
	// By hand, without a record: it is judged by the seats.
	file := filepath.Join(dir, "corrections", "wipe-clean.toml")
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	bare, _, _ := strings.Cut(string(text), "[derived]")
	if err := os.WriteFile(file, []byte(bare), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, _, err := command(dir, "derive", "wipe-clean", "--bands", "1"); !errors.As(err, &no) || !strings.Contains(err.Error(), "by these seats") {
		t.Errorf("%v", err)
	}
	if d := reply[bench.Derived](t, dir, "derive", "wipe-clean", "--bands", "1", "--dry"); d.Worse == "" || d.File != "" {
		t.Errorf("a look at it: %+v", d)
	}
	if d := reply[bench.Derived](t, dir, "derive", "wipe-clean", "--bands", "1", "--reference", "deep-foam"); d.File == "" {
		t.Errorf("another reference: %+v", d)
	}
	if d := reply[bench.Derived](t, dir, "derive", "wipe-clean", "--bands", "1", "--yes", "--reference", "woven"); d.File == "" || d.After.RMSDB < good.After.RMSDB {
		t.Errorf("%+v", d)
	}
}

// The first line names the reference and where it comes from; one of another headphone or rig is refused.
func TestDeriveNamesItsReference(t *testing.T) {
	dir := demoBench(t)
	for args, want := range map[string]string{
		"derive wipe-clean --dry":                       "woven → wipe-clean: 8 bands that give wipe-clean the sound of woven (reference: the reference of settings.toml)",
		"derive wipe-clean --reference deep-foam --dry": "deep-foam → wipe-clean: 8 bands that give wipe-clean the sound of deep-foam",
		"sliders wipe-clean":                            "woven → wipe-clean (reference: the reference of settings.toml): "} {
		out, _, err := command(dir, strings.Fields(args)...)
		if first, _, _ := strings.Cut(out, "\n"); err != nil || !strings.HasPrefix(first, want) {
			t.Errorf("%s: %v, %q", args, err, first)
		}
	}
	for what, alter := range map[string]func(s *config.Seat){
		"different headphones": func(s *config.Seat) { s.Headphone = "another headset" },
		"different rigs":       func(s *config.Seat) { s.Rig = "another rig" },
	} {
		dir := demoBench(t)
		alterSeats(t, dir, "woven", func(r config.SeatRef, s *config.Seat) bool { alter(s); return true })
		before := content(t, dir)
		for _, args := range []string{"derive wipe-clean --yes", "sliders wipe-clean", "sheet wipe-clean --out " + t.TempDir()} {
			if out, _, err := command(dir, strings.Fields(args)...); err == nil || out != "" || !strings.Contains(err.Error(), what) {
				t.Errorf("%s with %s: %q, %v", args, what, out, err)
			}
		}
		if _, msg, err := command(dir, "compare", "woven", "wipe-clean"); err != nil || !strings.Contains(msg, what) {
			t.Errorf("compare with %s: %v, %q", what, err, msg)
		}
		if !same(before, content(t, dir)) {
			t.Errorf("%s: something was written", what)
		}
	}
}

// The sheet says of the rig what the seats say, and no more.
func TestSheetSaysWhatTheSeatsSay(t *testing.T) {
	for name, c := range map[string]struct {
		alter func(r config.SeatRef, s *config.Seat)
		says  []string
		not   string
	}{
		"all": {func(config.SeatRef, *config.Seat) {}, []string{"All seats say that they were measured on one rig, invented rig, so",
			"on one headphone, invented headset."}, "do not say"},
		"none": {func(r config.SeatRef, s *config.Seat) { s.Rig, s.Headphone = "", "" }, []string{
			"The seats do not say on which rig they were measured.", "only if both cushions were measured on the same rig"}, "All seats say"},
		"some": {func(r config.SeatRef, s *config.Seat) {
			if r.Cushion == "woven" {
				s.Rig = ""
			}
		}, []string{"10 of 30 seats say that they were measured on the rig invented rig, the others do not say."}, "All seats say that they were measured on one rig"},
	} {
		dir, to := demoBench(t), t.TempDir()
		for _, k := range []string{"woven", "wipe-clean"} {
			alterSeats(t, dir, k, func(r config.SeatRef, s *config.Seat) bool { c.alter(r, s); return true })
		}
		if _, _, err := command(dir, "sheet", "wipe-clean", "--out", to); err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(filepath.Join(to, "wipe-clean-as-woven.html"))
		if err != nil {
			t.Fatal(err)
		}
		page := strings.ReplaceAll(string(b), "&#39;", "'")
		for _, w := range c.says {
			if !strings.Contains(page, w) {
				t.Errorf("%s: the sheet does not say %q", name, w)
			}
		}
		if strings.Contains(page, c.not) || strings.Contains(page, "Both cushions were measured on the same rig") {
			t.Errorf("%s: the sheet says what the seats do not", name)
		}
	}
}

// Derive and sliders tell the same difference before for the same pair, whatever they are asked to make of it, and both say
// what it is.
func TestBeforeIsOneMeasure(t *testing.T) {
	dir := demoBench(t)
	for _, ears := range []string{"together", "apart"} {
		d := reply[bench.Derived](t, dir, "derive", "wipe-clean", "--ears", ears, "--dry")
		for _, more := range [][]string{nil, {"--level", "measured"}, {"--treble"}, {"--count", "5", "--gentle=2"}} {
			s := reply[bench.SliderAnswer](t, dir, append([]string{"sliders", "wipe-clean", "--ears", ears}, more...)...)
			if len(s.Rows) != len(d.Ears) || s.Measure != d.Measure || !strings.Contains(s.Measure, "level left out") {
				t.Fatalf("%+v", s)
			}
			for i, r := range s.Rows {
				if e := d.Ears[i]; math.Abs(r.BeforeRMSDB-e.Before.RMSDB) > 1e-9 || math.Abs(r.BeforeMaxDB-e.Before.MaxDB) > 1e-9 {
					t.Errorf("%s %v, %s: sliders say %.3f, %.3f dB before, derive %+v", ears, more, r.Ear, r.BeforeRMSDB, r.BeforeMaxDB, e.Before)
				}
			}
		}
	}
	line := func(args ...string) string {
		out, _, err := command(dir, args...)
		if err != nil {
			t.Fatal(err)
		}
		i := strings.Index(out, "before: ")
		l, _, _ := strings.Cut(out[i:], "\n")
		return l
	}
	if a, b := line("derive", "wipe-clean", "--dry"), line("sliders", "wipe-clean"); a != b || a == "" {
		t.Errorf("%q, %q", a, b)
	}
}

// Where a single band lifts more than the limit, derive says what the limit holds for; and it holds.
func TestDeriveSaysWhatIsLimited(t *testing.T) {
	dir := demoBench(t)
	d := reply[bench.Derived](t, dir, "derive", "wipe-clean", "--for", "ten-octave-sliders", "--max-boost", "3", "--dry")
	_, msg, err := command(dir, "derive", "wipe-clean", "--for", "ten-octave-sliders", "--max-boost", "3", "--dry")
	if err != nil {
		t.Fatal(err)
	}
	over := slices.DeleteFunc(slices.Clone(d.Bands), func(b bench.BandSetting) bool { return b.GainDB <= 3 })
	if len(over) == 0 {
		t.Fatalf("no band above the limit: %+v", d.Bands)
	}
	for _, b := range over {
		if w := fmt.Sprintf("the band at %g Hz lifts +%g dB: what is limited to 3 dB is what all bands do together", b.FreqHz, b.GainDB); !strings.Contains(msg, w) {
			t.Errorf("%q is not said in %q", w, msg)
		}
	}
	if d.BoostDB > 3.05 {
		t.Errorf("all bands together lift %.2f dB", d.BoostDB)
	}
	if _, msg, _ := command(dir, "derive", "wipe-clean", "--max-boost", "20", "--dry"); strings.Contains(msg, "what is limited") {
		t.Errorf("said without need: %q", msg)
	}
}
