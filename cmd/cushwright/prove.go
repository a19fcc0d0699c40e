package main

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/rig"
	"cushwright/cmd/internal/service"
	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/plot"
	swept "cushwright/dsp/sweep"
)

func (a *app) proveCommand() *cobra.Command {
	var w rigFlags
	var seats int
	var png, svg string
	c := &cobra.Command{Use: "prove NAME", Short: "Measure what the running correction leaves of the difference.",
		Args: cobra.ExactArgs(1),
		Long: `Measures seats of a cushion through the engine's running correction and sets them against the seats of
the reference: what is left by octave, with its 95 % confidence, before and after. The verdict is proven, not proven
(more seats are needed), or missed (where and by how much); the exit code is 1 unless it is proven. Seats of earlier
runs through the same correction count too; --seats 0 judges those alone. They are kept in proofs/, and "derive NAME
--refine" fits what they found left over.

` + rig.Caution,
		RunE: func(c *cobra.Command, args []string) error { return a.prove(c, args[0], w, seats, png, svg) }}
	w.flags(c, "both")
	f := c.Flags()
	f.IntVar(&seats, "seats", 5, "how many seats of each ear")
	f.Float64Var(&w.seconds, "seconds", 0, "length of the sweep, 1 to 30 s (default 5)")
	f.StringVar(&png, "png", "", "write a plot to this PNG file")
	f.StringVar(&svg, "svg", "", "write a plot to this SVG file")
	return c
}

