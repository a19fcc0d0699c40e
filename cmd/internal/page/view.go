package page

import (
	"embed"
	"fmt"
	"html/template"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/service"
	"cushwright/cmd/internal/sheet"
	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/curve"
	"cushwright/dsp/plot"
	"cushwright/engine/control"
)

// content is what stands on the page.
type content struct {
	Token  string
	Status control.Status
	Live   state
	Bench  *benchPart
	Said   string // what the last change came to, where the browser runs no script
}

// Reading is the meters' state when the page was made.
func (d content) Reading() meterReading { return meters(d.Status) }

// benchPart is what the bench folder says.
type benchPart struct {
	Version  string
	Cushions []cushion
	Fitted   fittedPart
	Cautions []string
}

// cushion is one cushion with its record.
type cushion struct {
	Name, Label string
	Records     [][2]string
	Notes       string
	Seats       string // how often it was measured
	Sound       string // what wearing it plays
}

// fittedPart is the fitted cushion in detail.
type fittedPart struct {
	Name, Reference string
	Figures         []sheet.Figure
	Bands           []sheet.Band
	Apart           bool // some bands are for one ear
	TakeOffDB       float64
	BoostDB         float64
	How             string // how the correction was found
	Uncorrected     []string
	Sliders         []sheet.Sliders
	Notes           []string
}

// view keeps the last good reading of the bench and what was drawn of it. The figures are drawn when they are first
// looked at, and kept until something they come from changes.
type view struct {
	mu    sync.Mutex // guards all; held while something is drawn, so that it is drawn once
	snap  *config.Snapshot
	key   string // what the drawn part was made of
	drawn fittedPart
}

func (v *view) dir() string { v.mu.Lock(); defer v.mu.Unlock(); return v.snap.Dir }

// loaded takes a new reading of the bench. What is wrong with a bad one is told by the engine.
func (v *view) loaded(snap *config.Snapshot, err error) {
	if err == nil {
		v.mu.Lock()
		v.snap = snap
		v.mu.Unlock()
	}
}

// version tells readings of the bench apart.
func (v *view) version() string {
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.snap.Hash[:min(16, len(v.snap.Hash))]
}

// bench describes the bench with a cushion fitted.
func (v *view) bench(fitted string) *benchPart {
	v.mu.Lock()
	defer v.mu.Unlock()
	snap := v.snap
	b := &benchPart{Version: snap.Hash[:min(16, len(snap.Hash))] + " " + fitted}
	for _, n := range snap.CushionNames() {
		b.Cushions = append(b.Cushions, newCushion(snap, n))
	}
	if key := v.madeOf(fitted); key != v.key {
		v.drawn, v.key = newFitted(snap, fitted), key
	}
	b.Fitted = v.drawn
	if b.Fitted.BoostDB > 0.05 {
		b.Cautions = append(b.Cautions, fmt.Sprintf("The correction of %s lifts up to %.1f dB. Bass can grow by "+
			"several decibels without sounding louder.", fitted, b.Fitted.BoostDB))
	}
	for _, p := range snap.Bad {
		b.Cautions = append(b.Cautions, "Left out: "+p.Error())
	}
	if !snap.Settings.Guard.Enabled {
		b.Cautions = append(b.Cautions, "The guard is switched off in settings.toml: what overloads is not held back.")
	}
	if snap.Settings.Bypass.Match == service.MatchOff {
		b.Cautions = append(b.Cautions, strings.ToUpper(service.Unmatched[:1])+service.Unmatched[1:]+".")
	}
	return b
}

// madeOf names all that the drawn part comes from: the reading of the bench and the seats, which it does not hold.
func (v *view) madeOf(fitted string) string {
	key := v.snap.Hash + "\x00" + fitted
	folders := []string{"seats/" + fitted, "wanted"}
	if c, ok := v.snap.Correction(fitted); ok && c.Reference != "" {
		folders = append(folders, "seats/"+c.Reference)
	}
	for _, f := range folders {
		entries, err := os.ReadDir(filepath.Join(v.snap.Dir, filepath.FromSlash(f)))
		if err != nil {
			continue
		}
		for _, e := range entries {
			if i, err := e.Info(); err == nil {
				key += fmt.Sprintf("\x00%s %d %d", e.Name(), i.Size(), i.ModTime().UnixNano())
			}
		}
	}
	return key
}

