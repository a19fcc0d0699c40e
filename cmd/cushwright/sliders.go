package main

import (
	"fmt"
	"io"
	"math"
	"time"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/words"
	"cushwright/dsp"
	"cushwright/dsp/fit"
)

// sliderFlags are the wishes that positions of sliders are found by.
type sliderFlags struct {
	bench.Goal
	count        int
	freqHz       []float64
	q, width     float64
	stepDB       float64
	gentleDB     float64
	maxBoostDB   float64
	ears, level  string
	bells        string
	treble, json bool
}

func (a *app) slidersCommand() *cobra.Command {
	var w sliderFlags
	c := &cobra.Command{Use: "sliders NEW", Short: "settings for a row of sliders", Args: cobra.ExactArgs(1),
		Long: `Finds the positions of a row of sliders that together come closest to the sound of the reference. Neighbouring sliders
overlap, so reading the wanted level off at each slider's frequency (the naive reading) overdoes it; both are told, and
--step, --gentle and --max-boost hold for both.

Equalisers make their sliders' bells in two ways: like analog ones, or by the bilinear transform at their sample rate,
which narrows those near 20 kHz. Where you do not know which, the positions are such that the worst of them is as good as
it gets; what each kind leaves is told. --bells analog or bilinear fits for one.

Level is left to the volume control, and with --ears apart the balance between the ears to the balance control.
--level measured puts both into the sliders: only where both cushions, and both ears, were measured at the same gain of
the rig.

` + caution,
		RunE: func(c *cobra.Command, args []string) error { return a.sliders(c, args[0], w) }}
	goalFlags(c, &w.Goal)
	f := c.Flags()
	f.IntVar(&w.count, "count", 10, "how many sliders: 5 (two octaves apart), 10 (octaves) or 31 (third-octaves)")
	f.Float64SliceVar(&w.freqHz, "freq", nil, "the sliders' frequencies in Hz, ascending, parted by commas, in place of --count")
	f.Float64Var(&w.q, "q", 0, "Q of each slider (default: from their spacing)")
	f.Float64Var(&w.width, "width", 0, "width of each slider between its points of half gain in octaves, in place of --q")
	f.Float64Var(&w.stepDB, "step", 0.5, "step of a slider in dB; 0: stepless")
	f.Float64Var(&w.gentleDB, "gentle", 0, "no slider moves further than this many dB; --gentle alone: 3 dB")
	f.Lookup("gentle").NoOptDefVal = "3"
	f.Float64Var(&w.maxBoostDB, "max-boost", 6, "largest boost of all sliders together in dB; 0: cuts only")
	f.StringVar(&w.ears, "ears", "together", "together: one row for both ears; apart: one for each")
	f.StringVar(&w.level, "level", "free",
		"free: leave level to the volume control; measured: put the measured difference in level into the sliders")
	f.StringVar(&w.bells, "bells", "any",
		"what the equaliser's bells are like: analog, bilinear (at 44.1 or 48 kHz), or any: not known")
	f.BoolVar(&w.treble, "treble", false, "correct above 10 kHz like anywhere else, though a rig is no ear there")
	f.BoolVar(&w.json, "json", false, "print JSON")
	c.MarkFlagsMutuallyExclusive("count", "freq")
	c.MarkFlagsMutuallyExclusive("q", "width")
	return c
}

