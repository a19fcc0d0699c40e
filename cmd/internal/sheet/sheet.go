// Package sheet makes the page that hands a correction on to others, and the impulse responses beside it. It shows the
// correction as it is played; its tables for equalisers and sliders are fitted anew, as the commands derive and sliders
// do it.
package sheet

import (
	"bytes"
	"cmp"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"cushwright/cmd/internal/bench"
	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/curve"
	"cushwright/dsp/fit"
)

// ratesHz are the rates whose coefficients stand on a sheet; impulseRateHz is that of the CSV.
var ratesHz = []float64{44100, 48000, 96000}

const impulseRateHz = 48000

// Make makes the sheet of a cushion's correction: the page and the files beside it, the page last, because it names the
// others. out is an existing folder or the page's file name.
func Make(snap *config.Snapshot, name string, goal *bench.Goal, out string) (*Page, []config.File, error) {
	fail := func(err error) (*Page, []config.File, error) {
		return nil, nil, fmt.Errorf("cushwright: sheet of %q: %w", name, err)
	}
	corr, ok := snap.Correction(name)
	if !ok {
		return fail(fmt.Errorf("it has no correction yet: derive %s first", name))
	}
	if err := goal.Towards(snap, corr.Reference); err != nil {
		return fail(err)
	}
	if err := snap.Need("cushions/"+name, "cushions/"+goal.Reference); err != nil { // it hands both records on
		return fail(err)
	}
	page, err := newPage(snap, name, goal, corr)
	if err != nil {
		return nil, nil, err
	}
	file, err := pagePath(out, name+"-as-"+goal.Name())
	if err != nil {
		return fail(err)
	}
	files, err := page.impulses(corr.Correction, strings.TrimSuffix(file, filepath.Ext(file)))
	if err != nil {
		return fail(err)
	}
	var html bytes.Buffer
	if err := pageTemplate.Execute(&html, page); err != nil {
		return fail(err)
	}
	return page, append(files, config.File{Path: file, Data: html.Bytes()}), nil
}

// pagePath is the page's file: base.html in the folder out, or out itself.
func pagePath(out, base string) (string, error) {
	i, err := os.Stat(out)
	switch {
	case err == nil && i.IsDir():
		return filepath.Join(out, base+".html"), nil
	case strings.EqualFold(filepath.Ext(out), ".html"):
		return out, nil
	}
	return "", &dsp.RangeError{Key: "--out", Value: fmt.Sprintf("%q", out), Allowed: "an existing folder or a file " +
		"name that ends in .html"}
}

// newPage gathers and fits all that stands on the page.
func newPage(snap *config.Snapshot, name string, w *bench.Goal, corr config.Correction) (*Page, error) {
	fail := func(err error) (*Page, error) {
		return nil, fmt.Errorf("cushwright: sheet of %q: %w", name, err)
	}
	diffs, new, ref, notes, err := w.Differences(snap, name)
	if err != nil {
		return nil, err
	}
	p := &Page{Wanted: w.Wanted != "", Notes: notes, Warnings: notes, Bands: TypeIn(corr.Correction.Bands(), 9, false)}
	for _, b := range corr.Correction.Bands() {
		p.Apart = p.Apart || b.Ear != dsp.Both
	}
	p.Apart = p.Apart && len(diffs) == 2
	how := "together"
	if p.Apart {
		how = "apart"
	}
	goals, err := bench.Targets(diffs, how)
	if err != nil {
		return fail(err)
	}
	p.records(snap, name, w)
	if err := p.rates(corr.Correction); err != nil {
		return fail(err)
	}
	if err := p.judge(goals, diffs, corr.Correction); err != nil {
		return fail(err)
	}
	if err := p.figures(diffs, corr.Correction); err != nil {
		return fail(err)
	}
	for _, n := range snap.EqualiserNames() {
		e, _ := snap.Equaliser(n)
		p.Equalisers = append(p.Equalisers, newEqualiser(snap, e, goals))
	}
	for _, count := range SliderCounts {
		rows, err := NewSliders(goals, count)
		if err != nil {
			return fail(err)
		}
		p.Sliders = append(p.Sliders, rows...)
	}
	if err := p.seats(snap, diffs, ref, new); err != nil {
		return nil, err
	}
	if d := corr.Derived; d != nil {
		p.Uncorrected = d.Left
		p.NotProven = d.Caution
	}
	if p.NotProven == "" {
		p.NotProven = cmp.Or(new.OneSeat(), ref.OneSeat())
	}
	return p, nil
}

