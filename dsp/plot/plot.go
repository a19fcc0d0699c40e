// Package plot draws levels over logarithmic frequency, 20 Hz to 20 kHz, as PNG or SVG. One decade is as long as 25 dB
// (or 50 dB), as IEC 60263 asks for (from memory), so that slopes look alike on every sheet.
//
// Lines are told apart three ways, by colour, dash pattern and a label at their end, and the colours are those of
// M. Okabe and K. Ito, "Color Universal Design", 2008 (from memory), which stay apart for colour-blind readers.
//
// The drawing is our own on gonum.org/v1/plot's canvases and fonts; its Plot type fits the axes into a given size,
// where here the axes' proportions decide the size. Nothing here is fit for the audio thread.
package plot

import (
	"bytes"
	"fmt"
	"html"
	"image/color"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"unicode"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"
)

// Line is one curve. Points that are not finite leave a gap; what lies outside the axes is cut off.
type Line struct {
	Name          string    // its label; may be empty
	FreqHz        []float64 // ascending, > 0
	LevelDB       []float64 // as long as FreqHz
	LowDB, HighDB []float64 // the shaded band around it: both empty, or both as long as FreqHz
}

// Plot is a set of curves on common axes.
type Plot struct {
	Title        string
	Lines        []Line  // 1 to MaxLines
	MinDB, MaxDB float64 // the level axis; found from the lines when equal
	DecadeDB     float64 // levels per length of a decade: 25 or 50, 0 means 25
	Note         string  // below the axes, wrapped
	Dark         bool    // light ink on a dark ground
}

// MaxLines is the number of lines that still have a colour and dash pattern of their own.
const MaxLines = 30

// MaxSpanDB is the largest length of a level axis.
const MaxSpanDB = 200.0

const (
	minFreqHz, maxFreqHz = 20.0, 20000.0

	decade     = vg.Length(180) // length of one decade; everything is in points
	left       = vg.Length(50)
	lineWidth  = vg.Length(1.6)
	labelPitch = vg.Length(13) // between the labels of lines
	sample     = vg.Length(26) // the piece of line before its label
	longest    = vg.Length(190)
	pixelDPI   = 144
)

type ink struct {
	ground, text, axis, grid, faint color.NRGBA
	lines                           []color.NRGBA
}

func rgb(v uint32) color.NRGBA { return color.NRGBA{uint8(v >> 16), uint8(v >> 8), uint8(v), 255} }

var (
	light = ink{rgb(0xffffff), rgb(0x22272c), rgb(0x70777e), rgb(0xc6cbd0), rgb(0xe6e9ec),
		[]color.NRGBA{rgb(0x0072b2), rgb(0xd55e00), rgb(0x009e73), rgb(0xcc79a7), rgb(0x22272c)}}
	dark = ink{rgb(0x15181c), rgb(0xe4e7ea), rgb(0x8b939b), rgb(0x3d444b), rgb(0x282d33),
		[]color.NRGBA{rgb(0x56b4e9), rgb(0xe69f00), rgb(0x009e73), rgb(0xcc79a7), rgb(0xf0e442)}}
	// Six patterns against five colours: the pair repeats after thirty lines only.
	dashes = [6][]vg.Length{nil, {8, 3}, {2, 2.5}, {9, 3, 2, 3}, {16, 4}, {2, 2, 2, 5}}
)

// PNG draws the plot at 144 pixels per inch. The error says which line cannot be drawn and why.
func (p *Plot) PNG(w io.Writer) error {
	l, err := p.layout()
	if err != nil {
		return err
	}
	c := vgimg.PngCanvas{Canvas: vgimg.NewWith(vgimg.UseWH(l.width, l.height), vgimg.UseDPI(pixelDPI), vgimg.UseBackgroundColor(l.ink.ground))}
	p.draw(draw.New(c), l)
	if _, err := c.WriteTo(w); err != nil {
		return fmt.Errorf("plot: write %q: %w", p.Title, err)
	}
	return nil
}

var styles = regexp.MustCompile(`style="([^"]*)"`)

