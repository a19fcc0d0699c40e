package main

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/bench"
	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/curve"
	"cushwright/dsp/plot"
	swept "cushwright/dsp/sweep"
)

// proofs is the folder, laid out like a bench, that holds the seats measured through a correction: they are not seats of
// the cushion itself.
const proofs = "proofs"

const throughNote = "through the correction "

func (a *app) proveCommand() *cobra.Command {
	var w rigFlags
	var seats int
	var png, svg string
	c := &cobra.Command{Use: "prove NAME", Short: "measure through the running correction what is left of the difference", Args: cobra.ExactArgs(1),
		Long: `Measures seats of a cushion through the engine's running correction and sets them against the seats of the reference: what is
left by octave, with its 95 % confidence, before and after. The verdict is proven, not proven (more seats are needed), or missed
(where and by how much); the exit code is 1 unless it is proven. Seats of earlier runs through the same correction count too;
--seats 0 judges those alone. They are kept in proofs/, and "derive NAME --refine" fits what they found left over.

` + sweepCaution,
		RunE: func(c *cobra.Command, args []string) error { return a.prove(c, args[0], w, seats, png, svg) }}
	w.flags(c, "both")
	f := c.Flags()
	f.IntVar(&seats, "seats", 5, "how many seats of each ear")
	f.Float64Var(&w.seconds, "seconds", 0, "length of the sweep, 1 to 30 s (default 5)")
	f.StringVar(&png, "png", "", "write a plot to this PNG file")
	f.StringVar(&svg, "svg", "", "write a plot to this SVG file")
	return c
}

type proofRow struct {
	Band         string   `json:"band"`
	MidHz        float64  `json:"mid_hz"`
	BeforeDB     *float64 `json:"before_db"`
	BeforeHalfDB *float64 `json:"before_confidence95_db"`
	AfterDB      *float64 `json:"after_db"`
	AfterHalfDB  *float64 `json:"after_confidence95_db"`
	ScatterDB    *float64 `json:"scatter_db"`
	Missed       bool     `json:"missed"`
}

type earProof struct {
	Ear            dsp.Ear       `json:"ear"`
	ReferenceSeats int           `json:"reference_seats"`
	BeforeSeats    int           `json:"before_seats"`
	AfterSeats     int           `json:"after_seats"`
	Outcome        swept.Outcome `json:"outcome"`
	Text           string        `json:"text"`
	Octaves        []proofRow    `json:"octaves"`
	BeforeRMSDB    *float64      `json:"before_rms_db"` // weighted
	AfterRMSDB     float64       `json:"after_rms_db"`
	Band95DB       float64       `json:"scatter_band95_db"` // what scatter alone stays below in 95 of 100 cases
	WithinScatter  bool          `json:"within_scatter"`
	Shrink         *float64      `json:"shrink"` // 1 - after/before
	SeatsWanted    int           `json:"seats_wanted"`
}

type proofReport struct {
	Cushion   string        `json:"cushion"`
	Reference string        `json:"reference"`
	Outcome   swept.Outcome `json:"outcome"` // the worst of the ears
	Ears      []earProof    `json:"ears"`
	Seats     []seatReport  `json:"seats"` // of this run
	Next      string        `json:"next,omitempty"`
	Warnings  []string      `json:"warnings"`

	lines []plot.Line
}

// fingerprint names what a correction does: its bands and headroom.
func fingerprint(c config.Correction) (string, error) {
	text, err := config.Correction{Name: c.Name, Reference: c.Reference, Correction: c.Correction}.Text(nil)
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:6]), nil
}

// provenSeats accepts the seats that went through this correction.
func provenSeats(c config.Correction) (note string, keep func(config.Seat) bool, err error) {
	mark, err := fingerprint(c)
	if err != nil {
		return "", nil, err
	}
	note = throughNote + mark
	return note, func(s config.Seat) bool { return slices.Contains(s.Notes, note) }, nil
}

