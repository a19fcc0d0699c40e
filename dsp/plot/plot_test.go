package plot

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"image/color"
	"image/png"
	"io"
	"math"
	"os"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
)

// strokes returns the points of the paths of that colour and of at least that width in an SVG.
func strokes(t *testing.T, svg, colour string) (pts [][2]float64) {
	t.Helper()
	path := regexp.MustCompile(`<path d="([^"]*)"\s*([^>]*)/>`)
	number := regexp.MustCompile(`-?[\d.]+(?:e-?\d+)?`)
	for _, m := range path.FindAllStringSubmatch(svg, -1) {
		if !strings.Contains(m[2], `stroke="`+colour+`"`) || !strings.Contains(m[2], `stroke-width="1.6"`) {
			continue
		}
		var v []float64
		for _, s := range number.FindAllString(m[1], -1) {
			x, err := strconv.ParseFloat(s, 64)
			if err != nil {
				t.Fatal(err)
			}
			v = append(v, x)
		}
		for i := 0; i+1 < len(v); i += 2 {
			pts = append(pts, [2]float64{v[i], v[i+1]})
		}
	}
	return pts
}

func draw2(t testing.TB, p *Plot) (svg string, pixels []byte) {
	t.Helper()
	var s, b bytes.Buffer
	if err := p.SVG(&s); err != nil {
		t.Fatal(err)
	}
	if err := p.PNG(&b); err != nil {
		t.Fatal(err)
	}
	d := xml.NewDecoder(bytes.NewReader(s.Bytes()))
	for {
		if _, err := d.Token(); err == io.EOF {
			break
		} else if err != nil {
			t.Fatalf("the SVG is no XML: %v", err)
		}
	}
	return s.String(), b.Bytes()
}

// IEC 60263 (from memory): one decade of frequency is as long as 25 dB, or as 50 dB. Measured on what is drawn.
func TestProportions(t *testing.T) {
	for _, c := range []struct {
		decadeDB, span float64
		minDB, maxDB   float64
	}{{0, 25, 0, 0}, {25, 25, -40, 30}, {50, 50, -60, 40}, {25, 25, -3, 33}} {
		// A line up one decade and 25 (50) dB, and nothing else of its colour on the axes.
		p := &Plot{DecadeDB: c.decadeDB, MinDB: c.minDB, MaxDB: c.maxDB, Lines: []Line{{FreqHz: []float64{200, 2000}, LevelDB: []float64{0, c.span}}}}
		if c.span == 50 {
			p.Lines[0].LevelDB = []float64{-20, 30}
		}
		svg, pixels := draw2(t, p)
		pts := strokes(t, svg, "#0072B2")
		if len(pts) < 2 {
			t.Fatalf("no line found in %s", svg)
		}
		dx, dy := pts[1][0]-pts[0][0], pts[1][1]-pts[0][1]
		if math.Abs(dx-dy) > 0.01 || dx < 100 {
			t.Errorf("%g dB per decade: the decade is %g long, the %g dB %g", c.decadeDB, dx, c.span, dy)
		}
		img, err := png.Decode(bytes.NewReader(pixels))
		if err != nil {
			t.Fatal(err)
		}
		box := img.Bounds()
		x0, x1, y0, y1 := box.Max.X, 0, box.Max.Y, 0
		limit := box.Max.X * 3 / 4 // the label's sample lies to the right
		for y := range box.Max.Y {
			for x := range limit {
				if r, g, b, _ := img.At(x, y).RGBA(); r>>8 == 0 && g>>8 == 0x72 && b>>8 == 0xb2 {
					x0, x1, y0, y1 = min(x0, x), max(x1, x), min(y0, y), max(y1, y)
				}
			}
		}
		wide, high := float64(x1-x0), float64(y1-y0)
		if math.Abs(wide/high-1) > 0.03 || math.Abs(high-float64(decade)*pixelDPI/72) > 8 {
			t.Errorf("%g dB per decade: the line covers %g × %g pixels", c.decadeDB, wide, high)
		}
	}
}

func TestLinesStayApart(t *testing.T) {
	seen := map[string]int{}
	for i := range MaxLines {
		key := fmt.Sprint(light.lines[i%len(light.lines)], dashes[i%len(dashes)])
		if j, dup := seen[key]; dup {
			t.Errorf("lines %d and %d look the same", j, i)
		}
		seen[key] = i
	}
	// Graphical objects need 3:1 against their ground, text 4.5:1: W3C, WCAG 2.1, 1.4.11 and 1.4.3.
	for _, c := range []ink{light, dark} {
		for i, col := range c.lines {
			if r := contrast(col, c.ground); r < 3 {
				t.Errorf("line %d on %v: contrast %.2f", i, c.ground, r)
			}
		}
		for _, col := range []color.NRGBA{c.text, c.axis} {
			if r := contrast(col, c.ground); r < 4.5 {
				t.Errorf("text %v on %v: contrast %.2f", col, c.ground, r)
			}
		}
	}
}