// SVG draws the plot as one svg element without a prolog, ready to stand in an HTML page or a file of its own. It
// carries no style attributes and no scripts, so that a strict content policy lets it pass. The error is as for PNG.
func (p *Plot) SVG(w io.Writer) error {
	l, err := p.layout()
	if err != nil {
		return err
	}
	c := vgsvg.NewWith(vgsvg.UseWH(l.width, l.height))
	p.draw(draw.New(c), l)
	var b bytes.Buffer
	if _, err := c.WriteTo(&b); err != nil {
		return fmt.Errorf("plot: draw %q: %w", p.Title, err)
	}
	_, body, _ := strings.Cut(b.String(), "<svg ")
	_, body, ok := strings.Cut(body, ">\n")
	if !ok {
		return fmt.Errorf("plot: draw %q: unexpected SVG from the drawing library", p.Title)
	}
	body = colours.ReplaceAllStringFunc(body, l.ink.nearest)
	// Text in the body has its quotes escaped, so that only real attributes match.
	body = styles.ReplaceAllStringFunc(body, func(s string) string {
		var out []string
		for d := range strings.SplitSeq(styles.FindStringSubmatch(s)[1], ";") {
			if k, v, ok := strings.Cut(d, ":"); ok && v != "normal" {
				if k == "font-family" { // fonts of the same widths where the first is missing
					v = "'Liberation Sans',Arial,Helvetica,sans-serif"
				}
				out = append(out, fmt.Sprintf("%s=%q", k, v))
			}
		}
		return strings.Join(out, " ")
	})
	names := make([]string, 0, len(p.Lines))
	for _, line := range p.Lines {
		names = append(names, clean(line.Name))
	}
	_, err = fmt.Fprintf(w, "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"%.5gpt\" height=\"%.5gpt\" viewBox=\"0 0 %.5g %.5g\" role=\"img\">\n<title>%s</title>\n<desc>%s</desc>\n%s",
		l.width, l.height, l.width, l.height, html.EscapeString(clean(p.Title)),
		html.EscapeString(fmt.Sprintf("Level in dB, %g to %g, over frequency, 20 Hz to 20 kHz. Lines: %s.", l.minDB, l.maxDB, strings.Join(names, ", "))), body)
	if err != nil {
		return fmt.Errorf("plot: write %q: %w", p.Title, err)
	}
	return nil
}

var colours = regexp.MustCompile(`(?:fill|stroke):#[0-9A-F]{6}`)

// nearest returns a colour of a style as the palette has it: the drawing library rounds half-transparent ones by a
// hair.
func (k *ink) nearest(style string) string {
	name, hex, _ := strings.Cut(style, "#")
	v, err := strconv.ParseUint(hex, 16, 32)
	if err != nil {
		return style
	}
	near := func(a, b uint8) bool { return max(a, b)-min(a, b) <= 3 }
	got := rgb(uint32(v))
	for _, c := range k.all() {
		if near(c.R, got.R) && near(c.G, got.G) && near(c.B, got.B) {
			return name + hexOf(c)
		}
	}
	return style
}

func hexOf(c color.NRGBA) string { return fmt.Sprintf("#%02X%02X%02X", c.R, c.G, c.B) }

func (k *ink) all() []color.NRGBA {
	return append([]color.NRGBA{k.ground, k.text, k.axis, k.grid, k.faint}, k.lines...)
}

// DarkCSS returns style rules that turn a light plot's SVG, inside the elements that within selects, into a dark one:
// the colours of an SVG are attributes, which any rule overrides. For pages that follow the reader's choice.
func DarkCSS(within string) string {
	var b strings.Builder
	from, to := light.all(), dark.all()
	done := map[string]bool{}
	for i, c := range from {
		old, new := hexOf(c), hexOf(to[i])
		if done[old] { // ink for text serves as the last line's colour, too
			continue
		}
		done[old] = true
		fmt.Fprintf(&b, "%s [fill=\"%s\"]{fill:%s}%s [stroke=\"%s\"]{stroke:%s}\n", within, old, new, within, old, new)
	}
	return b.String()
}

// clean drops what neither a font nor XML can hold.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\t' || r == '\r':
			return ' '
		case unicode.IsControl(r) || r&0xfffe == 0xfffe || r == unicode.ReplacementChar:
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, ""))
}

// layout is the geometry of one plot, in points from the lower left corner.
type layout struct {
	ink           *ink
	width, height vg.Length
	area          vg.Rectangle // the axes
	minDB, maxDB  float64
	perDB         vg.Length
	labels        []string
	note          []string
}

func (l *layout) x(freqHz float64) vg.Length {
	return l.area.Min.X + decade*vg.Length(math.Log10(freqHz/minFreqHz))
}

func (l *layout) y(levelDB float64) vg.Length {
	return l.area.Min.Y + l.perDB*vg.Length(levelDB-l.minDB)
}

func (l *layout) text(size vg.Length) text.Style {
	return text.Style{Color: l.ink.text, Font: font.Font{Typeface: "Liberation", Variant: "Sans", Size: size}, Handler: plot.DefaultTextHandler}
}