func (a *app) prove(c *cobra.Command, name string, w rigFlags, seats int, png, svg string) error {
	action := fmt.Sprintf("prove %q", name)
	fail := func(err error) error { return fmt.Errorf("cushwright: %s: %w", action, err) }
	snap, err := a.open()
	if err != nil {
		return err
	}
	side, err := w.ears()
	if err == nil && (seats < 0 || seats > 100) {
		err = &dsp.RangeError{Key: "--seats", Value: fmt.Sprint(seats), Allowed: "0 to 100"}
	}
	if err != nil {
		return fail(err)
	}
	if err := known(snap, "prove", name); err != nil {
		return err
	}
	corr, ok := snap.Correction(name)
	switch {
	case !ok:
		return fail(fmt.Errorf("it has no correction: derive %s first", name))
	case corr.Reference == "":
		return fail(errors.New("its correction names no reference to be set against"))
	}
	note, keep, err := provenSeats(corr)
	if err != nil {
		return fail(err)
	}
	// Without anything to compare with, nobody need be troubled with a sweep.
	ref := map[dsp.Ear][][]float64{}
	for _, e := range side {
		if ref[e], err = referenceLevels(snap, corr.Reference, e); err != nil {
			return err
		}
		if len(ref[e]) < 2 && !c.Flags().Changed("ear") && len(side) == 2 {
			continue
		}
		if len(ref[e]) < 2 {
			return fail(fmt.Errorf("the reference %s has %s of the %s ear, two are the least: measure it with sweep", corr.Reference, plural(uint64(len(ref[e])), "seat"), e))
		}
	}
	// Unless an ear was named, those that the reference was measured on.
	side = slices.DeleteFunc(slices.Clone(side), func(e dsp.Ear) bool { return len(ref[e]) < 2 })
	if len(side) == 0 {
		return fail(fmt.Errorf("the reference %s has no two seats of either ear: measure it with sweep", corr.Reference))
	}
	out := proofReport{Cushion: name, Reference: corr.Reference, Seats: []seatReport{}, Warnings: []string{}}
	dir := filepath.Join(snap.Dir, proofs)
	if seats > 0 {
		cl, err := newClient()
		if err != nil {
			return err
		}
		st, err := cl.Status(c.Context())
		if err != nil {
			return answer(err)
		}
		if err := engineRuns(st, name); err != nil {
			return fail(err)
		}
		j, err := a.openRig(c, action, snap, w, &st)
		if err != nil {
			return err
		}
		defer j.close()
		// Where the correction lifts, more comes out than is played: the limit holds behind it.
		chain, err := corr.Correction.Compile(float64(j.rig.Output.RateHz), dsp.Options{})
		if err != nil {
			return fail(err)
		}
		j.limit(chain.PeakDB() + chain.HeadroomDB())
		j.talk.say("the sweep goes through the engine's correction of %s; let nothing else play", name)
		out.Seats, err = j.run(c.Context(), seatSet{cushion: name, dir: dir, seats: seats, notes: []string{note}, keep: keep}, side)
		if err != nil {
			return interrupted(err, action, len(out.Seats), seats*len(side))
		}
		// Whatever was switched meanwhile, the seats are not what they say.
		now, err := cl.Status(c.Context())
		if err == nil {
			err = engineRuns(now, name)
		}
		if err != nil {
			return fail(fmt.Errorf("while it was measured: %w; the last seats in %s may be wrong", err, inside(snap.Dir, dir)))
		}
	}
	for _, e := range side {
		after, err := storedSeats(dir, name, e, keep)
		if err != nil {
			return err
		}
		before, err := storedSeats(snap.Dir, name, e, nil)
		if err != nil {
			return err
		}
		if len(before) < 2 {
			before = nil
		}
		aft, bef := levelsOf(after), levelsOf(before)
		if isWanted(snap, corr.Reference) {
			if aft, err = lessCalibration(snap, aft); err == nil {
				bef, err = lessCalibration(snap, bef)
			}
			if err != nil {
				return err
			}
		}
		p, err := swept.Prove(swept.Grid(), ref[e], bef, aft)
		if err != nil {
			return fail(fmt.Errorf("%s ear: %w", e, err))
		}
		out.add(e, p, len(ref[e]), len(bef), len(aft))
		out.draw(e, ref[e], bef, aft)
	}
	out.Outcome = swept.Proven
	for _, o := range []swept.Outcome{swept.NotProven, swept.Missed} {
		if slices.ContainsFunc(out.Ears, func(p earProof) bool { return p.Outcome == o }) {
			out.Outcome = o
		}
	}
	switch out.Outcome {
	case swept.Missed:
		out.Next = fmt.Sprintf(`"cushwright derive %s --refine" fits what is left`, name)
	case swept.NotProven:
		out.Next = fmt.Sprintf(`"cushwright prove %s" again adds seats`, name)
	}
	if len(out.Seats) > 0 {
		out.Warnings = rigWarnings(&config.Snapshot{Dir: dir}, name, side)
	}
	for file, draw := range map[string]func(*plot.Plot, io.Writer) error{png: (*plot.Plot).PNG, svg: (*plot.Plot).SVG} {
		if file != "" {
			if err := writePlot(file, out.plot(), draw); err != nil {
				return err
			}
		}
	}
	warn(c, out.Warnings)
	if w.asJSON {
		err = writeJSON(c, out)
	} else {
		err = printTo(c, out.print)
	}
	if err == nil && out.Outcome != swept.Proven {
		err = answerNo{errors.New(out.Next)}
	}
	return err
}

