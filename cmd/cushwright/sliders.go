package main

import (
	"fmt"
	"io"
	"math"
	"time"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/bench"
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
	treble, json bool
}

func (a *app) slidersCommand() *cobra.Command {
	var w sliderFlags
	c := &cobra.Command{Use: "sliders NEW", Short: "settings for a row of sliders", Args: cobra.ExactArgs(1),
		Long: `Finds the positions of a row of sliders that together come closest to the sound of the reference. Neighbouring sliders
overlap, so reading the wanted level off at each slider's frequency (the naive reading) overdoes it; both are told.

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
	f.StringVar(&w.level, "level", "measured", "measured: also the difference in level; free: leave level to the volume control")
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
		if w.ears == "apart" {
			return s, &dsp.RangeError{Key: "--ears", Value: `"apart"`, Allowed: "together, for levels free ear by ear would shift the balance"}
		}
	default:
		return s, &dsp.RangeError{Key: "--level", Value: fmt.Sprintf("%q", w.level), Allowed: "measured or free"}
	}
	return s, nil
}

type slider struct {
	FreqHz  float64 `json:"freq_hz"`
	GainDB  float64 `json:"gain_db"`
	NaiveDB float64 `json:"naive_db"`
}

type sliderRow struct {
	Ear           dsp.Ear  `json:"ear"`
	Q             float64  `json:"q"`
	Sliders       []slider `json:"sliders"`
	BeforeRMSDB   float64  `json:"before_rms_db"`
	ResidualRMSDB float64  `json:"residual_rms_db"`
	NaiveRMSDB    float64  `json:"naive_rms_db"`
	LevelDB       float64  `json:"level_db"`    // left to the volume control
	HeadroomDB    float64  `json:"headroom_db"` // level change before the sliders, ≤ 0
	Left          []left   `json:"left"`
}

type sliderAnswer struct {
	Cushion   string      `json:"cushion"`
	Reference string      `json:"reference"`
	StepDB    float64     `json:"step_db"`
	Rows      []sliderRow `json:"rows"`
	Caution   string      `json:"caution,omitempty"`
	Seconds   float64     `json:"seconds"`
}

func (a *app) sliders(c *cobra.Command, name string, w sliderFlags) error {
	fail := func(err error) error { return fmt.Errorf("cushwright: sliders for %q: %w", name, err) }
	if w.Wanted != "" && !c.Flags().Changed("level") {
		w.level = "free" // a wanted response has no level of its own
	}
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
			if d, ok := diffs[e]; ok && (math.Abs(d.Level.Value) > 6) {
				notes = append(notes, fmt.Sprintf("%s ear: the levels differ by %+.1f dB; if the rig's gain was changed between the cushions, give --level free", e, d.Level.Value))
			}
		}
	}
	out := sliderAnswer{Cushion: name, Reference: w.Name(), StepDB: spec.StepDB}
	start := time.Now()
	for _, g := range goals {
		row, peakDB, err := setSliders(g, spec)
		if err != nil {
			return fail(err)
		}
		if peakDB > 0.05 {
			out.Caution = caution
		}
		out.Rows = append(out.Rows, row)
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

// setSliders finds the positions for one target. peakDB is the most that the sliders boost together.
func setSliders(g fit.Target, spec fit.SliderSpec) (row sliderRow, peakDB float64, err error) {
	r, err := fit.Sliders(g, spec)
	if err != nil {
		return row, 0, err
	}
	row = sliderRow{Ear: g.Ear, Q: r.Q, BeforeRMSDB: r.BeforeRMS, ResidualRMSDB: r.ResidualRMS, NaiveRMSDB: r.NaiveRMS, LevelDB: r.LevelDB,
		Left: append([]left{}, leftOf(g.Ear, r.Left)...)}
	if r.PeakDB > 0 {
		row.HeadroomDB = -r.PeakDB
	}
	for i, f := range r.FreqHz {
		row.Sliders = append(row.Sliders, slider{f, r.GainDB[i], r.NaiveDB[i]})
	}
	return row, r.PeakDB, nil
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
		fmt.Fprintf(w, "%s -> %s: %s for %s, Q %s, %s\n", s.Cushion, s.Reference, plural(uint64(len(r.Sliders)), "slider"), which, short(r.Q, 2), step)
		fmt.Fprintf(w, "  %8s  %7s  %7s\n", "Hz", "set dB", "naive")
		for _, k := range r.Sliders {
			fmt.Fprintf(w, "  %8s  %7s  %7s\n", short(k.FreqHz, 1), signed(k.GainDB), signed(k.NaiveDB))
		}
		fmt.Fprintf(w, "left over: %.2f dB RMS (weighted); by the naive reading %.2f dB; with all at zero %.2f dB\n", r.ResidualRMSDB, r.NaiveRMSDB, r.BeforeRMSDB)
		fmt.Fprintf(w, "headroom: take %.2f dB off before the sliders\n", max(0, -r.HeadroomDB))
		if r.LevelDB != 0 {
			fmt.Fprintf(w, "level: turn the volume by %s dB beside that to match\n", signed(r.LevelDB))
		}
		printLeft(w, r.Left)
	}
}
