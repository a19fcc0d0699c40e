package bench

import (
	"fmt"
	"math"
	"time"

	swept "cushwright/dsp/sweep"

	"cushwright/config"
	"cushwright/dsp"
)

// OctaveName is the nominal frequency (ISO 266) of an octave's exact mid-band.
func OctaveName(midHz float64) string {
	for i, n := range []string{"31.5", "63", "125", "250", "500", "1k", "2k", "4k", "8k", "16k"} {
		if math.Abs(math.Log(midHz/(1000*math.Pow(10, 0.3*float64(i-5))))) < 0.01 {
			return n
		}
	}
	return fmt.Sprintf("%.0f", midHz)
}

// Stored is a seat on disk, with its levels on the grid of the sweep.
type Stored struct {
	Ref     config.SeatRef
	Seat    config.Seat
	LevelDB []float64 // NaN where nothing was measured
}

// StoredSeats reads the seats of one ear that accept takes (nil: all).
func StoredSeats(dir, cushion string, ear dsp.Ear, accept func(config.Seat) bool) (out []Stored, err error) {
	b := config.Bench{Dir: dir}
	refs, err := b.Seats(cushion)
	if err != nil {
		return nil, err
	}
	for _, r := range refs {
		if r.Ear != ear {
			continue
		}
		s, err := b.LoadSeat(r)
		if err != nil {
			return nil, err
		}
		if accept == nil || accept(s) {
			out = append(out, Stored{r, s, OnSweepGrid(s.FreqHz, s.LevelDB)})
		}
	}
	return out, nil
}

// LevelsOf are the seats' levels on the grid of the sweep.
func LevelsOf(seats []Stored) (out [][]float64) {
	for _, s := range seats {
		out = append(out, s.LevelDB)
	}
	return out
}

// OnSweepGrid puts measured points on the grid of package sweep, over log frequency. Where nothing was measured within
// a sixth of an octave on either side there is NaN.
func OnSweepGrid(freqHz, levelDB []float64) []float64 {
	grid := swept.Grid()
	out := make([]float64, len(grid))
	k := 0
	for i, f := range grid {
		for k < len(freqHz) && freqHz[k] < f*(1-1e-6) {
			k++
		}
		out[i] = math.NaN()
		switch {
		case k < len(freqHz) && math.Abs(freqHz[k]/f-1) < 1e-5:
			out[i] = levelDB[k]
		case k == 0 || k == len(freqHz):
		case math.Log2(freqHz[k]/freqHz[k-1]) <= 1./3:
			t := math.Log(f/freqHz[k-1]) / math.Log(freqHz[k]/freqHz[k-1])
			out[i] = levelDB[k-1] + t*(levelDB[k]-levelDB[k-1])
		}
	}
	return out
}

// SeatTime reads a seat's date.
func SeatTime(date string) (time.Time, bool) {
	for _, form := range []string{time.RFC3339, time.DateOnly} {
		if t, err := time.ParseInLocation(form, date, time.Local); err == nil {
			return t, true
		}
	}
	return time.Time{}, false
}
