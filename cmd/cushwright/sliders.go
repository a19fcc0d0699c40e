package main

import (
	"fmt"
	"io"
	"math"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/words"
	"cushwright/dsp"
)

func (a *app) slidersCommand() *cobra.Command {
	w := bench.CommonSliders(10)
	var asJSON bool
	c := &cobra.Command{Use: "sliders NEW", Short: "Find settings for a row of sliders.",
		Args: cobra.ExactArgs(1),
		Long: `Finds the positions of a row of sliders that together come closest to the sound of the reference.
Neighbouring sliders overlap, so reading the wanted level off at each slider's frequency (the naive reading) overdoes
it; both are told, and --step, --gentle and --max-boost hold for both.

Equalisers make their sliders' bells in two ways: like analog ones, or by the bilinear transform at their sample rate,
which narrows those near 20 kHz. Where you do not know which, the positions are such that the worst of them is as good
as it gets; what each kind leaves is told. --bells analog or bilinear fits for one.

Level is left to the volume control, and with --ears apart the balance between the ears to the balance control.
--level measured puts both into the sliders: only where both cushions, and both ears, were measured at the same gain
of the rig.`,
		RunE: func(c *cobra.Command, args []string) error { return a.sliders(c, args[0], w, asJSON) }}
	goalFlags(c, &w.Goal)
	f := c.Flags()
	f.IntVar(&w.Count, "count", 10, "how many sliders: 5 (two octaves apart), 10 (octaves) or 31 (third-octaves)")
	f.Float64SliceVar(&w.FreqHz, "freq", nil, "the sliders' frequencies in Hz, ascending, parted by commas, in "+
		"place of --count")
	f.Float64Var(&w.Q, "q", 0, "Q of each slider (default: from their spacing)")
	f.Float64Var(&w.WidthOctaves, "width", 0, "width of each slider between its points of half gain in octaves, in "+
		"place of --q")
	f.Float64Var(&w.StepDB, "step", 0.5, "step of a slider in dB; 0: stepless")
	f.Float64Var(&w.GentleDB, "gentle", 0, "no slider moves further than this many dB; --gentle alone: 3 dB")
	f.Lookup("gentle").NoOptDefVal = "3"
	f.Float64Var(&w.MaxBoostDB, "max-boost", 6, "largest boost of all sliders together in dB; 0: cuts only")
	f.StringVar(&w.Ears, "ears", "together", "together: one row for both ears; apart: one for each")
	f.StringVar(&w.Level, "level", "free",
		"free: leave level to the volume control; measured: put the measured difference in level into the sliders")
	f.StringVar(&w.Bells, "bells", "any",
		"what the equaliser's bells are like: analog, bilinear (at 44.1 or 48 kHz), or any: not known")
	f.BoolVar(&w.FullTreble, "treble", false, "correct above 10 kHz like anywhere else, though a rig is no ear there")
	f.BoolVar(&asJSON, "json", false, "print JSON")
	c.MarkFlagsMutuallyExclusive("count", "freq")
	c.MarkFlagsMutuallyExclusive("q", "width")
	return c
}

func (a *app) sliders(c *cobra.Command, name string, w bench.SliderWishes, asJSON bool) error {
	if err := w.Check(name); err != nil {
		return err
	}
	snap, err := a.open()
	if err != nil {
		return err
	}
	call(snap, &name, &w.Reference)
	s, err := bench.Sliders(snap, name, w)
	if err != nil {
		return err
	}
	for _, r := range s.Rows {
		if r.HeadroomDB < -0.05 {
			s.Caution = caution
		}
	}
	warn(c, s.Notes)
	if asJSON {
		return writeJSON(c, s)
	}
	if s.Caution != "" {
		careful(c.ErrOrStderr())
	}
	return printTo(c, func(out io.Writer) { printSliders(out, s) })
}

// bellsInWords says what kinds of bells a row was fitted for.
func bellsInWords(bells string) string {
	switch bells {
	case "analog":
		return "bells like analog ones"
	case "bilinear":
		return "bells of the bilinear transform at 44.1 or 48 kHz"
	}
	return "bells like analog ones or of the bilinear transform"
}

func printSliders(w io.Writer, s *bench.SliderAnswer) {
	for i, r := range s.Rows {
		if i > 0 {
			fmt.Fprintln(w)
		}
		which := "both ears"
		if r.Ear != dsp.Both {
			which = r.Ear.String() + " ear"
		}
		step := "stepless"
		if s.StepDB > 0 {
			step = fmt.Sprintf("steps of %g dB", s.StepDB)
		}
		from := ""
		if s.From != "" {
			from = " (reference: " + s.From + ")"
		}
		fmt.Fprintf(w, "%s%s: %s for %s, Q %s, %s\n", words.Arrow(s.Reference, s.Cushion), from,
			words.Plural(uint64(len(r.Sliders)), "slider"), which, words.Short(r.Q, 2), step)
		fmt.Fprintf(w, "fitted for %s\n", bellsInWords(s.Bells))
		fmt.Fprintf(w, "  %8s  %7s  %7s\n", "Hz", "set dB", "naive")
		for _, k := range r.Sliders {
			fmt.Fprintf(w, "  %8s  %7s  %7s\n", words.Short(k.FreqHz, 1), words.Signed(k.GainDB),
				words.Signed(k.NaiveDB))
		}
		fmt.Fprintf(w, "before: %.2f dB RMS (weighted), %.2f dB at most\n", r.BeforeRMSDB, r.BeforeMaxDB)
		if s.Level == "measured" {
			fmt.Fprintf(w, "after, with the level counted: %.2f dB RMS (weighted) at most; by the naive reading %.2f; with all at "+
				"zero %.2f\n", r.ResidualRMSDB, r.NaiveRMSDB, r.ZeroRMSDB)
		} else {
			fmt.Fprintf(w, "after:  %.2f dB RMS (weighted) at most; by the naive reading %.2f\n", r.ResidualRMSDB,
				r.NaiveRMSDB)
		}
		for _, k := range r.Kinds {
			name := k.Bells + " bells"
			if k.RateHz != 0 {
				name += fmt.Sprintf(" at %g kHz", k.RateHz/1000)
			}
			fmt.Fprintf(w, "  on %-28s  %.2f; by the naive reading %.2f\n", name+":", k.ResidualRMSDB, k.NaiveRMSDB)
		}
		both := ""
		if len(s.Rows) > 1 {
			both = ", on both ears alike"
		}
		fmt.Fprintf(w, "%s dB headroom: take that much off before the sliders%s\n",
			words.Decimals(0-r.HeadroomDB, 2), both)
		printUncorrected(w, r.Uncorrected)
	}
	fmt.Fprintf(w, "(%s)\n", s.Measure)
	if len(s.Rows) > 1 {
		fmt.Fprintln(w)
	}
	if s.Level == "measured" {
		fmt.Fprintln(w, "level: the measured difference is in the sliders")
		return
	}
	level := 0.0
	for _, r := range s.Rows {
		level += r.LevelDB / float64(len(s.Rows))
	}
	fmt.Fprint(w, "level: left to the volume control")
	if !s.Wanted { // a wanted response has no level of its own
		fmt.Fprintf(w, "; for the level that was measured, turn it by %s dB once the headroom is taken off",
			words.Signed(level-s.Rows[0].HeadroomDB))
	}
	fmt.Fprintln(w)
	if math.Abs(s.BalanceDB) >= 0.5 {
		fmt.Fprintf(w, "balance: the left ear wants %s dB against the right; that is left to the balance control\n",
			words.Signed(s.BalanceDB))
	}
}
