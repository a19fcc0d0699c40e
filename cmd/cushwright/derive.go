package main

import (
	"errors"
	"fmt"
	"io"
	"math"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/words"
	"cushwright/dsp"
)

func (a *app) deriveCommand() *cobra.Command {
	var w bench.Wishes
	var since string
	var dry, write, asJSON bool
	c := &cobra.Command{Use: "derive NEW", Short: "Find the correction that gives a cushion the sound of the " +
		"reference.",
		Args: cobra.ExactArgs(1),
		Long: `Finds bands from the seats of both cushions and writes corrections/NEW.toml; "earlier NEW" lists the
corrections before and puts one back. Details that seating scatter alone may have made are left alone, deep narrow nulls
are not filled, boosts are limited. Level is left to the volume control. The same seats and options give the same file.

With --for the settings are printed, for typing into that equaliser; --write makes them the correction that the engine
plays, too.

With --refine, the seats that "prove" measured through the present correction tell what is left over; the part of it
that is more than scatter is added to what the correction does, and the whole is fitted again, in as many bands and
with fresh headroom.

` + caution,
		RunE: func(c *cobra.Command, args []string) error {
			return a.derive(c, args[0], w, since, !dry && (write || w.Equaliser == ""), asJSON)
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
	f.BoolVar(&write, "write", false, "write the correction with --for, too")
	c.MarkFlagsMutuallyExclusive("dry", "write")
	f.BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

func (a *app) derive(c *cobra.Command, name string, w bench.Wishes, since string, write, asJSON bool) error {
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
	if write {
		if err := d.Write(snap.Dir); err != nil {
			return err
		}
	}
	if asJSON {
		return writeJSON(c, d)
	}
	if d.Caution != "" {
		fmt.Fprintln(c.ErrOrStderr(), d.Caution)
	}
	return printTo(c, func(out io.Writer) { printDerived(out, d) })
}

func printDerived(w io.Writer, d *bench.Derived) {
	fmt.Fprintf(w, "%s -> %s: %s\n", d.Cushion, d.Reference, words.Plural(uint64(len(d.Bands)), "band"))
	if d.Equaliser != "" {
		fmt.Fprintln(w, "for the equaliser", d.Equaliser)
	}
	fmt.Fprintf(w, "  %-10s  %-5s  %9s  %7s  %6s\n", "shape", "ear", "Hz", "dB", "Q")
	for _, b := range d.Bands {
		fmt.Fprintf(w, "  %-10s  %-5s  %9s  %7s  %6s\n", b.Shape, b.Ear, words.Short(b.FreqHz, 1),
			words.Signed(b.GainDB), words.Short(b.Q, 3))
	}
	fmt.Fprintf(w, "headroom: take %.2f dB off before the bands\n", 0-d.HeadroomDB)
	fmt.Fprintf(w, "before: %.2f dB RMS (weighted), %.2f dB at most\nafter:  %.2f dB RMS (weighted), %.2f dB at most\n",
		d.Before.RMSDB, d.Before.MaxDB,
		d.After.RMSDB, d.After.MaxDB)
	for i, l := range d.LeftOver {
		fmt.Fprintf(w, "refined: %.2f dB RMS had been left over, %.2f at most (%s)\n", l.RMSDB, l.MaxDB, d.Ears[i].Ear)
	}
	if len(d.Ears) > 1 {
		for _, e := range d.Ears {
			fmt.Fprintf(w, "  %-5s  %.2f -> %.2f dB RMS\n", e.Ear, e.Before.RMSDB, e.After.RMSDB)
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
