package sheet

import (
	"cmp"
	"fmt"
	"strconv"
	"strings"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/fit"
)

// newEqualiser fits the goals on an equaliser's own steps, as derive --for does. What cannot be done is said on the
// page.
func newEqualiser(snap *config.Snapshot, e config.Equaliser, goals []fit.Target) equaliser {
	s := equaliser{Name: e.Name, Label: cmp.Or(e.Label, e.Name), Can: can(e)}
	eq, err := bench.EqualiserOf(snap, e.Name)
	if err != nil {
		s.Problem = "No settings: " + err.Error() + "."
		return s
	}
	results, _, err := bench.FitBands(goals, fit.Options{For: eq})
	if err != nil {
		s.Problem = "No settings: " + err.Error() + "."
		return s
	}
	var bands []dsp.Band
	var before, after []fit.Residual
	for _, r := range results {
		bands = append(bands, r.Bands...)
		s.Idle = s.Idle || len(r.Bands) < e.Bands
		before, after = append(before, r.Before), append(after, r.After)
		s.TakeOffDB = max(s.TakeOffDB, r.PeakDB)
	}
	s.Bands = TypeIn(bands, 1, len(e.FixedFreqHz) > 0)
	s.BeforeRMSDB, s.AfterRMSDB = bench.Overall(before...).RMSDB, bench.Overall(after...).RMSDB
	// The peak may lie between the points of the fit, or above 20 kHz.
	if c, err := dsp.NewCorrection(bands, dsp.AutoHeadroom); err == nil {
		if ch, err := c.Compile(impulseRateHz, dsp.Options{}); err == nil {
			s.TakeOffDB = max(s.TakeOffDB, -ch.HeadroomDB())
		}
	}
	return s
}

// can says in a line what an equaliser can do.
func can(e config.Equaliser) string {
	step := func(s float64, unit string) string {
		if s == 0 {
			return ", stepless"
		}
		return ", steps of " + words.Short(s, 4) + unit
	}
	var shapes []string
	for _, s := range e.Shapes {
		shapes = append(shapes, s.String())
	}
	parts := []string{words.Plural(uint64(e.Bands), "band") + ": " + strings.Join(shapes, ", ")}
	switch {
	case len(e.FixedFreqHz) > 0:
		parts = append(parts, "fixed frequencies")
	case e.FreqStepOctaves != 0:
		parts = append(parts, fmt.Sprintf("%g to %g Hz in steps of 1/%s octave", e.FreqMinHz, e.FreqMaxHz,
			words.Short(1/e.FreqStepOctaves, 2)))
	default:
		parts = append(parts, fmt.Sprintf("%g to %g Hz", e.FreqMinHz, e.FreqMaxHz)+step(e.FreqStepHz, " Hz"))
	}
	parts = append(parts, fmt.Sprintf("%+g to %+g dB", e.GainMinDB, e.GainMaxDB)+step(e.GainStepDB, " dB"))
	if e.FixedQ != 0 {
		parts = append(parts, fmt.Sprintf("Q %g", e.FixedQ))
	} else {
		parts = append(parts, fmt.Sprintf("Q %g to %g", e.QMin, e.QMax)+step(e.QStep, ""))
	}
	if e.Bilinear {
		rate := e.RateHz
		if rate == 0 {
			rate = 48000
		}
		parts = append(parts, fmt.Sprintf("fitted for the bilinear transform at %g Hz", rate))
	} else {
		parts = append(parts, "fitted for the analog-like response")
	}
	return strings.Join(parts, "; ") + "."
}

// SliderCounts are the rows of sliders that stand on a sheet.
var SliderCounts = []int{5, 10, 31}

// NewSliders sets a row of sliders for each goal, as the command of that name does.
func NewSliders(goals []fit.Target, count int) (out []Sliders, err error) {
	rows, err := bench.SliderRows(goals, count)
	if err != nil {
		return nil, err
	}
	title := map[int]string{5: "Five sliders", 10: "Ten octave sliders", 31: "Thirty-one third-octave sliders"}[count]
	for _, row := range rows {
		var bands []dsp.Band
		for _, k := range row.Sliders {
			bands = append(bands, dsp.Band{Shape: dsp.Bell, Ear: row.Ear, FreqHz: k.FreqHz, GainDB: k.GainDB, Q: row.Q})
		}
		s := Sliders{SliderRow: row, ID: strconv.Itoa(count), Title: title, Rows: TypeIn(bands, 1, true),
			TakeOffDB: 0 - row.HeadroomDB}
		if row.Ear != dsp.Both {
			s.ID += "-" + row.Ear.String()
			s.Title += ", " + row.Ear.String() + " ear"
		}
		out = append(out, s)
	}
	return out, nil
}
