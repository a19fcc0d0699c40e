package bench

import (
	"math"
	"strings"
	"testing"
	"time"

	"cushwright/config"
	swept "cushwright/dsp/sweep"
)

func TestOnSweepGrid(t *testing.T) {
	grid := swept.Grid()
	level := make([]float64, len(grid))
	for i := range level {
		level[i] = float64(i)
	}
	same := OnSweepGrid(grid, level)
	for i, v := range same {
		if v != level[i] {
			t.Fatalf("point %d became %g", i, v)
		}
	}
	// A hole of half an octave stays a hole; one point missing is filled in.
	hole := OnSweepGrid(append(append([]float64{}, grid[:100]...), grid[124:]...), append(append([]float64{}, level[:100]...), level[124:]...))
	one := OnSweepGrid(append(append([]float64{}, grid[:100]...), grid[101:]...), append(append([]float64{}, level[:100]...), level[101:]...))
	if !math.IsNaN(hole[110]) || hole[99] != 99 || hole[124] != 124 || math.Abs(one[100]-100) > 0.01 {
		t.Errorf("%v %v", hole[98:126], one[100])
	}
	few := OnSweepGrid([]float64{100, 110}, []float64{1, 2})
	if !math.IsNaN(few[0]) || !math.IsNaN(few[480]) {
		t.Error("beyond what was measured")
	}
}

func TestVisits(t *testing.T) {
	var seats []Stored
	for _, d := range []string{"2026-03-02T23:50:00+01:00", "2026-03-03T00:10:00+01:00", "2026-01-10", "2026-01-10", "last week", "2026-03-09T08:00:00Z"} {
		seats = append(seats, Stored{Seat: config.Seat{Date: d}})
	}
	v, undated := Visits(seats)
	if undated != 1 || len(v) != 3 || len(v[0].Seats) != 2 || len(v[1].Seats) != 2 || len(v[2].Seats) != 1 {
		t.Errorf("%d without date, %+v", undated, v)
	}
}

func TestSince(t *testing.T) {
	accept := since(time.Date(2026, 3, 3, 0, 0, 0, 0, time.Local))
	for date, want := range map[string]bool{"2026-01-10": false, "2026-03-09T08:00:00Z": true, "2026-03-03": true, "last week": false} {
		if accept(config.Seat{Date: date}) != want {
			t.Errorf("%s", date)
		}
	}
	if _, err := ReadSince("3 March", nil); err == nil || !strings.Contains(err.Error(), "YYYY-MM-DD") {
		t.Errorf("a day in words: %v", err)
	}
}
