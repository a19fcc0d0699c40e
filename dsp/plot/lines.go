package plot

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// bands shades what lies between the lines' lower and upper values, below all lines.
func (p *Plot) bands(inside draw.Canvas, l *layout) {
	for i, line := range p.Lines {
		shade := l.ink.lines[i%len(l.ink.lines)]
		shade.A = 46
		for _, r := range runs(line.FreqHz, line.LowDB, line.HighDB) {
			var pts []vg.Point
			for k := r[0]; k < r[1]; k++ {
				pts = append(pts, vg.Point{X: l.x(line.FreqHz[k]), Y: l.y(line.LowDB[k])})
			}
			for k := r[1] - 1; k >= r[0]; k-- {
				pts = append(pts, vg.Point{X: l.x(line.FreqHz[k]), Y: l.y(line.HighDB[k])})
			}
			if pts = inside.ClipPolygonXY(pts); len(pts) > 2 {
				inside.FillPolygon(shade, pts)
			}
		}
	}
}

// end is where a line ends and where its name stands beside it.
type end struct {
	line     int
	from, at vg.Point
}

// curves draws the lines and returns their ends.
func (p *Plot) curves(inside draw.Canvas, l *layout) []end {
	a := l.area
	var ends []end
	for i, line := range p.Lines {
		style := l.style(i)
		last := vg.Point{X: a.Max.X, Y: l.y(l.minDB)}
		for _, r := range runs(line.FreqHz, line.LevelDB) {
			var pts []vg.Point
			for k := r[0]; k < r[1]; k++ {
				pts = append(pts, vg.Point{X: l.x(line.FreqHz[k]), Y: l.y(line.LevelDB[k])})
			}
			for _, piece := range inside.ClipLinesXY(pts) {
				inside.StrokeLines(style, piece)
				last = piece[len(piece)-1]
			}
		}
		ends = append(ends, end{line: i, from: last, at: last})
	}
	return ends
}

// names writes the lines' names beside their ends, moved apart where they would cover each other.
func (l *layout) names(c draw.Canvas, ends []end) {
	a := l.area
	slices.SortStableFunc(ends, func(a, b end) int { return cmp.Compare(b.from.Y, a.from.Y) })
	ceiling, floor := a.Max.Y+6, min(a.Min.Y, a.Max.Y-labelPitch*vg.Length(len(ends)-1))
	for i := range ends {
		ends[i].at.Y = min(ends[i].at.Y, ceiling)
		ceiling = ends[i].at.Y - labelPitch
	}
	for i := len(ends) - 1; i >= 0; i-- {
		ends[i].at.Y = max(ends[i].at.Y, floor)
		floor = ends[i].at.Y + labelPitch
	}
	name := l.text(9.5)
	name.YAlign = text.YCenter
	for _, e := range ends {
		x := a.Max.X + 14
		style := l.style(e.line)
		thin := style
		thin.Width, thin.Dashes = 0.6, nil
		c.StrokeLine2(thin, e.from.X, e.from.Y, x, e.at.Y)
		c.StrokeLine2(style, x, e.at.Y, x+sample, e.at.Y)
		c.FillText(name, vg.Point{X: x + sample + 5, Y: e.at.Y}, l.labels[e.line])
	}
}

// runs returns the half-open index ranges of at least two points in which every one of the levels is finite.
func runs(freqHz []float64, levels ...[]float64) (out [][2]int) {
	start := 0
	flush := func(i int) {
		if i-start >= 2 {
			out = append(out, [2]int{start, i})
		}
		start = i + 1
	}
	for i := range freqHz {
		for _, v := range levels {
			// 1e6 dB is finite, but not on any canvas.
			if i >= len(v) || math.IsNaN(v[i]) || math.Abs(v[i]) > 1e6 {
				flush(i)
				break
			}
		}
	}
	flush(len(freqHz))
	return out
}
