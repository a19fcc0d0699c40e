package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/dsp/curve"
	"cushwright/dsp/plot"
)

func (a *app) compareCommand() *cobra.Command {
	var asJSON, align bool
	var png, svg, since string
	c := &cobra.Command{Use: "compare REF NEW | compare NAME --since DAY",
		Short: "Tell what a swap changes, and whether that is more than seating scatter.",
		Args: func(c *cobra.Command, args []string) error {
			if c.Flags().Changed("since") {
				return cobra.ExactArgs(1)(c, args)
			}
			return cobra.ExactArgs(2)(c, args)
		},
		Long: `Compares the seats of two cushions. Each octave band and each range is judged by itself: its 95 %
interval is that of the change printed beside it. So of twenty bands that did not change, about one is called real by
chance. The verdict on the whole allows for that: it calls equal cushions different in 5 of 100 cases. The sensitivity
is one figure for both ears. The exit code is 1 if seats disagree: seat again, then compare again. It is
1, too, if every verdict is unknown.

With --align, each seat's own level (200 Hz to 4 kHz) is taken out first, and shapes are compared.

With --since, the latest seats of one cushion are set against the first ones since that day: how it has drifted,
whether that is beyond scatter, and whether corrections should be derived again. The exit code is 1 if it has drifted
or the seats are too few to tell.`,
		RunE: func(c *cobra.Command, args []string) error {
			if c.Flags().Changed("since") {
				return a.aged(c, args[0], since, asJSON)
			}
			snap, err := a.open()
			if err != nil {
				return err
			}
			call(snap, &args[0], &args[1])
			ref, err := bench.Read(snap, args[0])
			if err != nil {
				return err
			}
			new, err := bench.Read(snap, args[1])
			if err != nil {
				return err
			}
			cmp, err := bench.Compare(snap, ref, new, align)
			if err != nil {
				return err
			}
			for file, draw := range map[string]func(*plot.Plot, io.Writer) error{png: (*plot.Plot).PNG,
				svg: (*plot.Plot).SVG} {
				if file == "" {
					continue
				}
				if err := writePlot(file, cmp.Plot(), draw); err != nil {
					return err
				}
			}
			warn(c, cmp.Warnings)
			if asJSON {
				err = writeJSON(c, cmp)
			} else {
				err = printTo(c, func(w io.Writer) { printComparison(w, cmp) })
			}
			if err == nil && cmp.Undecided() {
				err = answerNo{fmt.Errorf("cushwright: compare %q with %q: no verdict: one seat cannot show how far seats "+
					"scatter; measure each cushion at least twice on the same ear", ref.Name, new.Name)}
			}
			if err == nil && len(cmp.Outliers) > 0 {
				err = answerNo{fmt.Errorf("cushwright: compare %q with %q: %s the others, seat again", ref.Name,
					new.Name,
					map[bool]string{true: "a seat disagrees with", false: "seats disagree with"}[len(cmp.Outliers) == 1])}
			}
			return err
		}}
	f := c.Flags()
	f.BoolVar(&align, "align", false, "take the difference in level out first: for seats measured at different gains")
	f.StringVar(&png, "png", "", "write a plot to this PNG file")
	f.StringVar(&svg, "svg", "", "write a plot to this SVG file")
	f.StringVar(&since, "since", "", "how one cushion has drifted since that day, YYYY-MM-DD")
	f.BoolVar(&asJSON, "json", false, "print JSON")
	for _, other := range []string{"align", "png", "svg"} {
		c.MarkFlagsMutuallyExclusive("since", other)
	}
	return c
}

// writeJSON prints v to the command's output.
func writeJSON(c *cobra.Command, v any) error {
	e := json.NewEncoder(c.OutOrStdout())
	e.SetIndent("", "  ")
	return e.Encode(v)
}

// printTo lets f print to the command's output.
func printTo(c *cobra.Command, f func(w io.Writer)) error {
	w := bufio.NewWriter(c.OutOrStdout())
	f(w)
	return w.Flush()
}

// warn prints messages.
func warn(c *cobra.Command, messages []string) {
	for _, m := range messages {
		fmt.Fprintln(c.ErrOrStderr(), "note:", m)
	}
}

// confidence writes the half-width of a 95 % interval.
func confidence(half *float64) string {
	if half == nil {
		return plusMinus("")
	}
	return plusMinus(fmt.Sprintf("%.1f", *half))
}

func plusMinus(half string) string {
	if half == "" {
		return "   ?  "
	}
	return fmt.Sprintf("±%5s", half)
}

