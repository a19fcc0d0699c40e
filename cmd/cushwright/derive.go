package main

import (
	"fmt"
	"io"
	"math"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/curve"
	"cushwright/dsp/fit"
)

// deriveFlags are the wishes that a correction is derived by.
type deriveFlags struct {
	bench.Goal
	bands       int // 0: as many as the equaliser has
	ears, named string
	maxBoostDB  float64
	treble, dry bool
	refine      bool
	since       string
	asJSON      bool
}

func (a *app) deriveCommand() *cobra.Command {
	var w deriveFlags
	c := &cobra.Command{Use: "derive NEW", Short: "find the correction that gives a cushion the sound of the reference", Args: cobra.ExactArgs(1),
		Long: `Finds bands from the seats of both cushions and writes corrections/NEW.toml; a former one is kept as NEW.toml.previous.
Details that seating scatter alone may have made are left alone, deep narrow nulls are not filled, boosts are limited.
Level is left to the volume control. The same seats and options give the same file.

With --refine, the seats that "prove" measured through the present correction tell what is left over; the part of it that is more
than scatter is added to what the correction does, and the whole is fitted again, in as many bands and with fresh headroom.

` + caution,
		RunE: func(c *cobra.Command, args []string) error {
			if w.named != "" && !c.Flags().Changed("bands") {
				w.bands = 0
			}
			return a.derive(c, args[0], w)
		}}
	goalFlags(c, &w.Goal)
	f := c.Flags()
	f.IntVar(&w.bands, "bands", 8, "how many bands at most, for each ear where they are kept apart (default with --for: what it has)")
	f.StringVar(&w.ears, "ears", "together", "together: one correction for both ears; apart: one for each")
	f.StringVar(&w.named, "for", "", "fit on the ranges and steps of equalisers/NAME.toml, in its own response")
	f.Float64Var(&w.maxBoostDB, "max-boost", 6, "largest boost of all bands together in dB; 0: cuts only")
	f.BoolVar(&w.treble, "treble", false, "correct above 10 kHz like anywhere else, though a rig is no ear there")
	f.BoolVar(&w.refine, "refine", false, "fit what prove found left over into the correction")
	f.StringVar(&w.since, "since", "", "only seats measured on that day or later, YYYY-MM-DD; a cushion without any is taken with all")
	c.MarkFlagsMutuallyExclusive("refine", "since")
	f.BoolVar(&w.dry, "dry", false, "write nothing")
	f.BoolVar(&w.asJSON, "json", false, "print JSON")
	return c
}

// left is what a fit left uncorrected.
type left struct {
	Ear    dsp.Ear `json:"ear"`
	LowHz  float64 `json:"low_hz"`
	HighHz float64 `json:"high_hz"`
	RestDB float64 `json:"rest_db"` // + means level is missing
	Why    string  `json:"why"`
}

func (l left) String() string {
	s := fmt.Sprintf("%.0f Hz to %.0f Hz, %+.1f dB: %s", l.LowHz, l.HighHz, l.RestDB, l.Why)
	if l.HighHz < 1.001*l.LowHz {
		s = fmt.Sprintf("at %.0f Hz, %+.1f dB: %s", l.LowHz, l.RestDB, l.Why)
	}
	if l.Ear != dsp.Both {
		s = l.Ear.String() + " ear, " + s
	}
	return s
}

func leftOf(e dsp.Ear, notes []fit.Note) (out []left) {
	for _, n := range notes {
		out = append(out, left{e, n.LowHz, n.HighHz, n.RestDB, n.Why})
	}
	return out
}

type bandSetting struct {
	Shape  dsp.Shape `json:"shape"`
	Ear    dsp.Ear   `json:"ear"`
	FreqHz float64   `json:"freq_hz"`
	GainDB float64   `json:"gain_db"`
	Q      float64   `json:"q"`
}

type earResidual struct {
	Ear    dsp.Ear      `json:"ear"`
	Before fit.Residual `json:"before"`
	After  fit.Residual `json:"after"`
}