// spec turns the flags into a row of sliders.
func (w sliderFlags) spec() (fit.SliderSpec, error) {
	s := fit.SliderSpec{FreqHz: w.freqHz, Q: w.q, StepDB: w.stepDB, MaxMoveDB: w.gentleDB, MaxBoostDB: w.maxBoostDB, FullTreble: w.treble}
	if w.maxBoostDB == 0 {
		s.MaxBoostDB = 0.01
	}
	if s.FreqHz == nil {
		switch w.count {
		case 5:
			s.FreqHz = fit.FiveSliders
		case 10:
			s.FreqHz = fit.TenSliders
		case 31:
			s.FreqHz = fit.ThirtyOneSliders
		default:
			return s, &dsp.RangeError{Key: "--count", Value: fmt.Sprint(w.count), Allowed: "5, 10 or 31; others by --freq"}
		}
	}
	if w.width != 0 {
		if !(w.width > 0 && w.width <= 10) {
			return s, &dsp.RangeError{Key: "--width", Value: fmt.Sprintf("%g", w.width), Allowed: "above 0, to 10 octaves"}
		}
		s.Q = fit.WidthQ(w.width)
	}
	switch w.level {
	case "measured":
	case "free":
		s.FreeLevel = true
	default:
		return s, &dsp.RangeError{Key: "--level", Value: fmt.Sprintf("%q", w.level), Allowed: "free or measured"}
	}
	switch w.bells {
	case "any":
		s.Kinds = fit.AnyKind
	case "analog":
		s.Kinds = fit.Analog
	case "bilinear":
		s.Kinds = fit.Bilinear
	default:
		return s, &dsp.RangeError{Key: "--bells", Value: fmt.Sprintf("%q", w.bells), Allowed: "any, analog or bilinear"}
	}
	return s, nil
}

type slider struct {
	FreqHz  float64 `json:"freq_hz"`
	GainDB  float64 `json:"gain_db"`
	NaiveDB float64 `json:"naive_db"`
}

// sliderKind is what positions leave on one kind of bells.
type sliderKind struct {
	Bells         string  `json:"bells"`
	RateHz        float64 `json:"rate_hz,omitempty"` // of bilinear ones
	ResidualRMSDB float64 `json:"residual_rms_db"`
	NaiveRMSDB    float64 `json:"naive_rms_db"`
}

type sliderRow struct {
	Ear           dsp.Ear      `json:"ear"`
	Q             float64      `json:"q"`
	Sliders       []slider     `json:"sliders"`
	BeforeRMSDB   float64      `json:"before_rms_db"`
	ResidualRMSDB float64      `json:"residual_rms_db"` // the most on any kind of bells that was fitted for
	NaiveRMSDB    float64      `json:"naive_rms_db"`    // likewise
	Kinds         []sliderKind `json:"kinds"`
	LevelDB       float64      `json:"level_db"`    // left to the volume control
	HeadroomDB    float64      `json:"headroom_db"` // level change before the sliders, ≤ 0; both ears
	Left          []left       `json:"left"`
}

type sliderAnswer struct {
	Cushion   string      `json:"cushion"`
	Reference string      `json:"reference"`
	StepDB    float64     `json:"step_db"`
	Bells     string      `json:"bells"`      // what was fitted for: any, analog or bilinear
	Level     string      `json:"level"`      // free: left to the volume control; measured: in the sliders
	BalanceDB float64     `json:"balance_db"` // by which the left ear wants more; ears apart, level free
	Rows      []sliderRow `json:"rows"`
	Caution   string      `json:"caution,omitempty"`
	Seconds   float64     `json:"seconds"`

	wanted bool // the reference is a wanted response
}

func (a *app) sliders(c *cobra.Command, name string, w sliderFlags) error {
	fail := func(err error) error { return fmt.Errorf("cushwright: sliders for %q: %w", name, err) }
	spec, err := w.spec()
	if err != nil {
		return fail(err)
	}
	snap, err := a.open()
	if err != nil {
		return err
	}
	diffs, _, _, notes, err := w.Differences(snap, name)
	if err != nil {
		return err
	}
	goals, err := targets(diffs, w.ears)
	if err != nil {
		return fail(err)
	}
	if !spec.FreeLevel {
		for _, e := range bench.Ears {
			if d, ok := diffs[e]; ok && math.Abs(d.Level.Value) > 6 {
				notes = append(notes, fmt.Sprintf("%s ear: the levels differ by %+.1f dB; if the rig's gain was changed between the cushions, give --level free", e, d.Level.Value))
			}
		}
	}
	out := sliderAnswer{Cushion: name, Reference: w.Name(), StepDB: spec.StepDB, Bells: w.bells, Level: w.level,
		wanted: w.Wanted != ""}
	start := time.Now()
	if out.Rows, out.BalanceDB, err = setSliders(goals, spec); err != nil {
		return fail(err)
	}
	for _, r := range out.Rows {
		if r.HeadroomDB < -0.05 {
			out.Caution = caution
		}
	}
	out.Seconds = time.Since(start).Seconds()
	warn(c, notes)
	if w.json {
		return writeJSON(c, out)
	}
	if out.Caution != "" {
		fmt.Fprintln(c.ErrOrStderr(), out.Caution)
	}
	return printTo(c, out.print)
}

