package main

import (
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/service"
	"cushwright/cmd/internal/words"
	"cushwright/dsp"
)

// aged compares a cushion's latest visit to the rig with the first one since a day.
func (a *app) aged(c *cobra.Command, name, since string, asJSON bool) error {
	fail := func(err error) error { return fmt.Errorf("cushwright: compare %q since %s: %w", name, since, err) }
	day, err := time.ParseInLocation(time.DateOnly, since, time.Local)
	if err != nil {
		return fail(&dsp.RangeError{Key: "--since", Value: fmt.Sprintf("%q", since), Allowed: "a day as YYYY-MM-DD"})
	}
	snap, err := a.open()
	if err != nil {
		return err
	}
	call(snap, &name)
	if refs, err := snap.Seats(name); err != nil {
		return err
	} else if len(refs) == 0 {
		if err := service.Known(snap, "compare", name); err != nil {
			return err
		}
		return fail(errors.New("it was never measured"))
	}
	out, err := bench.Age(snap, name, day)
	if err != nil {
		return fail(err)
	}
	warn(c, out.Notes)
	if asJSON {
		err = writeJSON(c, out)
	} else {
		err = printTo(c, func(w io.Writer) { printAge(w, out) })
	}
	if err == nil && (out.Drifted || !out.Decided) {
		err = answerNo{}
	}
	return err
}

func printAge(w io.Writer, r bench.AgeReport) {
	fmt.Fprintf(w, "%s: how it has drifted since %s, in dB, levels aligned\n", r.Cushion, r.Since)
	for _, e := range r.Ears {
		fmt.Fprintf(w, "\n%s ear: %s of %s against %d of %s\n", e.Ear, words.Plural(uint64(e.Latests), "seat"),
			e.Latest, e.Firsts, e.First)
		fmt.Fprintf(w, "  %6s  %6s  %6s  %7s\n", "band", "drift", "95 %", "scatter")
		for _, o := range e.Octaves {
			if o.AfterDB == nil || o.AfterHalfDB == nil || o.ScatterDB == nil {
				continue
			}
			mark := ""
			if o.Missed {
				mark = "  drifted"
			}
			fmt.Fprintf(w, "  %6s  %+6.1f  ±%5.1f  %7.1f%s\n", o.Band, *o.AfterDB, *o.AfterHalfDB, *o.ScatterDB, mark)
		}
		fmt.Fprintf(w, "  %s\n", e.Text)
	}
	fmt.Fprintf(w, "\n%s\n", r.Text)
}
