package main

import (
	_ "embed"
	"fmt"
	"html/template"
	"math"
	"strconv"
	"strings"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/words"
	"cushwright/dsp"
	"cushwright/dsp/curve"
	"cushwright/dsp/fit"
	"cushwright/dsp/plot"
)

// sheetPage is what stands on a sheet.
type sheetPage struct {
	Title          string
	New, Reference sheetName
	Wanted         bool // the reference is a wanted response
	Apart          bool // each ear has settings of its own
	Notes          []string

	TakeOffDB     float64 // the most of the rates
	BoostDB       float64
	Before, After fit.Residual

	Records           []sheetRecord
	Remarks           []string
	Changes           []sheetChange
	Measured, Results []sheetFigure

	Bands      []sheetBand
	Equalisers []sheetEqualiser
	Sliders    []sheetSliders
	Rates      []sheetRate
	Files      []sheetFile

	How, Warnings   []string
	Seats           []sheetSeat
	SeatNotes, Left []string
}

type (
	sheetName   struct{ Name, Label string }
	sheetRecord struct{ What, Reference, New string }
	sheetChange struct {
		Ear  string
		Rows []bench.BandRow
	}
	sheetFigure struct {
		Caption string
		SVG     template.HTML
	}
	sheetEqualiser struct {
		Name, Label, Can        string
		Problem                 string // why there are no settings
		Bands                   []sheetBand
		Idle                    bool // not all of its bands are in use
		TakeOffDB               float64
		BeforeRMSDB, AfterRMSDB float64
	}
	sheetSliders struct {
		sliderRow
		ID, Title string
		Rows      []sheetBand
		TakeOffDB float64
	}
	// sheetBand is a band as it is to be typed in.
	sheetBand struct{ Shape, Ear, Hz, DB, Q string }
	sheetRate struct {
		RateHz, TakeOffDB, Factor float64
		Ears                      []sheetSections
	}
	sheetSections struct {
		Ear      string // both, left or right
		Sections []dsp.Section
	}
	sheetFile struct {
		Name, What string
		RateHz     float64
		Frames     int
		Worst      string
	}
	sheetSeat struct {
		Cushion, Ear string
		Number       int
		Date, Rate   string
		Sweep, Noise string
		Level        string
		Remark       string
	}
	sheetPlace struct{ ID, Name string }
)

// Contents lists the sections of the page.
func (p *sheetPage) Contents() []sheetPlace {
	return []sheetPlace{{"record", "The two cushions"}, {"change", "What changes"}, {"result", "Before and after"}, {"settings", "Settings"},
		{"sections", "Coefficients"}, {"files", "Impulse response"}, {"measured", "How it was measured"}}
}

// DarkCSS turns the plots dark with the page.
func (p *sheetPage) DarkCSS() template.CSS { return template.CSS(plot.DarkCSS("figure")) }

// exact writes all digits that a float64 holds, no more than needed to read it back.
func exact(x float64) string { return strconv.FormatFloat(x+0, 'g', -1, 64) }

// typeIn writes bands as they are to be typed in, each column with as many decimals as its numbers need, at most so many for
// frequencies and 9 for the rest. Fixed frequencies are labels, each with the decimals of its own.
func typeIn(bands []dsp.Band, hzDecimals int, fixed bool) (out []sheetBand) {
	need := func(most int, value func(b dsp.Band) float64) int {
		n := 0
		for _, b := range bands {
			if _, frac, ok := strings.Cut(words.Short(value(b), most), "."); ok {
				n = max(n, len(frac))
			}
		}
		return n
	}
	hz := need(hzDecimals, func(b dsp.Band) float64 { return b.FreqHz })
	db := need(9, func(b dsp.Band) float64 { return b.GainDB })
	q := need(9, func(b dsp.Band) float64 { return b.Q })
	for _, b := range bands {
		s := sheetBand{b.Shape.String(), b.Ear.String(), fmt.Sprintf("%.*f", hz, b.FreqHz), fmt.Sprintf("%+.*f", db, b.GainDB+0), fmt.Sprintf("%.*f", q, b.Q)}
		if fixed {
			s.Hz = words.Short(b.FreqHz, hzDecimals)
		}
		switch {
		case !b.Shape.HasGain():
			s.DB = "none"
		case b.GainDB == 0:
			s.DB = s.DB[1:]
		}
		out = append(out, s)
	}
	return out
}

//go:embed sheet.html
var sheetHTML string