type derived struct {
	Cushion    string        `json:"cushion"`
	Reference  string        `json:"reference"`
	Equaliser  string        `json:"equaliser,omitempty"`
	HeadroomDB float64       `json:"headroom_db"` // level change before the bands, ≤ 0
	Bands      []bandSetting `json:"bands"`
	Before     fit.Residual  `json:"before"`
	After      fit.Residual  `json:"after"`
	Ears       []earResidual `json:"ears"`
	BoostDB    float64       `json:"boost_db"`   // the largest of all bands together
	LevelDB    float64       `json:"level_db"`   // wanted beyond bands and headroom: the volume control's business
	BalanceDB  float64       `json:"balance_db"` // by which the left ear wants more than the right; with the ears apart
	Left       []left        `json:"left"`
	File       string        `json:"file,omitempty"` // "" with --dry
	Caution    string        `json:"caution,omitempty"`
	Seconds    float64       `json:"seconds"` // that the fit took

	LeftOver []fit.Residual `json:"left_over,omitempty"` // with --refine: what was left before, by target
}

// targets turns differences into what the bands are to reach: one target for both ears, or one each.
func targets(diffs map[dsp.Ear]curve.Diff, how string) ([]fit.Target, error) {
	switch how {
	case "together", "apart":
	default:
		return nil, &dsp.RangeError{Key: "--ears", Value: fmt.Sprintf("%q", how), Allowed: "together or apart"}
	}
	l, ok1 := diffs[dsp.Left]
	r, ok2 := diffs[dsp.Right]
	switch {
	case how == "apart" && !(ok1 && ok2):
		return nil, &dsp.RangeError{Key: "--ears", Value: fmt.Sprintf("%q", how), Allowed: "together, for only one ear was measured with both"}
	case how == "apart":
		return []fit.Target{fit.TargetOf(dsp.Left, l), fit.TargetOf(dsp.Right, r)}, nil
	case ok1 && ok2:
		t, err := fit.Together(fit.TargetOf(dsp.Left, l), fit.TargetOf(dsp.Right, r))
		return []fit.Target{t}, err
	case ok1:
		return []fit.Target{fit.TargetOf(dsp.Both, l)}, nil
	}
	return []fit.Target{fit.TargetOf(dsp.Both, r)}, nil
}

// equaliserOf hands a described equaliser to the fit. Shapes without gain are of no use to it.
func equaliserOf(snap *config.Snapshot, name string) (*fit.Equaliser, error) {
	e, ok := snap.Equaliser(name)
	if !ok {
		return nil, fmt.Errorf("unknown equaliser %q, the bench has: %s", name, strings.Join(snap.EqualiserNames(), ", "))
	}
	out := &fit.Equaliser{Bands: e.Bands, FreqMinHz: e.FreqMinHz, FreqMaxHz: e.FreqMaxHz, FreqStepHz: e.FreqStepHz, FreqStepOctaves: e.FreqStepOctaves,
		GainMinDB: e.GainMinDB, GainMaxDB: e.GainMaxDB, GainStepDB: e.GainStepDB, QMin: e.QMin, QMax: e.QMax, QStep: e.QStep,
		FixedFreqHz: e.FixedFreqHz, FixedQ: e.FixedQ, Bilinear: e.Bilinear, RateHz: e.RateHz}
	for _, s := range e.Shapes {
		if s.HasGain() {
			out.Shapes = append(out.Shapes, s)
		}
	}
	if len(out.Shapes) == 0 {
		return nil, fmt.Errorf("equaliser %q has no shape with a gain", name)
	}
	return out, nil
}

// fitBands fits bands to each goal; two of them are the ears apart, and the left one wants balanceDB more than the right.
func fitBands(goals []fit.Target, o fit.Options) (results []fit.Result, balanceDB float64, err error) {
	results = make([]fit.Result, len(goals))
	if len(goals) == 2 {
		results[0], results[1], balanceDB, err = fit.DeriveApart(goals[0], goals[1], o)
	} else {
		results[0], err = fit.Derive(goals[0], o)
	}
	return results, balanceDB, err
}