// isWanted reports whether a reference is a wanted response and not a cushion that was measured.
func isWanted(snap *config.Snapshot, reference string) bool {
	refs, err := snap.Seats(reference)
	if err != nil || len(refs) > 0 {
		return false
	}
	_, err = snap.Wanted(reference)
	return err == nil
}

// referenceLevels are the seats of the reference on the sweep's grid. A wanted response has no scatter: two seats that agree
// in everything say so.
func referenceLevels(snap *config.Snapshot, reference string, e dsp.Ear) ([][]float64, error) {
	if isWanted(snap, reference) {
		s, err := snap.Wanted(reference)
		if err != nil {
			return nil, err
		}
		l := onSweepGrid(s.FreqHz, s.LevelDB)
		return [][]float64{l, slices.Clone(l)}, nil
	}
	seats, err := storedSeats(snap.Dir, reference, e, nil)
	return levelsOf(seats), err
}

// lessCalibration takes the rig's own response off levels on the sweep's grid.
func lessCalibration(snap *config.Snapshot, levels [][]float64) ([][]float64, error) {
	off, err := bench.Calibration(snap)
	if err != nil || off == nil {
		return levels, err
	}
	out := make([][]float64, len(levels))
	for i, l := range levels {
		out[i] = slices.Clone(l)
		for k, f := range swept.Grid() {
			out[i][k] -= off.At(f)
		}
	}
	return out, nil
}

func (r *proofReport) add(e dsp.Ear, p *swept.Proof, ref, before, after int) {
	x := earProof{Ear: e, ReferenceSeats: ref, BeforeSeats: before, AfterSeats: after, Outcome: p.Outcome, Text: p.Text, BeforeRMSDB: bench.Known(p.BeforeRMSDB),
		AfterRMSDB: p.AfterRMSDB, Band95DB: p.Band95DB, WithinScatter: p.WithinScatter, Shrink: bench.Known(p.Shrink), SeatsWanted: p.SeatsWanted}
	for _, o := range p.Octaves {
		x.Octaves = append(x.Octaves, proofRow{Band: octaveName(o.MidHz), MidHz: o.MidHz, BeforeDB: bench.Known(o.BeforeDB), BeforeHalfDB: bench.Known(o.BeforeHalfDB),
			AfterDB: bench.Known(o.AfterDB), AfterHalfDB: bench.Known(o.AfterHalfDB), ScatterDB: bench.Known(o.ScatterDB), Missed: o.Missed})
	}
	r.Ears = append(r.Ears, x)
}

