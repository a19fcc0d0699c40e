package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/service"
	"cushwright/cmd/internal/words"
	"cushwright/dsp"
)

func (a *app) deriveCommand() *cobra.Command {
	var w bench.Wishes
	var since string
	var dry, yes, write, asJSON bool
	c := &cobra.Command{Use: "derive NEW", Short: "Find the correction that gives a cushion the sound of the " +
		"reference.",
		Args: cobra.ExactArgs(1),
		Long: `Finds bands from the seats of both cushions and writes corrections/NEW.toml; "earlier NEW" lists the
corrections before and puts one back. Details that seating scatter alone may have made are left alone, deep narrow nulls
are not filled. --max-boost limits what all bands do together; a single band may lift more where others cut. Level is
left to the volume control. The same seats and options give the same file.

Nothing is written, and the exit code is 1, where a seat stands 10 dB RMS away from its fellows or covers less than
40 Hz to 10 kHz, where a cushion has one seat only, and where the present correction leaves less over. --yes writes
all the same. A reference whose seats name another headphone or rig is refused.

With --for the settings are printed, for typing into that equaliser; --write makes them the correction that the engine
plays, too.

With --refine, the seats that "prove" measured through the present correction tell what is left over; the part of it
that is more than scatter is added to what the correction does, and the whole is fitted again, in as many bands and
with fresh headroom.`,
		RunE: func(c *cobra.Command, args []string) error {
			return a.derive(c, args[0], w, since, writing{dry || !write && w.Equaliser != "", yes}, asJSON)
		}}
	goalFlags(c, &w.Goal)
	f := c.Flags()
	f.IntVar(&w.Bands, "bands", 8, "how many bands at most, for each ear where they are kept apart (default with "+
		"--for: what it has)")
	f.StringVar(&w.Ears, "ears", "together", "together: one correction for both ears; apart: one for each")
	f.StringVar(&w.Equaliser, "for", "", "fit on the ranges and steps of equalisers/NAME.toml, in its own response")
	f.Float64Var(&w.MaxBoostDB, "max-boost", 6, "largest boost of all bands together in dB; 0: cuts only")
	f.BoolVar(&w.FullTreble, "treble", false, "correct above 10 kHz like anywhere else, though a rig is no ear there")
	f.BoolVar(&w.Refine, "refine", false, "fit what prove found left over into the correction")
	f.StringVar(&since, "since", "", "only seats measured on that day or later, YYYY-MM-DD; a cushion without any "+
		"is taken with all")
	c.MarkFlagsMutuallyExclusive("refine", "since")
	f.BoolVar(&dry, "dry", false, "write nothing")
	f.BoolVar(&yes, "yes", false, "write it although the seats do not prove it, or the present one leaves less over")
	f.BoolVar(&write, "write", false, "write the correction with --for, too")
	c.MarkFlagsMutuallyExclusive("dry", "write")
	f.BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

func (a *app) derive(c *cobra.Command, name string, w bench.Wishes, since string, to writing, asJSON bool) error {
	fail := func(err error) error { return fmt.Errorf("cushwright: derive %q: %w", name, err) }
	w.ChoseBands, w.ChoseEars = c.Flags().Changed("bands"), c.Flags().Changed("ears")
	switch {
	case w.ChoseBands && (w.Bands < 1 || w.Bands > dsp.MaxBands):
		return fail(&dsp.RangeError{Key: "--bands", Value: fmt.Sprint(w.Bands), Allowed: fmt.Sprintf("1 to %d",
			dsp.MaxBands)})
	case w.Equaliser != "" && !w.ChoseBands:
		w.Bands = 0
	}
	snap, err := a.open()
	if err != nil {
		return err
	}
	if since != "" {
		if w.Read, err = bench.ReadSince(since, func(note string) { warn(c, []string{note}) }); err != nil {
			return fail(err)
		}
	}
	call(snap, &name, &w.Reference)
	d, err := bench.Derive(snap, name, w)
	if errors.Is(err, bench.ErrNothingLeft) {
		return answerNo{err}
	}
	if err != nil {
		return err
	}
	if d.BoostDB > 0.05 {
		d.Caution = caution
	}
	warn(c, d.Notes)
	stop := d.Doubts
	if d.Worse != "" && !to.dry {
		stop = append(stop, d.Worse)
	}
	stopped := len(stop) > 0 && !to.yes
	switch {
	case !stopped: // otherwise the answer says it
		warn(c, stop)
	case d.Worse != "" && to.dry:
		warn(c, []string{d.Worse})
	}
	if !to.dry && !stopped {
		if err := d.Write(snap.Dir); err != nil {
			return err
		}
		d.Engine = service.TakenOver(c.Context(), snap.Dir, name)
	}
	if asJSON {
		err = writeJSON(c, d)
	} else {
		err = printTo(c, func(out io.Writer) { printDerived(out, d) })
	}
	if err == nil && stopped {
		err = answerNo{fmt.Errorf("cushwright: derive %q: nothing was written: %s; --yes goes on all the same", name,
			strings.Join(stop, "; "))}
	}
	if d.Caution != "" {
		careful(c.ErrOrStderr())
	}
	return err
}

// writing says whether a correction is written.
type writing struct {
	dry bool // never
	yes bool // also where something speaks against it
}

func printDerived(w io.Writer, d *bench.Derived) {
	from := ""
	if d.From != "" {
		from = " (reference: " + d.From + ")"
	}
	fmt.Fprintf(w, "%s: %s that give %s the sound of %s%s\n", words.Arrow(d.Reference, d.Cushion),
		words.Plural(uint64(len(d.Bands)), "band"), d.Cushion, d.Reference, from)
	if d.Equaliser != "" {
		fmt.Fprintln(w, "for the equaliser", d.Equaliser)
	}
	fmt.Fprintf(w, "  %-10s  %-5s  %9s  %7s  %6s\n", "shape", "ear", "Hz", "dB", "Q")
	for _, b := range d.Bands {
		fmt.Fprintf(w, "  %-10s  %-5s  %9s  %7s  %6s\n", b.Shape, b.Ear, words.Short(b.FreqHz, 1),
			words.Signed(b.GainDB), words.Short(b.Q, 3))
	}
	fmt.Fprintf(w, "%.2f dB headroom: take that much off before the bands\n", 0-d.HeadroomDB)
	fmt.Fprintf(w, "before: %.2f dB RMS (weighted), %.2f dB at most\nafter:  %.2f dB RMS (weighted), %.2f dB at most\n",
		d.Before.RMSDB, d.Before.MaxDB,
		d.After.RMSDB, d.After.MaxDB)
	fmt.Fprintf(w, "(%s)\n", d.Measure)
	for i, l := range d.LeftOver {
		fmt.Fprintf(w, "refined: %.2f dB RMS had been left over, %.2f at most (%s)\n", l.RMSDB, l.MaxDB, d.Ears[i].Ear)
	}
	if len(d.Ears) > 1 {
		for _, e := range d.Ears {
			fmt.Fprintf(w, "  %-5s  %.2f → %.2f dB RMS\n", e.Ear, e.Before.RMSDB, e.After.RMSDB)
		}
	}
	if math.Abs(d.BalanceDB) >= 0.5 {
		fmt.Fprintf(w, "balance: the left ear wants %s dB against the right; that is left to the balance control\n",
			words.Signed(d.BalanceDB))
	}
	printUncorrected(w, d.Uncorrected)
	switch {
	case d.File != "":
		fmt.Fprintln(w, "written to", d.File)
		if d.Engine != "" {
			fmt.Fprintln(w, d.Engine)
		}
	case d.Equaliser != "":
		fmt.Fprintln(w, "nothing was written; with --write the engine plays these settings, too")
	default:
		fmt.Fprintln(w, "nothing was written")
	}
}

func printUncorrected(w io.Writer, l []bench.Uncorrected) {
	if len(l) > 0 {
		fmt.Fprintln(w, "left uncorrected (+: level is missing)")
	}
	for _, n := range l {
		fmt.Fprintf(w, "  %s\n", n)
	}
}