// options turns the flags into what the fit is told; again is what a refinement starts from, nil for none.
func (w *deriveFlags) options(c *cobra.Command, snap *config.Snapshot, name string) (o fit.Options, again *refining, err error) {
	o = fit.Options{Bands: w.bands, MaxBoostDB: w.maxBoostDB, FullTreble: w.treble}
	if w.maxBoostDB == 0 {
		o.MaxBoostDB = 0.01
	}
	if w.named != "" {
		if o.For, err = equaliserOf(snap, w.named); err != nil {
			return o, nil, err
		}
	}
	if w.refine {
		if again, err = w.setRefine(snap, name, c.Flags().Changed("ears"), c.Flags().Changed("bands")); err != nil {
			return o, nil, err
		}
		o.Bands = w.bands
	}
	if err := w.setSince(c); err != nil {
		return o, nil, err
	}
	return o, again, nil
}

// take takes the fitted bands and what they leave of each goal, and returns the bands as they are written.
func (out *derived) take(goals []fit.Target, results []fit.Result) (bands []dsp.Band) {
	for i, r := range results {
		for _, b := range r.Bands {
			if out.Equaliser == "" { // an equaliser's own steps stay as they are
				b.FreqHz, b.GainDB, b.Q = words.Typed(b.FreqHz, 0.1), words.Typed(b.GainDB, 0.01), words.Typed(b.Q, 0.001)
			}
			bands = append(bands, b)
			out.Bands = append(out.Bands, bandSetting{b.Shape, b.Ear, b.FreqHz, b.GainDB, b.Q})
		}
		out.Left = append(out.Left, leftOf(goals[i].Ear, r.Left)...)
		out.Ears = append(out.Ears, earResidual{goals[i].Ear, r.Before, r.After})
		out.BoostDB = max(out.BoostDB, r.PeakDB)
		n := float64(len(results))
		out.LevelDB += r.LevelDB / n
		out.Before = fit.Residual{RMSDB: out.Before.RMSDB + r.Before.RMSDB*r.Before.RMSDB/n, MaxDB: max(out.Before.MaxDB, r.Before.MaxDB)}
		out.After = fit.Residual{RMSDB: out.After.RMSDB + r.After.RMSDB*r.After.RMSDB/n, MaxDB: max(out.After.MaxDB, r.After.MaxDB)}
	}
	out.Before.RMSDB, out.After.RMSDB = math.Sqrt(out.Before.RMSDB), math.Sqrt(out.After.RMSDB)
	return bands
}

// write writes the correction with what is known of it.
func (out *derived) write(snap *config.Snapshot, corr *dsp.Correction, seats, referenceSeats int) error {
	d := &config.Derived{Seats: seats, ReferenceSeats: referenceSeats, BeforeRMSDB: words.Typed(out.Before.RMSDB, 0.001), BeforeMaxDB: words.Typed(out.Before.MaxDB, 0.001),
		AfterRMSDB: words.Typed(out.After.RMSDB, 0.001), AfterMaxDB: words.Typed(out.After.MaxDB, 0.001)}
	for _, l := range out.Left {
		d.Left = append(d.Left, l.String())
	}
	said := []string{fmt.Sprintf("Derived: takes the sound of %s to that of %s.", out.Cushion, out.Reference)}
	if out.LeftOver != nil {
		said = append(said, "Refined by seats measured through the correction before.")
	}
	if out.Equaliser != "" {
		said = append(said, "Fitted in the response and on the steps of the equaliser "+out.Equaliser+".")
	}
	if err := config.WriteCorrection(snap.Dir, out.Cushion, config.Correction{Name: out.Cushion, Reference: out.Reference, Correction: corr, Derived: d}, said); err != nil {
		return err
	}
	out.File = filepath.Join(snap.Dir, "corrections", out.Cushion+".toml")
	return nil
}