func printComparison(w io.Writer, cmp bench.Comparison) {
	fmt.Fprintf(w, "%s: what the swap changes, in dB\n", words.Arrow(cmp.Reference.Name, cmp.New.Name))
	if cmp.Aligned {
		fmt.Fprintln(w, "(each seat's own level was taken out first)")
	}
	for _, k := range cmp.Ears {
		fmt.Fprintf(w, "\n%s ear, %d and %d seats, %.0f Hz to %.0f Hz\n", k.Ear, k.ReferenceSeats, k.NewSeats, k.LowHz,
			k.HighHz)
		fmt.Fprintf(w, "  %6s  %6s  %6s  %6s  %6s  verdict\n", "band", "before", "after", "change", "95 %")
		odd := false
		for _, r := range k.Octaves {
			mark := ""
			if r.Caution != "" {
				mark, odd = " *", true
			}
			fmt.Fprintf(w, "  %6s  %6.1f  %6.1f  %6s  %s  %s%s\n", r.Band, r.RefDB, r.NewDB, r.Change(), plusMinus(r.Half()),
				r.Verdict, mark)
		}
		if odd {
			fmt.Fprintln(w, "  * where the rig is no ear, see the notes")
		}
		for _, r := range k.Ranges {
			fmt.Fprintf(w, "  %-12s %6s dB %s  %s (%.0f Hz to %.0f Hz)\n", r.Band, r.Change(), plusMinus(r.Half()), r.Verdict,
				r.LowHz, r.HighHz)
		}
		if len(cmp.Ears) > 1 {
			fmt.Fprintf(w, "  %-12s %6s dB %s  (200 Hz to 4 kHz)\n", "level", words.SignedTenth(k.LevelDB),
				confidence(k.LevelHalf95))
		}
	}
	fmt.Fprintf(w, "\nsensitivity %s dB %s\n", words.SignedTenth(cmp.SensitivityDB), confidence(cmp.SensitivityHalf95))
	printWhole(w, cmp.Whole)
	for i, m := range cmp.Imbalance {
		if i == 0 {
			fmt.Fprintln(w, "\nleft against right (right - left)")
		}
		var real []string
		for _, r := range m.Octaves {
			if r.Verdict == curve.Real {
				real = append(real, r.Band+" "+r.Change())
			}
		}
		if real == nil {
			real = []string{"none"}
		}
		fmt.Fprintf(w, "  %-14s level %s dB %s; as a whole %s; octave bands with a real difference: %s\n", m.Cushion,
			words.SignedTenth(m.LevelDB),
			confidence(m.LevelHalf95), m.Whole.Verdict, strings.Join(real, ", "))
	}
	printRecords(w, cmp)
	if len(cmp.Outliers) > 0 {
		fmt.Fprintln(w, "\nseats that disagree with the others")
	}
	for _, o := range cmp.Outliers {
		fmt.Fprintf(w, "  %s: %s\n", o.Seat, o.Reason)
	}
}

func printWhole(w io.Writer, v bench.Whole) {
	if v.Bands == 0 {
		fmt.Fprintf(w, "as a whole: %s\n", v.Verdict)
		return
	}
	chance := fmt.Sprintf("%.2g", v.P)
	if v.P < 0.001 {
		chance = "below 0.001"
	}
	says := map[string]string{curve.Real: "a real change", curve.Scatter: "no change beyond seating scatter"}[v.Verdict]
	fmt.Fprintf(w, "as a whole: %s (chance of bands as far apart with equal cushions: %s)\n", says, chance)
	fmt.Fprintf(w, "Each band is judged by itself: where nothing changed, %.1f of these %d are called real by "+
		"chance.\n", v.ByChance, v.Bands)
}

// printRecords prints what is known of the cushions as objects, side by side.
func printRecords(w io.Writer, cmp bench.Comparison) {
	width := len([]rune(cmp.Reference.Name))
	ref, new := bench.RecordRows(cmp.Reference), bench.RecordRows(cmp.New)
	for _, r := range ref {
		width = max(width, len([]rune(r[1])))
	}
	fmt.Fprintf(w, "\n  %-16s  %-*s  %s\n", "record", width, cmp.Reference.Name, cmp.New.Name)
	for i := range ref {
		a, b := ref[i][1], new[i][1]
		if a == "" && b == "" {
			continue
		}
		if a == "" {
			a = "?"
		}
		if b == "" {
			b = "?"
		}
		fmt.Fprintf(w, "  %-16s  %-*s  %s\n", ref[i][0], width, a, b)
	}
	for _, k := range []config.Cushion{cmp.Reference, cmp.New} {
		if k.Notes != "" {
			fmt.Fprintf(w, "  %s: %s\n", k.Name, k.Notes)
		}
	}
}

// goalFlags say what a correction is to bring the new cushion back to.
func goalFlags(c *cobra.Command, g *bench.Goal) {
	c.Flags().StringVar(&g.Reference, "reference", "", "the cushion whose sound is wanted (default: the reference "+
		"of settings.toml)")
	c.Flags().StringVar(&g.Wanted, "wanted", "", "a wanted response, wanted/NAME.csv, in place of a reference cushion")
	c.MarkFlagsMutuallyExclusive("reference", "wanted")
}