func newCushion(snap *config.Snapshot, name string) cushion {
	k, _ := snap.Cushion(name)
	c := cushion{Name: name, Label: k.Label, Notes: k.Notes, Sound: "no correction", Seats: "not measured"}
	for _, r := range bench.RecordRows(k) {
		if r[1] != "" && r[0] != "label" {
			c.Records = append(c.Records, r)
		}
	}
	if refs, err := snap.Seats(name); err == nil && len(refs) > 0 {
		n := map[dsp.Ear]uint64{}
		for _, r := range refs {
			n[r.Ear]++
		}
		c.Seats = fmt.Sprintf("%s left, %d right", words.Plural(n[dsp.Left], "seat"), n[dsp.Right])
	}
	if snap.Need("corrections/"+name) != nil {
		c.Sound = "its correction cannot be read"
	} else if r, ok := snap.Correction(name); ok {
		c.Sound = words.Plural(uint64(len(r.Correction.Bands())), "band")
		if r.Reference != "" {
			c.Sound += " towards " + r.Reference
		}
	}
	return c
}

// newFitted draws and fits what is shown of the fitted cushion. What cannot be shown is named in Notes.
func newFitted(snap *config.Snapshot, name string) fittedPart {
	f := fittedPart{Name: name}
	note := func(err error) {
		if err != nil {
			f.Notes = append(f.Notes, words.Plain(err.Error()))
		}
	}
	note(snap.Need("corrections/" + name))
	corr, ok := snap.Correction(name)
	if !ok {
		if refs, err := snap.Seats(name); err == nil && len(refs) > 0 {
			note(f.measured(snap, name))
		}
		return f
	}
	f.Reference = corr.Reference
	for _, b := range corr.Correction.Bands() {
		f.Apart = f.Apart || b.Ear != dsp.Both
	}
	f.Bands = sheet.TypeIn(corr.Correction.Bands(), 9, false)
	ch, err := corr.Correction.Compile(48000, dsp.Options{})
	if err != nil {
		note(err)
		return f
	}
	f.TakeOffDB, f.BoostDB = 0-ch.HeadroomDB(), max(0, ch.PeakDB())
	if d := corr.Derived; d != nil {
		f.How = fmt.Sprintf("Derived from %s of %s", words.Plural(uint64(d.Seats), "seat"), name)
		if d.ReferenceSeats > 0 {
			f.How += fmt.Sprintf(" and %d of %s", d.ReferenceSeats, corr.Reference)
		}
		f.How += fmt.Sprintf(": weighted difference %.2f dB RMS before, %.2f dB after.", d.BeforeRMSDB, d.AfterRMSDB)
		if d.Caution != "" {
			f.Notes = append(f.Notes, "Not proven: "+d.Caution)
		}
		f.Uncorrected = d.Left
	}
	var w bench.Goal
	if err := w.Towards(snap, corr.Reference); err != nil {
		note(err)
	} else if w.Name() == "" {
		f.Notes = append(f.Notes, "The correction names no reference, so there is nothing to compare it with.")
	} else if diffs, _, _, _, err := w.Differences(snap, name); err != nil {
		note(err)
	} else {
		note(f.against(diffs, w.Name(), corr.Correction))
		how := "together"
		if f.Apart && len(diffs) == 2 {
			how = "apart"
		}
		goals, err := bench.Targets(diffs, how)
		note(err)
		for _, count := range sheet.SliderCounts {
			if err == nil {
				var rows []sheet.Sliders
				rows, err = sheet.NewSliders(goals, count)
				note(err)
				f.Sliders = append(f.Sliders, rows...)
			}
		}
	}
	pl := bench.CorrectionPlot(name, ch)
	pl.Note = ""
	note(f.draw(pl, "What all bands of the correction do together, before any level is taken off."))
	return f
}

