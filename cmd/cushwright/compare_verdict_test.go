package main

import (
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"cushwright/config"
)

// A comparison that can say nothing answers no.
func TestCompareWithoutAVerdict(t *testing.T) {
	dir := demoBench(t)
	alterSeats(t, dir, "wipe-clean", func(r config.SeatRef, _ *config.Seat) bool { return r.Number == 1 })
	for _, more := range [][]string{nil, {"--json"}, {"--align"}} {
		out, _, err := command(dir, append([]string{"compare", "woven", "wipe-clean"}, more...)...)
		var no answerNo
		if !errors.As(err, &no) || !strings.Contains(err.Error(), "no verdict") || !strings.Contains(out, "unknown") {
			t.Errorf("%v: %v", more, err)
		}
	}
	// One ear that is known is enough.
	dir = demoBench(t)
	alterSeats(t, dir, "wipe-clean", func(r config.SeatRef, _ *config.Seat) bool { return !leftOne(r) && r.Number < 3 })
	if _, _, err := command(dir, "compare", "woven", "wipe-clean"); err != nil {
		t.Error(err)
	}
}

// Differences that one decimal would make nothing are never called real as "+0.0 ± 0.0": they are written with two, and
// what is below a hundredth is none.
func TestCompareNeverCallsNothingReal(t *testing.T) {
	for name, c := range map[string]struct {
		shift float64
		real  bool
	}{"a tenth of what is printed": {0.03, true}, "rounding": {1e-6, false}, "nothing": {0, false}} {
		dir := demoBench(t)
		// Seats that agree to a thousandth, so that next to nothing stands out.
		for cushion, up := range map[string]float64{"woven": 0, "wipe-clean": c.shift} {
			from, err := config.Bench{Dir: dir}.LoadSeat(config.SeatRef{Cushion: "woven", Ear: 1, Number: 1})
			if err != nil {
				t.Fatal(err)
			}
			alterSeats(t, dir, cushion, func(r config.SeatRef, s *config.Seat) bool {
				s.FreqHz, s.LevelDB = from.FreqHz, nil
				for _, v := range from.LevelDB {
					s.LevelDB = append(s.LevelDB, v+up+0.0005*float64(r.Number%2))
				}
				return r.Number < 5
			})
		}
		out, _, err := command(dir, "compare", "woven", "wipe-clean")
		if err != nil {
			t.Fatal(err)
		}
		if regexp.MustCompile(`[+-]0\.0 +(dB )?± *0\.0 +real`).MatchString(out) {
			t.Errorf("%s: nothing is called real in\n%s", name, out)
		}
		if got := regexp.MustCompile(`\+0\.03 +± *0\.01 +real`).MatchString(out); got != c.real || regexp.MustCompile(`± *[0-9.]+ +real`).MatchString(out) != c.real || strings.Contains(out, "a real change") != c.real {
			t.Errorf("%s:\n%s", name, out)
		}
		to := t.TempDir()
		if _, _, err := command(dir, "sheet", "wipe-clean", "--out", to); err != nil {
			t.Fatal(err)
		}
		page, err := os.ReadFile(filepath.Join(to, "wipe-clean-as-woven.html"))
		if err != nil {
			t.Fatal(err)
		}
		if regexp.MustCompile(`>[+-]0\.0</td><td class="num">± 0\.0</td><td class="real"`).Match(page) {
			t.Errorf("%s: the sheet calls nothing real", name)
		}
	}
}