// setSliders finds the positions for each goal; two of them are the ears apart, and the left one wants balanceDB more
// than the right.
func setSliders(goals []fit.Target, spec fit.SliderSpec) (rows []sliderRow, balanceDB float64, err error) {
	results := make([]fit.SliderResult, len(goals))
	if len(goals) == 2 {
		results[0], results[1], balanceDB, err = fit.SlidersApart(goals[0], goals[1], spec)
	} else {
		results[0], err = fit.Sliders(goals[0], spec)
	}
	if err != nil {
		return nil, 0, err
	}
	peakDB := 0.0 // one for both ears: headroom apart would shift the balance
	for _, r := range results {
		peakDB = max(peakDB, r.PeakDB)
	}
	for i, r := range results {
		row := sliderRow{Ear: goals[i].Ear, Q: r.Q, BeforeRMSDB: r.BeforeRMS, ResidualRMSDB: r.ResidualRMS,
			NaiveRMSDB: r.NaiveRMS, LevelDB: r.LevelDB + 0,
			HeadroomDB: 0 - peakDB, Left: append([]left{}, leftOf(goals[i].Ear, r.Left)...)}
		for _, k := range r.Kinds {
			bells := "analog"
			if k.Kind.RateHz != 0 {
				bells = "bilinear"
			}
			row.Kinds = append(row.Kinds, sliderKind{bells, k.Kind.RateHz, k.ResidualRMS, k.NaiveRMS})
		}
		for k, f := range r.FreqHz {
			row.Sliders = append(row.Sliders, slider{f, r.GainDB[k], r.NaiveDB[k]})
		}
		rows = append(rows, row)
	}
	return rows, balanceDB + 0, nil
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

func (s sliderAnswer) print(w io.Writer) {
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
		fmt.Fprintf(w, "%s -> %s: %s for %s, Q %s, %s\n", s.Cushion, s.Reference, words.Plural(uint64(len(r.Sliders)), "slider"), which, words.Short(r.Q, 2), step)
		fmt.Fprintf(w, "fitted for %s\n", bellsInWords(s.Bells))
		fmt.Fprintf(w, "  %8s  %7s  %7s\n", "Hz", "set dB", "naive")
		for _, k := range r.Sliders {
			fmt.Fprintf(w, "  %8s  %7s  %7s\n", words.Short(k.FreqHz, 1), words.Signed(k.GainDB), words.Signed(k.NaiveDB))
		}
		fmt.Fprintf(w, "left over, dB RMS (weighted): %.2f at most; by the naive reading %.2f; with all at zero %.2f\n",
			r.ResidualRMSDB, r.NaiveRMSDB, r.BeforeRMSDB)
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
		fmt.Fprintf(w, "headroom: take %s dB off before the sliders%s\n", words.Decimals(0-r.HeadroomDB, 2), both)
		printLeft(w, r.Left)
	}
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
	if !s.wanted { // a wanted response has no level of its own
		fmt.Fprintf(w, "; for the level that was measured, turn it by %s dB once the headroom is taken off",
			words.Signed(level-s.Rows[0].HeadroomDB))
	}
	fmt.Fprintln(w)
	if math.Abs(s.BalanceDB) >= 0.5 {
		fmt.Fprintf(w, "balance: the left ear wants %s dB against the right; that is left to the balance control\n",
			words.Signed(s.BalanceDB))
	}
}