func contrast(a, b color.NRGBA) float64 {
	lum := func(c color.NRGBA) float64 {
		lin := func(v uint8) float64 {
			x := float64(v) / 255
			if x <= 0.04045 {
				return x / 12.92
			}
			return math.Pow((x+0.055)/1.055, 2.4)
		}
		return 0.2126*lin(c.R) + 0.7152*lin(c.G) + 0.0722*lin(c.B)
	}
	x, y := lum(a), lum(b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

func TestCutsAndGaps(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	p := &Plot{Title: "a <b> & \"c\" \x00 \xff", MinDB: -10, MaxDB: 15, Note: strings.Repeat("word ", 80),
		Lines: []Line{
			{Name: "gaps & cuts", FreqHz: []float64{1, 100, 200, 400, 800, 1600, 90000}, LevelDB: []float64{0, 5, nan, 400, -inf, 3, 3}},
			{Name: "nothing", FreqHz: []float64{100, 200}, LevelDB: []float64{nan, nan}},
			{Name: strings.Repeat("long ", 40), FreqHz: []float64{20, 20000}, LevelDB: []float64{90, 90},
				LowDB: []float64{-300, -300}, HighDB: []float64{300, 300}},
			{},
		}}
	svg, _ := draw2(t, p)
	for _, want := range []string{"a &lt;b&gt; &amp; &#34;c&#34;", "gaps &amp; cuts", "…</text>", `role="img"`} {
		if !strings.Contains(svg, want) {
			t.Errorf("the SVG lacks %s", want)
		}
	}
	for _, no := range []string{"NaN", "Inf", " style=", "\tstyle=", "<script", "href", "<?xml"} {
		if strings.Contains(svg, no) {
			t.Errorf("the SVG holds %q", no)
		}
	}
	l, err := p.layout()
	if err != nil {
		t.Fatal(err)
	}
	for _, pt := range strokes(t, svg, "#0072B2") {
		x, y := pt[0], pt[1] // a transform of the whole drawing keeps the origin at the bottom
		if x < float64(l.area.Min.X)-.01 || x > float64(l.width) || y < float64(l.area.Min.Y)-.01 || y > float64(l.area.Max.Y)+.01 {
			t.Errorf("drawn outside the axes: %v", pt)
		}
	}
}

func TestAutoRange(t *testing.T) {
	for _, c := range [][4]float64{{-3, 4, -10, 15}, {0, 0, -10, 15}, {-300, 2, -95, 5}, {-12, 31, -15, 35}, {math.Inf(1), math.Inf(-1), -10, 15}} {
		lo, hi := autoRange(c[0], c[1])
		if lo != c[2] || hi != c[3] {
			t.Errorf("%g to %g dB: axis from %g to %g, want %g to %g", c[0], c[1], lo, hi, c[2], c[3])
		}
	}
}

func TestLabelsDoNotCover(t *testing.T) {
	p := &Plot{Title: "thirty", Note: "note"}
	for i := range MaxLines {
		p.Lines = append(p.Lines, Line{Name: fmt.Sprintf("line-%02d", i), FreqHz: []float64{20, 20000}, LevelDB: []float64{0, float64(i % 3)}})
	}
	svg, _ := draw2(t, p)
	label := regexp.MustCompile(`<text x="[^"]*" y="([^"]*)"[^>]*>line-`)
	var ys []float64
	for _, m := range label.FindAllStringSubmatch(svg, -1) {
		y, err := strconv.ParseFloat(m[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		if y > 0 {
			t.Errorf("a label at %g, below the sheet", y)
		}
		for _, other := range ys {
			if math.Abs(y-other) < 12.9 {
				t.Errorf("labels at %g and %g cover each other", y, other)
			}
		}
		ys = append(ys, y)
	}
	if len(ys) != MaxLines {
		t.Errorf("%d labels, want %d", len(ys), MaxLines)
	}
}

func TestRefuses(t *testing.T) {
	ok := Line{Name: "x", FreqHz: []float64{100, 200}, LevelDB: []float64{0, 1}}
	for name, c := range map[string]struct {
		p    Plot
		want string
	}{
		"no lines":   {Plot{}, "0 lines, allowed: 1 to 30"},
		"many lines": {Plot{Lines: make([]Line, 31)}, "31 lines, allowed: 1 to 30"},
		"decade":     {Plot{Lines: []Line{ok}, DecadeDB: 10}, "10 dB, allowed: 25 or 50 dB"},
		"span":       {Plot{Lines: []Line{ok}, MinDB: -500, MaxDB: 0}, "from -500 to 0 dB, allowed: a span of 1 to 200 dB"},
		"upside":     {Plot{Lines: []Line{ok}, MinDB: 10, MaxDB: 0}, "from 10 to 0 dB"},
		"nan axis":   {Plot{Lines: []Line{ok}, MinDB: math.NaN()}, "from NaN to 0 dB"},
		"lengths":    {Plot{Lines: []Line{{Name: "x", FreqHz: []float64{1}}}}, `line "x" has 1 frequencies, 0 levels`},
		"half band":  {Plot{Lines: []Line{{FreqHz: []float64{1}, LevelDB: []float64{1}, LowDB: []float64{1}}}}, "1 and 0 edges of its band"},
		"order":      {Plot{Lines: []Line{{Name: "x", FreqHz: []float64{200, 100}, LevelDB: []float64{0, 0}}}}, `line "x": frequency 2 is 100 Hz, allowed: above 0 and not below`},
		"zero":       {Plot{Lines: []Line{{FreqHz: []float64{0}, LevelDB: []float64{0}}}}, "frequency 1 is 0 Hz"},
	} {
		for form, draw := range map[string]func(io.Writer) error{"PNG": c.p.PNG, "SVG": c.p.SVG} {
			if err := draw(io.Discard); err == nil || !strings.Contains(err.Error(), c.want) || !strings.HasPrefix(err.Error(), "plot: draw ") {
				t.Errorf("%s, %s: %v, want %s", name, form, err, c.want)
			}
		}
	}
}

// sheet is a plot with everything on it; the data are invented.
func sheet(dark bool) *Plot {
	p := &Plot{Title: "wipe-clean against woven, left ear (invented data)", Dark: dark,
		Note: "Shaded: 95 % of the mean of five seats. Levels relative to 500 Hz to 2 kHz. One decade is as long as 25 dB (IEC 60263). All data invented."}
	for k, name := range []string{"woven (reference)", "wipe-clean, five seats", "corrected, predicted", "deep-foam"} {
		var line Line
		line.Name = name
		for f := 20.0; f < 20001; f *= math.Pow(2, 1./48) {
			bump := func(at, width, gain float64) float64 {
				x := math.Log2(f/at) / width
				return gain * math.Exp(-x*x)
			}
			v := -bump(15, 1.5, 6) + bump(3000, .7, 8) - bump(15000, .6, 9)
			switch k {
			case 1:
				v += bump(250, 1.6, 7) - bump(1000, .5, 3) + bump(2000, .4, 2) - bump(4000, .4, 4)
			case 2:
				v += bump(6000, .2, 1.2) - bump(9000, .1, 1)
			case 3:
				v -= bump(60, 2, 5) - bump(7000, .3, 3)
			}
			line.FreqHz = append(line.FreqHz, f)
			line.LevelDB = append(line.LevelDB, v)
			if k == 1 {
				s := .7 + bump(30, 1.5, 1.5) + bump(12000, .8, 3)
				line.LowDB = append(line.LowDB, v-s)
				line.HighDB = append(line.HighDB, v+s)
			}
		}
		p.Lines = append(p.Lines, line)
	}
	return p
}

// Drawings are the same every time, from any goroutine. PLOT_SHEET=DIR keeps them, for the eye.
func TestSheet(t *testing.T) {
	for name, dark := range map[string]bool{"light": false, "dark": true} {
		svg, pixels := draw2(t, sheet(dark))
		var wait sync.WaitGroup
		for range 3 {
			wait.Go(func() {
				var again bytes.Buffer
				if err := sheet(dark).SVG(&again); err != nil || again.String() != svg {
					t.Errorf("%s: another drawing of the same plot differs (%v)", name, err)
				}
			})
		}
		wait.Wait()
		if dir := os.Getenv("PLOT_SHEET"); dir != "" {
			for ext, b := range map[string][]byte{".svg": []byte(svg), ".png": pixels} {
				if err := os.WriteFile(dir+"/"+name+ext, b, 0o644); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}

func BenchmarkPNG(b *testing.B) {
	p := sheet(false)
	for b.Loop() {
		if err := p.PNG(io.Discard); err != nil {
			b.Fatal(err)
		}
	}
}

// Every colour of a light plot, shades included, is one that the dark style rules know.
func TestDarkCSS(t *testing.T) {
	p := &Plot{Title: "t", Note: "n"}
	for i := range 6 {
		v := float64(i)
		p.Lines = append(p.Lines, Line{Name: fmt.Sprint(i), FreqHz: []float64{20, 20000}, LevelDB: []float64{v, v}, LowDB: []float64{v - 1, v - 1}, HighDB: []float64{v + 1, v + 1}})
	}
	var b bytes.Buffer
	if err := p.SVG(&b); err != nil {
		t.Fatal(err)
	}
	css := DarkCSS(".x")
	found := regexp.MustCompile(`(fill|stroke)="(#[^"]*)"`).FindAllStringSubmatch(b.String(), -1)
	if len(found) < 50 {
		t.Fatalf("%d colours found", len(found))
	}
	for _, f := range found {
		if !strings.Contains(css, fmt.Sprintf(".x [%s=%q]{%s:#", f[1], f[2], f[1])) {
			t.Errorf("%s %s has no rule", f[1], f[2])
		}
	}
	if strings.Count(css, "[fill=\"#22272C\"]") != 1 {
		t.Error("the ink of the text has two rules")
	}
}