func (f *fittedPart) draw(p *plot.Plot, caption string) error {
	var b strings.Builder
	if err := p.SVG(&b); err != nil {
		return err
	}
	f.Figures = append(f.Figures, sheet.Figure{Caption: caption, SVG: template.HTML(b.String())}) // escaped by the drawing package
	return nil
}

// measured draws a cushion that has no correction.
func (f *fittedPart) measured(snap *config.Snapshot, name string) error {
	m, err := bench.Read(snap, name)
	if err != nil {
		return err
	}
	for _, e := range bench.Ears {
		if a, ok := m.Means[e]; ok {
			err := f.draw(&plot.Plot{Title: words.Capital(e.String()) + " ear: level on the rig", DecadeDB: 50,
				Lines: []plot.Line{bench.MeasuredLine(name, a.Curve.Smooth(bench.PlotSmooth), bench.Spread(a))}},
				fmt.Sprintf("%s, %s ear, level on the rig: the mean of %s, smoothed to 1/%d octave; shaded: one "+
					"standard deviation from seat to seat.",
					name, e, words.Plural(uint64(len(a.Seats)), "seat"), bench.PlotSmooth))
			if err != nil {
				return err
			}
		}
	}
	return nil
}

// against draws the reference, the fitted cushion, and what the correction is going to make of it.
func (f *fittedPart) against(diffs map[dsp.Ear]curve.Diff, reference string, c *dsp.Correction) error {
	grid := curve.Grid()
	for _, e := range bench.Ears {
		d, ok := diffs[e]
		if !ok {
			continue
		}
		after := d.New.Curve
		after.LevelDB = slices.Clone(after.LevelDB)
		for i := range after.LevelDB {
			after.LevelDB[i] += c.AnalogDB(e, grid[i])
		}
		at := func(k curve.Curve) curve.Curve {
			return k.Shift(curve.Level(d.Ref.Curve) - curve.Level(k)).Smooth(bench.PlotSmooth)
		}
		err := f.draw(&plot.Plot{Title: e.String() + " ear", DecadeDB: 50, Lines: []plot.Line{
			bench.MeasuredLine(reference, d.Ref.Curve.Smooth(bench.PlotSmooth), nil),
			bench.MeasuredLine(f.Name, at(d.New.Curve), nil),
			bench.MeasuredLine(f.Name+" corrected", at(after), bench.Spread(d.New))}},
			fmt.Sprintf("%s ear on the rig, each at the level of %s, smoothed to 1/%d octave. The corrected line is "+
				"a prediction; shaded: how far seats of %s scatter (one standard deviation). Below 100 Hz and above "+
				"10 kHz a coupler is no ear.",
				e, reference, bench.PlotSmooth, f.Name))
		if err != nil {
			return err
		}
	}
	return nil
}

//go:embed page.html page.css page.js
var assets embed.FS

// files are the files beside the page and what they are.
var files = map[string]string{"page.css": "text/css; charset=utf-8", "page.js": "text/javascript; charset=utf-8"}

func file(name string) []byte {
	b, err := assets.ReadFile(name)
	if err == nil && name == "page.css" {
		b = append(b, "\n@media (prefers-color-scheme: dark) {\n"+plot.DarkCSS("figure")+"}\n"...)
	}
	return b
}

var parts = template.Must(template.New("page").Funcs(template.FuncMap{
	"one":   func(x float64) string { return fmt.Sprintf("%.1f", x+0) },
	"two":   func(x float64) string { return fmt.Sprintf("%.2f", x+0) },
	"up":    func(x float64) string { return fmt.Sprintf("%.1f", math.Ceil(x*10-1e-9)/10+0) },
	"level": words.Level,
	"upper": func(s string) string { return strings.ToUpper(s[:min(1, len(s))]) + s[min(1, len(s)):] },
}).ParseFS(assets, "page.html"))