func (a *app) derive(c *cobra.Command, name string, w deriveFlags) error {
	fail := func(err error) error { return fmt.Errorf("cushwright: derive %q: %w", name, err) }
	if c.Flags().Changed("bands") && (w.bands < 1 || w.bands > dsp.MaxBands) {
		return fail(&dsp.RangeError{Key: "--bands", Value: fmt.Sprint(w.bands), Allowed: fmt.Sprintf("1 to %d", dsp.MaxBands)})
	}
	snap, err := a.open()
	if err != nil {
		return err
	}
	o, again, err := w.options(c, snap, name)
	if err != nil {
		return fail(err)
	}
	diffs, new, ref, notes, err := w.Differences(snap, name)
	if err != nil {
		return err
	}
	goals, err := targets(diffs, w.ears)
	if err != nil {
		return fail(err)
	}
	if again != nil {
		if err := again.add(goals, w.treble); err != nil {
			return err
		}
	}
	out := derived{Cushion: name, Reference: w.Name(), Equaliser: w.named, Bands: []bandSetting{}, Left: []left{}}
	var bands []dsp.Band
	if again != nil {
		bands, out.LeftOver = again.kept, again.leftOver
		for _, b := range bands {
			out.Bands = append(out.Bands, bandSetting{b.Shape, b.Ear, b.FreqHz, b.GainDB, b.Q})
		}
	}
	start := time.Now()
	results, balanceDB, err := fitBands(goals, o)
	out.BalanceDB = balanceDB + 0
	if err != nil {
		return fail(err)
	}
	out.Seconds = time.Since(start).Seconds()
	bands = append(bands, out.take(goals, results)...)
	corr, err := dsp.NewCorrection(bands, dsp.AutoHeadroom)
	if err != nil {
		return fail(err)
	}
	chain, err := corr.Compile(48000, dsp.Options{})
	if err != nil {
		return fail(err)
	}
	out.HeadroomDB = chain.HeadroomDB()
	if n := headroomNote(corr, chain); n != "" {
		notes = append(notes, n)
	}
	if out.BoostDB > 0.05 {
		out.Caution = caution
	}
	warn(c, notes)
	if !w.dry {
		if w.named != "" {
			fmt.Fprintf(c.ErrOrStderr(), "note: the engine now plays the settings for %s too; --dry only prints them\n", w.named)
		}
		if err := out.write(snap, corr, new.Seats(), ref.Seats()); err != nil {
			return err
		}
	}
	if out.Caution != "" && !w.asJSON {
		fmt.Fprintln(c.ErrOrStderr(), out.Caution)
	}
	if w.asJSON {
		return writeJSON(c, out)
	}
	return printTo(c, out.print)
}

func (d derived) print(w io.Writer) {
	fmt.Fprintf(w, "%s -> %s: %s\n", d.Cushion, d.Reference, words.Plural(uint64(len(d.Bands)), "band"))
	if d.Equaliser != "" {
		fmt.Fprintln(w, "for the equaliser", d.Equaliser)
	}
	fmt.Fprintf(w, "  %-10s  %-5s  %9s  %7s  %6s\n", "shape", "ear", "Hz", "dB", "Q")
	for _, b := range d.Bands {
		fmt.Fprintf(w, "  %-10s  %-5s  %9s  %7s  %6s\n", b.Shape, b.Ear, words.Short(b.FreqHz, 1), words.Signed(b.GainDB), words.Short(b.Q, 3))
	}
	fmt.Fprintf(w, "headroom: take %.2f dB off before the bands\n", 0-d.HeadroomDB)
	fmt.Fprintf(w, "before: %.2f dB RMS (weighted), %.2f dB at most\nafter:  %.2f dB RMS (weighted), %.2f dB at most\n", d.Before.RMSDB, d.Before.MaxDB,
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
		fmt.Fprintf(w, "balance: the left ear wants %s dB against the right; that is left to the balance control\n", words.Signed(d.BalanceDB))
	}
	printLeft(w, d.Left)
	if d.File != "" {
		fmt.Fprintln(w, "written to", d.File)
	} else {
		fmt.Fprintln(w, "nothing was written")
	}
}

func printLeft(w io.Writer, l []left) {
	if len(l) > 0 {
		fmt.Fprintln(w, "left uncorrected (+: level is missing)")
	}
	for _, n := range l {
		fmt.Fprintf(w, "  %s\n", n)
	}
}

// mostHeadroomDB is the automatic headroom beyond which a warning is due: what plays gets as much quieter.
const mostHeadroomDB = 24

// headroomNote warns of an automatic headroom beyond mostHeadroomDB; ch is the correction's chain. "": nothing to warn
// of.
func headroomNote(c *dsp.Correction, ch *dsp.Chain) string {
	if down := words.Typed(-ch.HeadroomDB(), 0.1); c.AutoHeadroom() && down > mostHeadroomDB {
		return fmt.Sprintf("the automatic headroom takes %.1f dB off, more than %d: everything plays as much quieter; "+
			"let the bands boost less, or set headroom_db", down, mostHeadroomDB)
	}
	return ""
}