func (p *Plot) layout() (*layout, error) {
	bad := func(format string, args ...any) error {
		return fmt.Errorf("plot: draw %q: %w", p.Title, fmt.Errorf(format, args...))
	}
	if len(p.Lines) < 1 || len(p.Lines) > MaxLines {
		return nil, bad("%d lines, allowed: 1 to %d", len(p.Lines), MaxLines)
	}
	decadeDB := p.DecadeDB
	if decadeDB == 0 {
		decadeDB = 25
	}
	if decadeDB != 25 && decadeDB != 50 {
		return nil, bad("a decade as long as %g dB, allowed: 25 or 50 dB", p.DecadeDB)
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, line := range p.Lines {
		n := len(line.FreqHz)
		band := len(line.LowDB) > 0 || len(line.HighDB) > 0
		if len(line.LevelDB) != n || band && (len(line.LowDB) != n || len(line.HighDB) != n) {
			return nil, bad("line %q has %d frequencies, %d levels, and %d and %d edges of its band", line.Name, n, len(line.LevelDB), len(line.LowDB), len(line.HighDB))
		}
		for i, f := range line.FreqHz {
			if !(f > 0) || math.IsInf(f, 0) || i > 0 && f < line.FreqHz[i-1] {
				return nil, bad("line %q: frequency %d is %g Hz, allowed: above 0 and not below the one before", line.Name, i+1, f)
			}
			if f < minFreqHz || f > maxFreqHz {
				continue
			}
			for _, levels := range [][]float64{line.LevelDB, line.LowDB, line.HighDB} {
				if i < len(levels) && !math.IsNaN(levels[i]) && !math.IsInf(levels[i], 0) {
					lo, hi = min(lo, levels[i]), max(hi, levels[i])
				}
			}
		}
	}
	l := &layout{ink: &light, minDB: p.MinDB, maxDB: p.MaxDB, perDB: decade / vg.Length(decadeDB)}
	if p.Dark {
		l.ink = &dark
	}
	if p.MinDB == p.MaxDB {
		l.minDB, l.maxDB = autoRange(lo, hi)
	} else if span := p.MaxDB - p.MinDB; !(span >= 1 && span <= MaxSpanDB) {
		return nil, bad("a level axis from %g to %g dB, allowed: a span of 1 to %g dB", p.MinDB, p.MaxDB, MaxSpanDB)
	}

	style := l.text(9.5)
	widest := vg.Length(0)
	for _, line := range p.Lines {
		s := clean(line.Name)
		if r := []rune(s); style.Width(s) > longest {
			for len(r) > 0 && style.Width(string(r)+"…") > longest {
				r = r[:len(r)-1]
			}
			s = strings.TrimSpace(string(r)) + "…"
		}
		l.labels = append(l.labels, s)
		widest = max(widest, style.Width(s))
	}
	span := l.perDB * vg.Length(l.maxDB-l.minDB)
	wide := 3 * decade
	l.width = left + wide + 14 + sample + 5 + widest + 12
	l.note = wrap(l.text(8.5), clean(p.Note), l.width-left-12)
	below := 40 + 12*vg.Length(len(l.note))
	// Many labels beside few decibels: the sheet grows, not the axes.
	spill := max(0, labelPitch*vg.Length(len(p.Lines))-span-30)
	top := vg.Length(18)
	if p.Title != "" {
		top = 36
	}
	l.height = below + spill + span + top
	l.area = vg.Rectangle{Min: vg.Point{X: left, Y: below + spill}, Max: vg.Point{X: left + wide, Y: below + spill + span}}
	return l, nil
}

// autoRange widens lo to hi to multiples of 5 dB, at least 25 and at most 100 dB apart.
func autoRange(lo, hi float64) (minDB, maxDB float64) {
	if lo > hi {
		lo, hi = 0, 0
	}
	const least, most = 25, 100
	maxDB = 5 * math.Ceil((hi+1)/5)
	minDB = max(5*math.Floor((lo-1)/5), maxDB-most)
	for maxDB-minDB < least {
		if maxDB-hi <= lo-minDB {
			maxDB += 5
		} else {
			minDB -= 5
		}
	}
	return minDB, maxDB
}

func wrap(s text.Style, txt string, width vg.Length) (lines []string) {
	line := ""
	for w := range strings.FieldsSeq(txt) {
		if line != "" && s.Width(line+" "+w) > width {
			lines = append(lines, line)
			line = ""
		}
		line = strings.TrimSpace(line + " " + w)
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}

func (p *Plot) draw(c draw.Canvas, l *layout) {
	c.FillPolygon(l.ink.ground, []vg.Point{{}, {X: l.width}, {X: l.width, Y: l.height}, {Y: l.height}})
	l.frequencyGrid(c)
	l.levelGrid(c)
	l.frame(c, p.Title)
	inside := draw.Canvas{Canvas: c.Canvas, Rectangle: l.area}
	p.bands(inside, l)
	l.names(c, p.curves(inside, l))
}

func rule(w vg.Length, col color.Color) draw.LineStyle { return draw.LineStyle{Color: col, Width: w} }

// frequencyGrid draws a line at each digit of each decade, and labels 1, 2 and 5.
func (l *layout) frequencyGrid(c draw.Canvas) {
	a := l.area
	small := l.text(9)
	small.XAlign, small.YAlign = text.XCenter, text.YTop
	for d := 10.0; d < maxFreqHz; d *= 10 {
		for k := 1.0; k < 10; k++ {
			f := d * k
			if f < minFreqHz || f > maxFreqHz {
				continue
			}
			col := l.ink.faint
			if k == 1 {
				col = l.ink.grid
			}
			c.StrokeLine2(rule(0.6, col), l.x(f), a.Min.Y, l.x(f), a.Max.Y)
			if k == 1 || k == 2 || k == 5 {
				label := strconv.FormatFloat(f, 'g', -1, 64)
				if f >= 1000 {
					label = strconv.FormatFloat(f/1000, 'g', -1, 64) + "k"
				}
				c.FillText(small, vg.Point{X: l.x(f), Y: a.Min.Y - 4}, label)
			}
		}
	}
}

// levelGrid draws a line every few dB, and labels some.
func (l *layout) levelGrid(c draw.Canvas) {
	a := l.area
	step, labelled := 5.0, 5.0
	if l.perDB*5 < 30 {
		labelled = 10
	}
	if l.maxDB-l.minDB < 10 {
		step, labelled = 1, 1
	}
	side := l.text(9)
	side.XAlign, side.YAlign = text.XRight, text.YCenter
	for v := math.Ceil(l.minDB/step) * step; v <= l.maxDB+1e-9; v += step {
		col, w := l.ink.faint, vg.Length(0.6)
		if math.Mod(v, labelled) == 0 {
			col = l.ink.grid
		}
		if v == 0 {
			col, w = l.ink.axis, 0.8
		}
		c.StrokeLine2(rule(w, col), a.Min.X, l.y(v), a.Max.X, l.y(v))
		if math.Mod(v, labelled) == 0 {
			c.FillText(side, vg.Point{X: a.Min.X - 6, Y: l.y(v) + 1}, strings.Replace(strconv.FormatFloat(v+0, 'g', -1, 64), "-", "−", 1))
		}
	}
}

// frame draws the box, the axes' names, the title and the note.
func (l *layout) frame(c draw.Canvas, heading string) {
	a := l.area
	box := []vg.Point{a.Min, {X: a.Max.X, Y: a.Min.Y}, a.Max, {X: a.Min.X, Y: a.Max.Y}, a.Min}
	c.StrokeLines(rule(0.8, l.ink.axis), box)

	small := l.text(9)
	small.XAlign, small.YAlign = text.XCenter, text.YTop
	small.Color = l.ink.axis
	c.FillText(small, vg.Point{X: (a.Min.X + a.Max.X) / 2, Y: a.Min.Y - 18}, "Frequency, Hz")
	up := l.text(9)
	up.Color, up.Rotation, up.XAlign, up.YAlign = l.ink.axis, math.Pi/2, text.XCenter, text.YTop
	c.FillText(up, vg.Point{X: 8, Y: (a.Min.Y + a.Max.Y) / 2}, "Level, dB")
	if heading != "" {
		title := l.text(12)
		title.YAlign = text.YBottom
		c.FillText(title, vg.Point{X: a.Min.X, Y: a.Max.Y + 10}, clean(heading))
	}
	note := l.text(8.5)
	note.Color, note.YAlign = l.ink.axis, text.YTop
	for i, s := range l.note {
		c.FillText(note, vg.Point{X: a.Min.X, Y: 6 + 12*vg.Length(len(l.note)-i)}, s)
	}
}

func (l *layout) style(i int) draw.LineStyle {
	return draw.LineStyle{Color: l.ink.lines[i%len(l.ink.lines)], Width: lineWidth, Dashes: dashes[i%len(dashes)]}
}