func (a *app) prove(c *cobra.Command, name string, w rigFlags, seats int, png, svg string) error {
	action := fmt.Sprintf("prove %q", name)
	fail := func(err error) error { return fmt.Errorf("cushwright: %s: %w", action, err) }
	snap, err := a.open()
	if err != nil {
		return err
	}
	side, err := w.series(seats, 0)
	if err != nil {
		return fail(err)
	}
	call(snap, &name)
	if err := service.Known(snap, "prove", name); err != nil {
		return err
	}
	if err := snap.Need("corrections/" + name); err != nil {
		return err
	}
	corr, ok := snap.Correction(name)
	switch {
	case !ok:
		return fail(fmt.Errorf("it has no correction: derive %s first", name))
	case corr.Reference == "":
		return fail(errors.New("its correction names no reference to be set against"))
	}
	note, accept, err := bench.ProvenSeats(corr)
	if err != nil {
		return fail(err)
	}
	ref, side, err := references(c, snap, corr, side)
	if err != nil {
		return fail(err)
	}
	out := proofPrinted{ProofReport: bench.ProofReport{Cushion: name, Reference: corr.Reference, Warnings: []string{}},
		Seats: []rig.SeatReport{}}
	if seats > 0 {
		series := rig.Series{Cushion: name, Dir: filepath.Join(snap.Dir, bench.Proofs), Seats: seats,
			Notes: []string{note}, Against: accept, Written: w.written(c)}
		if out.Seats, err = a.through(c, snap, w, corr, series, side); err != nil {
			return err
		}
	}
	for _, e := range side {
		if err := out.JudgeProof(snap, e, ref[e], accept); err != nil {
			return err
		}
	}
	out.Decide()
	if len(out.Seats) > 0 {
		out.Warnings = rigWarnings(&config.Snapshot{Dir: filepath.Join(snap.Dir, bench.Proofs)}, name, side)
	}
	for file, draw := range map[string]func(*plot.Plot, io.Writer) error{png: (*plot.Plot).PNG, svg: (*plot.Plot).SVG} {
		if file != "" {
			if err := writePlot(file, out.Plot(), draw); err != nil {
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

// proofPrinted is what prove prints.
type proofPrinted struct {
	bench.ProofReport
	Seats []rig.SeatReport `json:"seats"` // of this run
}

// references reads the levels of the reference at each ear, and says which ears can be proven: an ear without anything
// to compare with gets no sweep.
func references(c *cobra.Command, snap *config.Snapshot, corr config.Correction, side []dsp.Ear) (
	ref map[dsp.Ear][][]float64, able []dsp.Ear, err error) {
	ref = map[dsp.Ear][][]float64{}
	for _, e := range side {
		if ref[e], err = bench.ReferenceLevels(snap, corr.Reference, e); err != nil {
			return nil, nil, err
		}
		if len(ref[e]) >= 2 {
			able = append(able, e)
		} else if c.Flags().Changed("ear") || len(side) == 1 {
			return nil, nil, fmt.Errorf("the reference %s has %s of the %s ear, two are the least: "+
				"measure it with sweep", corr.Reference, words.Plural(uint64(len(ref[e])), "seat"), e)
		}
	}
	if len(able) == 0 {
		return nil, nil, fmt.Errorf("the reference %s has no two seats of either ear: measure it with sweep",
			corr.Reference)
	}
	return ref, able, nil
}

// through measures a series of seats through the running engine's correction.
func (a *app) through(c *cobra.Command, snap *config.Snapshot, w rigFlags, corr config.Correction, series rig.Series,
	side []dsp.Ear) ([]rig.SeatReport, error) {
	name := series.Cushion
	action := fmt.Sprintf("prove %q", name)
	fail := func(err error) ([]rig.SeatReport, error) { return nil, fmt.Errorf("cushwright: %s: %w", action, err) }
	cl, st, err := a.running(c)
	if err != nil {
		return nil, err
	}
	if err := engineRuns(st, name); err != nil {
		return fail(err)
	}
	j, err := a.openRig(c, action, snap, w, &st)
	if err != nil {
		return nil, err
	}
	defer j.Close()
	// A correction that lifts puts out more than is played, so the limit holds for what comes out.
	chain, err := corr.Correction.Compile(float64(j.OutputRateHz()), dsp.Options{})
	if err != nil {
		return fail(err)
	}
	j.Limit(chain.PeakDB() + chain.HeadroomDB())
	j.Talk.Say("the sweep goes through the engine's correction of %s; let nothing else play", name)
	seats, err := j.Run(c.Context(), series, side)
	if err != nil {
		return nil, interrupted(err, action, len(seats), series.Seats*len(side))
	}
	// Where something was switched meanwhile, the seats are not seats through this correction.
	now, err := cl.Status(c.Context())
	if err == nil {
		err = engineRuns(now, name)
	}
	if err != nil {
		return fail(fmt.Errorf("while it was measured: %w; the last seats in %s may be wrong", err,
			inside(snap.Dir, series.Dir)))
	}
	return seats, nil
}

func (r proofPrinted) print(w io.Writer) {
	cell := func(x *float64, form string) string {
		if x == nil {
			return fmt.Sprintf("%6s", "?")
		}
		return fmt.Sprintf(form, *x)
	}
	fmt.Fprintf(w, "%s through its correction against %s, in dB, levels aligned\n", r.Cushion, r.Reference)
	for _, e := range r.Ears {
		fmt.Fprintf(w, "\n%s ear, seats: reference %d, before %d, after %d\n", e.Ear, e.ReferenceSeats, e.BeforeSeats,
			e.AfterSeats)
		fmt.Fprintf(w, "  %6s  %6s  %6s  %6s  %6s  %7s\n", "band", "before", "95 %", "after", "95 %", "scatter")
		for _, o := range e.Octaves {
			mark := ""
			if o.Missed {
				mark = "  missed"
			}
			fmt.Fprintf(w, "  %6s  %s  %s  %s  %s  %s%s\n", o.Band,
				cell(o.BeforeDB, "%+6.1f"), cell(o.BeforeHalfDB, "±%5.1f"),
				cell(o.AfterDB, "%+6.1f"), cell(o.AfterHalfDB, "±%5.1f"), cell(o.ScatterDB, "%7.1f"), mark)
		}
		fmt.Fprintf(w, "  weighted RMS: %s before, %.2f after; scatter alone stays below %.2f in 95 of 100 cases\n",
			strings.TrimSpace(cell(e.BeforeRMSDB, "%.2f")), e.AfterRMSDB, e.Band95DB)
		fmt.Fprintf(w, "  %s\n", e.Text)
	}
	fmt.Fprintf(w, "\n%s\n", r.Outcome)
}
