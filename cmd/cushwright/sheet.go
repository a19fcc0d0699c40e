package main

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/curve"
	"cushwright/dsp/fit"
	"cushwright/platform/soundfile"
)

func (a *app) sheetCommand() *cobra.Command {
	var w bench.Goal
	var out string
	var asJSON bool
	c := &cobra.Command{Use: "sheet NEW", Short: "one page to hand to others: records, plots, settings for each kind of equaliser, impulse response", Args: cobra.ExactArgs(1),
		Long: `Writes one self-contained HTML page that needs no network and prints well: what both cushions are, what the change does, the
settings to type in for parametric equalisers, for each described in equalisers/ and for rows of sliders, the sections'
coefficients, how it was measured; and beside it the impulse response as WAV and CSV. The correction is that of
corrections/NEW.toml, as the engine plays it. All files are written or none.

` + caution,
		RunE: func(c *cobra.Command, args []string) error { return a.sheet(c, args[0], w, out, asJSON) }}
	goalFlags(c, &w)
	c.Flags().Lookup("reference").Usage = "the cushion whose sound is wanted (default: the reference of the correction, then that of settings.toml)"
	c.Flags().StringVar(&out, "out", ".", "an existing folder, or the page's file name, ending in .html; the other files get its name and more")
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

// sheetRatesHz are the rates whose coefficients stand on a sheet; impulseRateHz is that of the CSV.
var sheetRatesHz = []float64{44100, 48000, 96000}

const impulseRateHz = 48000

func (a *app) sheet(c *cobra.Command, name string, w bench.Goal, out string, asJSON bool) error {
	snap, err := a.open()
	if err != nil {
		return err
	}
	fail := func(err error) error { return fmt.Errorf("cushwright: sheet of %q: %w", name, err) }
	if err := known(snap, "sheet of", name); err != nil {
		return err
	}
	corr, ok := snap.Correction(name)
	if !ok {
		return fail(fmt.Errorf("it has no correction yet: derive %s first", name))
	}
	if err := w.Towards(snap, corr.Reference); err != nil {
		return fail(err)
	}
	page, base, err := newSheet(snap, name, &w, corr)
	if err != nil {
		return err
	}
	file, err := sheetPath(out, base)
	if err != nil {
		return fail(err)
	}
	stem := strings.TrimSuffix(file, filepath.Ext(file))
	files, err := page.impulses(corr.Correction, stem)
	if err != nil {
		return fail(err)
	}
	var html bytes.Buffer
	if err := sheetTemplate.Execute(&html, page); err != nil {
		return fail(err)
	}
	// The page names the others: it comes last.
	files = append(files, config.File{Path: file, Data: html.Bytes()})
	if err := config.WriteAtomicSet(files); err != nil {
		return err
	}
	warn(c, page.Notes)
	if page.BoostDB > 0.05 && !asJSON {
		fmt.Fprintln(c.ErrOrStderr(), caution)
	}
	names := make([]string, len(files))
	for i, f := range files {
		names[len(files)-1-i] = f.Path
	}
	if asJSON {
		return writeJSON(c, struct {
			Cushion   string   `json:"cushion"`
			Reference string   `json:"reference"`
			Files     []string `json:"files"` // the page first
		}{name, w.Name(), names})
	}
	for _, n := range names {
		fmt.Fprintln(c.OutOrStdout(), n)
	}
	return nil
}

// sheetPath is the page's file: base.html in the folder out, or out itself.
func sheetPath(out, base string) (string, error) {
	i, err := os.Stat(out)
	switch {
	case err == nil && i.IsDir():
		return filepath.Join(out, base+".html"), nil
	case strings.EqualFold(filepath.Ext(out), ".html"):
		return out, nil
	}
	return "", &dsp.RangeError{Key: "--out", Value: fmt.Sprintf("%q", out), Allowed: "an existing folder or a file name that ends in .html"}
}

// newSheet gathers and fits all that stands on the page; base is the name for its file.
func newSheet(snap *config.Snapshot, name string, w *bench.Goal, corr config.Correction) (p *sheetPage, base string, err error) {
	fail := func(err error) (*sheetPage, string, error) {
		return nil, "", fmt.Errorf("cushwright: sheet of %q: %w", name, err)
	}
	diffs, new, ref, notes, err := w.Differences(snap, name)
	if err != nil {
		return nil, "", err
	}
	p = &sheetPage{Wanted: w.Wanted != "", Notes: notes, Warnings: notes, Bands: typeIn(corr.Correction.Bands(), 9, false)}
	for _, b := range corr.Correction.Bands() {
		p.Apart = p.Apart || b.Ear != dsp.Both
	}
	p.Apart = p.Apart && len(diffs) == 2
	how := "together"
	if p.Apart {
		how = "apart"
	}
	goals, err := targets(diffs, how)
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
		p.Equalisers = append(p.Equalisers, newSheetEqualiser(snap, e, goals))
	}
	for _, count := range []int{5, 10, 31} {
		if err := p.sliders(goals, count); err != nil {
			return fail(err)
		}
	}
	if err := p.seats(snap, diffs, ref, new); err != nil {
		return nil, "", err
	}
	if corr.Derived != nil {
		p.Left = corr.Derived.Left
	}
	return p, name + "-as-" + w.Name(), nil
}

