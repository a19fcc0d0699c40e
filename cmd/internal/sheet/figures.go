package sheet

import (
	"fmt"
	"html/template"
	"strings"

	"cushwright/cmd/internal/bench"
	"cushwright/dsp"
	"cushwright/dsp/curve"
	"cushwright/dsp/plot"
)

// figures draws what was measured and what the correction makes of it, and lists the octave bands.
func (p *Page) figures(diffs map[dsp.Ear]curve.Diff, c *dsp.Correction) error {
	grid := curve.Grid()
	draw := func(pl *plot.Plot, caption string) (Figure, error) {
		var b strings.Builder
		err := pl.SVG(&b)
		return Figure{caption, template.HTML(b.String())}, err
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
		p.Changes = append(p.Changes, change{e.String(), bench.RowsOf(d.Octaves())})

		f, err := draw(&plot.Plot{Title: side + " ear: level on the rig", DecadeDB: 50, Lines: []plot.Line{
			bench.MeasuredLine(p.Reference.Name, d.Ref.Curve.Smooth(bench.PlotSmooth), bench.Spread(d.Ref)),
			bench.MeasuredLine(p.New.Name, d.New.Curve.Smooth(bench.PlotSmooth), bench.Spread(d.New))}},
			fmt.Sprintf("%s ear, level on the rig in dB: the mean of the seats, smoothed to 1/%d octave; shaded: "+
				"one standard deviation from seat to seat.", side, bench.PlotSmooth))
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
			bench.MeasuredLine("before", level(d.Curve).Smooth(bench.PlotSmooth), half),
			bench.MeasuredLine("after", level(after).Smooth(bench.PlotSmooth), half)}},
			fmt.Sprintf("%s ear, %s against %s in dB, without and with the correction, each at its own level, "+
				"smoothed to 1/%d octave; shaded: 95 %% confidence of the difference. A flat line would be perfect; "+
				"where the shade covers 0 dB, what is left may be seating scatter alone.",
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
	pl := bench.CorrectionPlot(p.New.Name, ch)
	pl.Note = ""
	if !p.Apart && len(p.Rates[0].Ears) == 1 {
		pl.Lines = pl.Lines[:1]
		pl.Lines[0].Name = "both ears"
	}
	f, err := draw(pl, "What all bands of the correction do together, in dB, before any level is taken off.")
	p.Results = append(p.Results, f)
	return err
}
