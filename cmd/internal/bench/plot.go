package bench

import (
	"fmt"
	"math"
	"slices"

	"cushwright/cmd/internal/words"
	"cushwright/dsp"
	"cushwright/dsp/curve"
	"cushwright/dsp/plot"
)

// PlotHz are 48 points an octave from 20 Hz to 20 kHz, ends included.
func PlotHz() []float64 {
	const n = 478
	f := make([]float64, n+1)
	for i := range f {
		f[i] = 20 * math.Pow(1000, float64(i)/n)
	}
	return f
}

// CorrectionPlot draws what a correction does at each ear, its headroom left out. Equal ears are one line.
func CorrectionPlot(name string, ch *dsp.Chain) *plot.Plot {
	p := &plot.Plot{Title: "Correction of " + name,
		Note: fmt.Sprintf("%s dB headroom, not drawn; at %g Hz.", words.Decimals(0-ch.HeadroomDB(), 1), ch.RateHz())}
	for _, e := range Ears {
		l := plot.Line{Name: e.String(), FreqHz: PlotHz()}
		for _, f := range l.FreqHz {
			l.LevelDB = append(l.LevelDB, ch.DB(e, f))
		}
		p.Lines = append(p.Lines, l)
	}
	if slices.Equal(p.Lines[0].LevelDB, p.Lines[1].LevelDB) {
		p.Lines = p.Lines[:1]
		p.Lines[0].Name = "both ears"
	}
	return p
}

// MeasuredLine is a curve where it was measured, with a band of half its width on either side.
func MeasuredLine(name string, k curve.Curve, half []float64) plot.Line {
	from, to := curve.Index(k.LowHz), curve.Index(k.HighHz)+1
	l := plot.Line{Name: name, FreqHz: curve.Grid()[from:to], LevelDB: k.LevelDB[from:to]}
	for i, v := range l.LevelDB {
		if half != nil {
			l.LowDB, l.HighDB = append(l.LowDB, v-half[from+i]), append(l.HighDB, v+half[from+i])
		}
	}
	return l
}

// Spread is the seat-to-seat standard deviation; nil where there is nothing to tell it from.
func Spread(a curve.Average) []float64 {
	if len(a.Seats) < 2 || allZero(a.SpreadDB) {
		return nil
	}
	return a.SpreadDB
}

func allZero(v []float64) bool {
	for _, x := range v {
		if x != 0 {
			return false
		}
	}
	return true
}

// PlotSmooth is the smoothing of the drawn difference, in parts of an octave.
const PlotSmooth = 12

// Plot draws the change with its 95 % band, ear by ear.
func (cmp Comparison) Plot() *plot.Plot {
	p := &plot.Plot{Title: "Change " + words.Arrow(cmp.Reference.Name, cmp.New.Name),
		Note: fmt.Sprintf("New less reference, smoothed to 1/%d octave; shaded: 95 %% band of the difference. Below "+
			"100 Hz and above 10 kHz the rig is unreliable.", PlotSmooth)}
	for _, k := range cmp.Ears {
		l := plot.Line{Name: k.Ear.String(), LevelDB: k.Diff.Smooth(PlotSmooth).LevelDB}
		half := k.Diff.SmoothedHalf95DB(PlotSmooth)
		grid := curve.Grid()
		from, to := curve.Index(k.LowHz), curve.Index(k.HighHz)+1
		l.FreqHz, l.LevelDB = grid[from:to], l.LevelDB[from:to]
		for i, v := range l.LevelDB {
			if half != nil {
				l.LowDB, l.HighDB = append(l.LowDB, v-half[from+i]), append(l.HighDB, v+half[from+i])
			}
		}
		p.Lines = append(p.Lines, l)
	}
	return p
}