var sheetTemplate = template.Must(template.New("sheet").Funcs(template.FuncMap{
	"exact": exact,
	"plain": func(x float64) string { return strconv.FormatFloat(x+0, 'f', -1, 64) },
	"one":   func(x any) string { return fmt.Sprintf("%.1f", number(x)) },
	"two":   func(x float64) string { return fmt.Sprintf("%.2f", x+0) },
	"four":  func(x float64) string { return fmt.Sprintf("%.4f", x+0) },
	// Rounded up: a level taken off must never be too little.
	"up":      func(x float64) string { return fmt.Sprintf("%.1f", math.Ceil(x*10-1e-9)/10+0) },
	"signed1": words.SignedTenth,
	"inc":     func(i int) int { return i + 1 },
}).Parse(sheetHTML))

// number is a float64 or what a pointer to one points at.
func number(x any) float64 {
	if p, ok := x.(*float64); ok {
		return *p
	}
	return x.(float64)
}

// figures draws what was measured and what the correction makes of it, and lists the octave bands.
func (p *sheetPage) figures(diffs map[dsp.Ear]curve.Diff, c *dsp.Correction) error {
	grid := curve.Grid()
	// line cuts a curve to where it was measured; half is the half-width of its band, nil for none.
	line := func(name string, k curve.Curve, half []float64) plot.Line {
		from, to := curve.Index(k.LowHz), curve.Index(k.HighHz)+1
		l := plot.Line{Name: name, FreqHz: grid[from:to], LevelDB: k.LevelDB[from:to]}
		for i, v := range l.LevelDB {
			if half != nil {
				l.LowDB, l.HighDB = append(l.LowDB, v-half[from+i]), append(l.HighDB, v+half[from+i])
			}
		}
		return l
	}
	draw := func(pl *plot.Plot, caption string) (sheetFigure, error) {
		var b strings.Builder
		err := pl.SVG(&b)
		return sheetFigure{caption, template.HTML(b.String())}, err
	}
	level := func(k curve.Curve) curve.Curve {
		return k.Shift(-curve.Level(k))
	}
	for _, e := range bench.Ears {
		d, ok := diffs[e]
		if !ok {
			continue
		}
		side := strings.ToUpper(e.String()[:1]) + e.String()[1:]
		p.Changes = append(p.Changes, sheetChange{e.String(), bench.RowsOf(d.Octaves())})

		spread := func(a curve.Average) []float64 {
			if len(a.Seats) < 2 || p.Wanted && a.Half95DB != nil && len(a.Seats) == 2 && allZero(a.SpreadDB) {
				return nil
			}
			return a.SpreadDB
		}
		f, err := draw(&plot.Plot{Title: side + " ear: level on the rig", DecadeDB: 50, Lines: []plot.Line{
			line(p.Reference.Name, d.Ref.Curve.Smooth(bench.PlotSmooth), spread(d.Ref)), line(p.New.Name, d.New.Curve.Smooth(bench.PlotSmooth), spread(d.New))}},
			fmt.Sprintf("%s ear, level on the rig in dB: the mean of the seats, smoothed to 1/%d octave; shaded: one standard deviation from seat to seat.", side, bench.PlotSmooth))
		if err != nil {
			return err
		}
		p.Measured = append(p.Measured, f)

		half := d.Aligned().SmoothedHalf95DB(bench.PlotSmooth)
		after := d.Curve
		after.LevelDB = make([]float64, curve.Points)
		for i, v := range d.LevelDB {
			after.LevelDB[i] = v + c.AnalogDB(e, grid[i])
		}
		f, err = draw(&plot.Plot{Title: side + " ear: difference from the reference", Lines: []plot.Line{
			line("before", level(d.Curve).Smooth(bench.PlotSmooth), half), line("after", level(after).Smooth(bench.PlotSmooth), half)}},
			fmt.Sprintf("%s ear, %s against %s in dB, without and with the correction, each at its own level, smoothed to 1/%d octave; shaded: 95 %% confidence of the difference. A flat line would be perfect; where the shade covers 0 dB, what is left may be seating scatter alone.",
				side, p.New.Name, p.Reference.Name, bench.PlotSmooth))
		if err != nil {
			return err
		}
		p.Results = append(p.Results, f)
	}
	ch, err := c.Compile(impulseRateHz, dsp.Options{})
	if err != nil {
		return err
	}
	pl := correctionPlot(p.New.Name, ch)
	pl.Note = ""
	if !p.Apart && len(p.Rates[0].Ears) == 1 {
		pl.Lines = pl.Lines[:1]
		pl.Lines[0].Name = "both ears"
	}
	f, err := draw(pl, "What all bands of the correction do together, in dB, before any level is taken off.")
	p.Results = append(p.Results, f)
	return err
}

func allZero(v []float64) bool {
	for _, x := range v {
		if x != 0 {
			return false
		}
	}
	return true
}