// draw adds an ear's curves: the mean differences from the reference, levels aligned.
func (r *proofReport) draw(e dsp.Ear, ref, before, after [][]float64) {
	mean := func(v [][]float64) (curve.Average, bool) {
		var seats []curve.Curve
		for _, l := range v {
			var f, db []float64
			for i, hz := range swept.Grid() {
				if !math.IsNaN(l[i]) {
					f, db = append(f, hz), append(db, l[i])
				}
			}
			k, err := curve.FromPoints(f, db)
			if err != nil {
				return curve.Average{}, false
			}
			seats = append(seats, k)
		}
		a, err := curve.Mean(seats)
		return a, err == nil
	}
	want, ok := mean(ref)
	if !ok {
		return
	}
	for _, s := range []struct {
		name  string
		seats [][]float64
	}{{" before", before}, {" after", after}} {
		m, ok := mean(s.seats)
		if !ok {
			continue
		}
		d := curve.Difference(want, m).Aligned()
		l := plot.Line{Name: e.String() + s.name}
		half := d.SmoothedHalf95DB(bench.PlotSmooth)
		smooth, grid := d.Smooth(bench.PlotSmooth).LevelDB, curve.Grid()
		for i := curve.Index(d.LowHz); i <= curve.Index(d.HighHz); i++ {
			l.FreqHz, l.LevelDB = append(l.FreqHz, grid[i]), append(l.LevelDB, smooth[i])
			if half != nil && s.name == " after" {
				l.LowDB, l.HighDB = append(l.LowDB, smooth[i]-half[i]), append(l.HighDB, smooth[i]+half[i])
			}
		}
		r.lines = append(r.lines, l)
	}
}

func (r *proofReport) plot() *plot.Plot {
	return &plot.Plot{Title: fmt.Sprintf("%s against %s: %s", r.Cushion, r.Reference, r.Outcome), Lines: r.lines,
		Note: fmt.Sprintf("less the reference, levels aligned, smoothed to 1/%d octave; shaded: 95 %% band of what is left. Below 100 Hz and above 10 kHz a coupler is no ear.", bench.PlotSmooth)}
}

func (r proofReport) print(w io.Writer) {
	cell := func(x *float64, form string) string {
		if x == nil {
			return fmt.Sprintf("%6s", "?")
		}
		return fmt.Sprintf(form, *x)
	}
	fmt.Fprintf(w, "%s through its correction against %s, in dB, levels aligned\n", r.Cushion, r.Reference)
	for _, e := range r.Ears {
		fmt.Fprintf(w, "\n%s ear, seats: reference %d, before %d, after %d\n", e.Ear, e.ReferenceSeats, e.BeforeSeats, e.AfterSeats)
		fmt.Fprintf(w, "  %6s  %6s  %6s  %6s  %6s  %7s\n", "band", "before", "95 %", "after", "95 %", "scatter")
		for _, o := range e.Octaves {
			mark := ""
			if o.Missed {
				mark = "  missed"
			}
			fmt.Fprintf(w, "  %6s  %s  %s  %s  %s  %s%s\n", o.Band, cell(o.BeforeDB, "%+6.1f"), cell(o.BeforeHalfDB, "±%5.1f"),
				cell(o.AfterDB, "%+6.1f"), cell(o.AfterHalfDB, "±%5.1f"), cell(o.ScatterDB, "%7.1f"), mark)
		}
		fmt.Fprintf(w, "  weighted RMS: %s before, %.2f after; scatter alone stays below %.2f in 95 of 100 cases\n", strings.TrimSpace(cell(e.BeforeRMSDB, "%.2f")), e.AfterRMSDB, e.Band95DB)
		fmt.Fprintf(w, "  %s\n", e.Text)
	}
	fmt.Fprintf(w, "\n%s\n", r.Outcome)
}