// records puts the two cushions side by side; what is known of neither is left out.
func (p *Page) records(snap *config.Snapshot, name string, w *bench.Goal) {
	called := func(n string) (config.Cushion, named) {
		k, _ := snap.Cushion(n)
		return k, named{n, cmp.Or(k.Label, n)}
	}
	k, n := called(name)
	p.New = n
	r := config.Cushion{}
	if p.Wanted {
		p.Reference = named{w.Wanted, "the wanted response " + w.Wanted}
	} else {
		r, p.Reference = called(w.Reference)
	}
	p.Title = fmt.Sprintf("%s as %s: settings sheet", p.New.Name, p.Reference.Name)
	a, b := bench.RecordRows(r), bench.RecordRows(k)
	for i := range a {
		if a[i][1] != "" || b[i][1] != "" {
			p.Records = append(p.Records, record{a[i][0], cmp.Or(a[i][1], "not recorded"), cmp.Or(b[i][1],
				"not recorded")})
		}
	}
	if p.Wanted {
		for i := range p.Records {
			p.Records[i].Reference = "a response, no cushion"
		}
	}
	for _, k := range []config.Cushion{r, k} {
		if k.Notes != "" {
			p.Remarks = append(p.Remarks, k.Name+": "+k.Notes)
		}
	}
}

// rates compiles the correction as the engine does.
func (p *Page) rates(c *dsp.Correction) error {
	for _, hz := range ratesHz {
		ch, err := c.Compile(hz, dsp.Options{})
		if err != nil {
			return err
		}
		r := rate{RateHz: hz, TakeOffDB: 0 - ch.HeadroomDB(), Factor: dsp.Ratio(ch.HeadroomDB())}
		l, right := ch.Sections(dsp.Left), ch.Sections(dsp.Right)
		if slices.Equal(l, right) {
			r.Ears = []sections{{"both", l}}
		} else {
			r.Ears = []sections{{"left", l}, {"right", right}}
		}
		p.Rates = append(p.Rates, r)
		p.TakeOffDB = max(p.TakeOffDB, r.TakeOffDB)
		if hz == impulseRateHz {
			p.BoostDB = max(0, ch.PeakDB())
		}
	}
	if p.BoostDB > p.TakeOffDB+0.05 {
		p.Notes = append(p.Notes, fmt.Sprintf("the correction lifts up to %.1f dB, and its headroom takes off %.1f "+
			"dB only: "+
			"what overloads is left to the guard, which other equalisers do not have", p.BoostDB, p.TakeOffDB))
		p.Warnings = p.Notes
	}
	return nil
}

// judge says what the correction leaves of the difference; over both ears where they are apart.
func (p *Page) judge(goals []fit.Target, diffs map[dsp.Ear]curve.Diff, c *dsp.Correction) error {
	var before, after []fit.Residual
	for _, t := range goals {
		e := t.Ear
		if e == dsp.Both { // both ears have the same bands, or only one was measured
			e = dsp.Left
			if _, ok := diffs[e]; !ok {
				e = dsp.Right
			}
		}
		db := curve.FromFunc(func(f float64) float64 { return c.AnalogDB(e, f) }).LevelDB
		b, a, err := fit.Judge(t, fit.Options{}, db)
		if err != nil {
			return err
		}
		before, after = append(before, b), append(after, a)
	}
	p.Before, p.After = bench.Overall(before...), bench.Overall(after...)
	return nil
}