// records puts the two cushions side by side; what is known of neither is left out.
func (p *sheetPage) records(snap *config.Snapshot, name string, w *bench.Goal) {
	called := func(n string) (config.Cushion, sheetName) {
		k, _ := snap.Cushion(n)
		return k, sheetName{n, cmp.Or(k.Label, n)}
	}
	k, n := called(name)
	p.New = n
	r := config.Cushion{}
	if p.Wanted {
		p.Reference = sheetName{w.Wanted, "the wanted response " + w.Wanted}
	} else {
		r, p.Reference = called(w.Reference)
	}
	p.Title = fmt.Sprintf("%s as %s: settings sheet", p.New.Name, p.Reference.Name)
	a, b := recordRows(r), recordRows(k)
	for i := range a {
		if a[i][1] != "" || b[i][1] != "" {
			p.Records = append(p.Records, sheetRecord{a[i][0], cmp.Or(a[i][1], "not recorded"), cmp.Or(b[i][1], "not recorded")})
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
func (p *sheetPage) rates(c *dsp.Correction) error {
	for _, hz := range sheetRatesHz {
		ch, err := c.Compile(hz, dsp.Options{})
		if err != nil {
			return err
		}
		r := sheetRate{RateHz: hz, TakeOffDB: 0 - ch.HeadroomDB(), Factor: dsp.Ratio(ch.HeadroomDB())}
		l, right := ch.Sections(dsp.Left), ch.Sections(dsp.Right)
		if slices.Equal(l, right) {
			r.Ears = []sheetSections{{"both", l}}
		} else {
			r.Ears = []sheetSections{{"left", l}, {"right", right}}
		}
		p.Rates = append(p.Rates, r)
		p.TakeOffDB = max(p.TakeOffDB, r.TakeOffDB)
		if hz == impulseRateHz {
			p.BoostDB = max(0, ch.PeakDB())
		}
	}
	if p.BoostDB > p.TakeOffDB+0.05 {
		p.Notes = append(p.Notes, fmt.Sprintf("the correction lifts up to %.1f dB, and its headroom takes off %.1f dB only: what overloads is left to the guard, which other equalisers do not have",
			p.BoostDB, p.TakeOffDB))
		p.Warnings = p.Notes
	}
	return nil
}

// judge says what the correction leaves of the difference; over both ears where they are apart.
func (p *sheetPage) judge(goals []fit.Target, diffs map[dsp.Ear]curve.Diff, c *dsp.Correction) error {
	for _, t := range goals {
		e := t.Ear
		if e == dsp.Both { // both ears have the same bands, or only one was measured
			e = dsp.Left
			if _, ok := diffs[e]; !ok {
				e = dsp.Right
			}
		}
		db := curve.FromFunc(func(f float64) float64 { return c.AnalogDB(e, f) }).LevelDB
		before, after, err := fit.Judge(t, fit.Options{}, db)
		if err != nil {
			return err
		}
		p.Before, p.After = join(p.Before, before, len(goals)), join(p.After, after, len(goals))
	}
	p.Before.RMSDB, p.After.RMSDB = math.Sqrt(p.Before.RMSDB), math.Sqrt(p.After.RMSDB)
	return nil
}

// join adds one ear's residual to a sum whose RMSDB is a mean square until all n are in.
func join(sum, r fit.Residual, n int) fit.Residual {
	return fit.Residual{RMSDB: sum.RMSDB + r.RMSDB*r.RMSDB/float64(n), MaxDB: max(sum.MaxDB, r.MaxDB)}
}

// newSheetEqualiser fits the goals on an equaliser's own steps, as derive --for does. What cannot be done is said on the page.
func newSheetEqualiser(snap *config.Snapshot, e config.Equaliser, goals []fit.Target) sheetEqualiser {
	s := sheetEqualiser{Name: e.Name, Label: cmp.Or(e.Label, e.Name), Can: can(e)}
	eq, err := equaliserOf(snap, e.Name)
	if err != nil {
		s.Problem = "No settings: " + err.Error() + "."
		return s
	}
	results, _, err := fitBands(goals, fit.Options{For: eq})
	if err != nil {
		s.Problem = "No settings: " + err.Error() + "."
		return s
	}
	var bands []dsp.Band
	var before, after fit.Residual
	for _, r := range results {
		bands = append(bands, r.Bands...)
		s.Idle = s.Idle || len(r.Bands) < e.Bands
		before, after = join(before, r.Before, len(results)), join(after, r.After, len(results))
		s.TakeOffDB = max(s.TakeOffDB, r.PeakDB)
	}
	s.Bands = typeIn(bands, 1, len(e.FixedFreqHz) > 0)
	s.BeforeRMSDB, s.AfterRMSDB = math.Sqrt(before.RMSDB), math.Sqrt(after.RMSDB)
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
		parts = append(parts, fmt.Sprintf("%g to %g Hz in steps of 1/%s octave", e.FreqMinHz, e.FreqMaxHz, words.Short(1/e.FreqStepOctaves, 2)))
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

// sliders adds a row of sliders as the command of that name sets them.
func (p *sheetPage) sliders(goals []fit.Target, count int) error {
	w := sliderFlags{count: count, stepDB: 0.5, maxBoostDB: 6, ears: "together", level: "free", bells: "any"}
	spec, err := w.spec()
	if err != nil {
		return err
	}
	rows, _, err := setSliders(goals, spec)
	if err != nil {
		return err
	}
	what := map[int]string{5: "Five sliders", 10: "Ten octave sliders", 31: "Thirty-one third-octave sliders"}[count]
	for _, row := range rows {
		var bands []dsp.Band
		for _, k := range row.Sliders {
			bands = append(bands, dsp.Band{Shape: dsp.Bell, Ear: row.Ear, FreqHz: k.FreqHz, GainDB: k.GainDB, Q: row.Q})
		}
		s := sheetSliders{sliderRow: row, ID: strconv.Itoa(count), Title: what, Rows: typeIn(bands, 1, true),
			TakeOffDB: 0 - row.HeadroomDB}
		if row.Ear != dsp.Both {
			s.ID += "-" + row.Ear.String()
			s.Title += ", " + row.Ear.String() + " ear"
		}
		p.Sliders = append(p.Sliders, s)
	}
	return nil
}

// seats says how the measurement was made.
func (p *sheetPage) seats(snap *config.Snapshot, diffs map[dsp.Ear]curve.Diff, ref, new bench.Measured) error {
	say := func(x float64, format string) string {
		if math.IsNaN(x) || x == 0 && format == "%g" {
			return "not said"
		}
		return fmt.Sprintf(format, x)
	}
	var counts []string
	for _, m := range []bench.Measured{ref, new} {
		if m.Name == "" { // a wanted response has no seats
			continue
		}
		odd := map[string]string{}
		for _, o := range m.Outliers(2) {
			odd[o.Seat] = o.Reason
		}
		for _, e := range bench.Ears {
			if n := len(m.Refs[e]); n > 0 {
				counts = append(counts, fmt.Sprintf("%s of %s on the %s ear", words.Plural(uint64(n), "seat"), m.Name, e))
			}
			for i, r := range m.Refs[e] {
				s, err := snap.LoadSeat(r)
				if err != nil {
					return err
				}
				for _, n := range s.Notes {
					if !slices.Contains(p.SeatNotes, n) && len(p.SeatNotes) < maxSeatNotes {
						p.SeatNotes = append(p.SeatNotes, n)
					}
				}
				p.Seats = append(p.Seats, sheetSeat{m.Name, e.String(), r.Number, cmp.Or(s.Date, "not said"), say(s.RateHz, "%g"), say(s.SweepLevelDB, "%.1f"),
					say(s.SignalDB, "%.1f"), words.SignedTenth(m.Means[e].OffsetDB[i]), cmp.Or(odd[r.File], "in line")})
			}
		}
	}
	p.How = append(p.How, "The cushions were seated anew for each measurement: "+strings.Join(counts, ", ")+".")
	if p.Wanted {
		how := "The wanted response " + p.Reference.Name + " takes the place of a reference cushion, so the rig's own response does not cancel"
		if cal := snap.Settings.Rig.Calibration; cal != "" {
			how += "; the calibration " + filepath.Base(cal) + " was taken off every seat."
		} else {
			how += ", and no calibration of the rig was at hand: mind that when you judge the result."
		}
		p.How = append(p.How, how)
	} else {
		p.How = append(p.How, "Both cushions were measured on the same rig, so the rig's own response cancels in the difference.")
	}
	p.How = append(p.How, "Levels are averaged in dB on a grid of 1/48 octave. Where seats scatter, the settings follow them less: weights are 1 / (spread² + 1 dB²), and details that scatter alone may have made are left alone.")
	for _, e := range bench.Ears {
		d, ok := diffs[e]
		if !ok {
			continue
		}
		for _, w := range d.CouplerWarnings() {
			if !slices.Contains(p.Warnings, w) {
				p.Warnings = append(p.Warnings, w)
			}
		}
	}
	return nil
}

// maxSeatNotes bounds what seats say in their comments.
const maxSeatNotes = 40

// impulses makes the files of the impulse response and lists them on the page.
func (p *sheetPage) impulses(c *dsp.Correction, stem string) (files []config.File, err error) {
	if strings.ContainsAny(filepath.Base(stem), ":") { // a link to "a:b" is no file beside the page
		return nil, errors.New(`the page's name holds a colon`)
	}
	for _, hz := range sheetRatesHz {
		ch, err := c.Compile(hz, dsp.Options{})
		if err != nil {
			return nil, err
		}
		ir, err := c.Impulse(hz)
		if err != nil {
			return nil, err
		}
		worst := 0.0
		for i, e := range bench.Ears {
			for _, f := range plotHz() {
				worst = max(worst, math.Abs(dsp.DB(cmplx.Abs(dsp.ResponseOf(ir[i], f, hz)))-ch.DB(e, f)-ch.HeadroomDB()))
			}
		}
		n := len(ir[0])
		s := &soundfile.Sound{RateHz: int(hz), Channels: 2, Samples: make([]float64, 2*n)}
		for i := range n {
			s.Samples[2*i], s.Samples[2*i+1] = ir[0][i], ir[1][i]
		}
		var wav bytes.Buffer
		if err := soundfile.EncodeWAV(&wav, s); err != nil {
			return nil, err
		}
		add := func(ext, what string, data []byte) {
			file := fmt.Sprintf("%s-%.0f%s", stem, hz, ext)
			files = append(files, config.File{Path: file, Data: data})
			p.Files = append(p.Files, sheetFile{filepath.Base(file), what, hz, n, strconv.FormatFloat(math.Ceil(worst*1000)/1000, 'f', -1, 64)})
		}
		add(".wav", "WAV, 32-bit float", wav.Bytes())
		if hz == impulseRateHz {
			var csv bytes.Buffer
			fmt.Fprintf(&csv, "# impulse response of %s as %s, level taken off\n# rate_hz: %g\nframe,left,right\n", p.New.Name, p.Reference.Name, hz)
			for i := range n {
				fmt.Fprintf(&csv, "%d,%s,%s\n", i, exact(ir[0][i]), exact(ir[1][i]))
			}
			add(".csv", "text: frame, left, right", csv.Bytes())
		}
	}
	return files, nil
}
