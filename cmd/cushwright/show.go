package main

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"slices"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/words"
	"cushwright/cmd/internal/written"
	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/plot"
)

func (a *app) showCommand() *cobra.Command {
	var csv, coefficients, force bool
	var rate float64
	var png, svg string
	c := &cobra.Command{Use: "show NAME", Short: "Show a correction as numbers or as a plot.",
		Args: cobra.ExactArgs(1),
		Long: `Prints a cushion's correction at one sample rate: the level at each ear over frequency as CSV, or the
coefficients of its sections. --png and --svg draw it instead; with --csv both are done.`,
		RunE: func(c *cobra.Command, args []string) error {
			_, sel, err := a.played("show", args[0])
			if err != nil {
				return err
			}
			ch, err := sel.Correction.Compile(rate, dsp.Options{})
			if err != nil {
				return fmt.Errorf("cushwright: show %q: %w", args[0], err)
			}
			if err := written.Check(force, named(png, svg)...); err != nil {
				return err
			}
			for file, draw := range map[string]func(*plot.Plot, io.Writer) error{png: (*plot.Plot).PNG,
				svg: (*plot.Plot).SVG} {
				if file == "" {
					continue
				}
				if err := writePlot(file, bench.CorrectionPlot(sel.Cushion, ch), draw); err != nil {
					return err
				}
				written.Note(file)
			}
			w := bufio.NewWriter(c.OutOrStdout())
			defer w.Flush()
			switch {
			case coefficients:
				printCoefficients(w, ch)
			case csv || png == "" && svg == "":
				printResponse(w, sel.Cushion, sel.Reference, ch)
			}
			return nil
		}}
	f := c.Flags()
	f.BoolVar(&csv, "csv", false, "print freq_hz,left_db,right_db (the default); -300 dB stands for a notch's zero")
	f.BoolVar(&coefficients, "coefficients", false, "print each section's coefficients")
	f.Float64Var(&rate, "rate", 48000, "sample rate in Hz")
	f.BoolVar(&force, "force", false, forceUsage)
	f.StringVar(&png, "png", "", "write a plot to this PNG file")
	f.StringVar(&svg, "svg", "", "write a plot to this SVG file")
	return c
}

const forceUsage = "overwrite files that cushwright did not write, too"

// named are the file names that were given.
func named(files ...string) []string {
	return slices.DeleteFunc(files, func(f string) bool { return f == "" })
}

func printResponse(w io.Writer, name, reference string, ch *dsp.Chain) {
	fmt.Fprintf(w, "# correction: %s\n", name)
	if reference != "" {
		fmt.Fprintf(w, "# reference: %s\n", reference)
	}
	fmt.Fprintf(w, "# rate_hz: %g\n# headroom_db: %s\nfreq_hz,left_db,right_db\n", ch.RateHz(),
		words.Decimals(ch.HeadroomDB(), 6))
	for _, f := range bench.PlotHz() {
		fmt.Fprintf(w, "%.4f,%s,%s\n", f, words.Decimals(ch.DB(dsp.Left, f), 6), words.Decimals(ch.DB(dsp.Right, f), 6))
	}
}

func printCoefficients(w io.Writer, ch *dsp.Chain) {
	fmt.Fprintf(w, "# rate_hz: %g\n# headroom_db: %s\near,section,b0,b1,b2,a1,a2\n", ch.RateHz(),
		words.Decimals(ch.HeadroomDB(), 6))
	for _, e := range []dsp.Ear{dsp.Left, dsp.Right} {
		for i, s := range ch.Sections(e) {
			fmt.Fprintf(w, "%s,%d,%.17g,%.17g,%.17g,%.17g,%.17g\n", e, i+1, s.B0, s.B1, s.B2, s.A1, s.A2)
		}
	}
}

// writePlot draws into a file, which is replaced whole or not at all.
func writePlot(file string, p *plot.Plot, draw func(*plot.Plot, io.Writer) error) error {
	var b bytes.Buffer
	if err := draw(p, &b); err != nil {
		return fmt.Errorf("cushwright: draw %q: %w", file, err)
	}
	return config.WriteAtomic(file, b.Bytes())
}
