package sheet

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
	"cushwright/dsp/fit"
	"cushwright/dsp/plot"
)

// Page is what stands on a sheet.
type Page struct {
	Title          string
	New, Reference named
	Wanted         bool // the reference is a wanted response
	Apart          bool // each ear has settings of its own
	Notes          []string

	TakeOffDB     float64 // the most of the rates
	BoostDB       float64
	Before, After fit.Residual

	Records           []record
	Remarks           []string
	Changes           []change
	Measured, Results []Figure

	Bands      []Band
	Equalisers []equaliser
	Sliders    []Sliders
	Rates      []rate
	Files      []impulseFile

	How, Warnings          []string
	Seats                  []seat
	SeatNotes, Uncorrected []string
	NotProven              string // why the correction is not proven, "" where nothing speaks against it
}

type (
	named  struct{ Name, Label string }
	record struct{ What, Reference, New string }
	change struct {
		Ear  string
		Rows []bench.BandRow
	}
	Figure struct {
		Caption string
		SVG     template.HTML
	}
	equaliser struct {
		Name, Label, Can        string
		Problem                 string // why there are no settings
		Bands                   []Band
		Idle                    bool // not all of its bands are in use
		TakeOffDB               float64
		BeforeRMSDB, AfterRMSDB float64
	}
	Sliders struct {
		bench.SliderRow
		ID, Title string
		Rows      []Band
		TakeOffDB float64
	}
	// Band is a band as it is to be typed in.
	Band struct{ Shape, Ear, Hz, DB, Q string }
	rate struct {
		RateHz, TakeOffDB, Factor float64
		Ears                      []sections
	}
	sections struct {
		Ear      string // both, left or right
		Sections []dsp.Section
	}
	impulseFile struct {
		Name, What string
		RateHz     float64
		Frames     int
		Worst      string
	}
	seat struct {
		Cushion, Ear string
		Number       int
		Date, Rate   string
		Sweep, Noise string
		Level        string
		Remark       string
	}
	place struct{ ID, Name string }
)

// Contents lists the sections of the page.
func (p *Page) Contents() []place {
	return []place{{"record", "The two cushions"}, {"change", "What changes"}, {"result", "Before and after"},
		{"settings", "Settings"},
		{"sections", "Coefficients"}, {"files", "Impulse response"}, {"measured", "How it was measured"}}
}

// DarkCSS turns the plots dark with the page.
func (p *Page) DarkCSS() template.CSS { return template.CSS(plot.DarkCSS("figure")) }

// exact writes all digits that a float64 holds, no more than needed to read it back.
func exact(x float64) string { return strconv.FormatFloat(x+0, 'g', -1, 64) }

// TypeIn writes bands as they are to be typed in, each column with as many decimals as its numbers need, at most so
// many for frequencies and 9 for the rest. Fixed frequencies are labels, each with the decimals of its own.
func TypeIn(bands []dsp.Band, hzDecimals int, fixed bool) (out []Band) {
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
		s := Band{b.Shape.String(), b.Ear.String(), fmt.Sprintf("%.*f", hz, b.FreqHz), fmt.Sprintf("%+.*f", db,
			b.GainDB+0), fmt.Sprintf("%.*f", q, b.Q)}
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
var pageHTML string

var pageTemplate = template.Must(template.New("sheet").Funcs(template.FuncMap{
	"exact": exact,
	"plain": func(x float64) string { return strconv.FormatFloat(x+0, 'f', -1, 64) },
	"one":   func(x any) string { return fmt.Sprintf("%.1f", number(x)) },
	"two":   func(x float64) string { return fmt.Sprintf("%.2f", x+0) },
	"four":  func(x float64) string { return fmt.Sprintf("%.4f", x+0) },
	// Rounded up: a level taken off must never be too little.
	"up":      func(x float64) string { return fmt.Sprintf("%.1f", math.Ceil(x*10-1e-9)/10+0) },
	"signed1": words.SignedTenth,
	"inc":     func(i int) int { return i + 1 },
}).Parse(pageHTML))

// number is a float64 or what a pointer to one points at.
func number(x any) float64 {
	if p, ok := x.(*float64); ok {
		return *p
	}
	return x.(float64)
}
