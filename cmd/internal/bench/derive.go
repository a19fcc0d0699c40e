package bench

import (
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"time"

	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/curve"
	"cushwright/dsp/fit"
)

// Wishes are what a correction is derived by.
type Wishes struct {
	Goal
	Bands      int     // at most, for each ear where they are kept apart; 0: as many as the equaliser has
	Ears       string  // together: one correction for both ears; apart: one for each
	Equaliser  string  // fit on the ranges and steps of this one; "": none
	MaxBoostDB float64 // largest boost of all bands together; 0: cuts only
	FullTreble bool    // correct above 10 kHz like anywhere else
	Refine     bool    // fit what a proof found left over into the correction

	ChoseBands, ChoseEars bool // Bands, Ears were asked for and are no default
}

// options are those of the fit.
func (w Wishes) options(snap *config.Snapshot) (o fit.Options, err error) {
	o = fit.Options{Bands: w.Bands, MaxBoostDB: boostLimit(w.MaxBoostDB), FullTreble: w.FullTreble}
	if w.Equaliser != "" {
		o.For, err = EqualiserOf(snap, w.Equaliser)
	}
	return o, err
}

// boostLimit is a limit as the fit takes it. There 0 stands for the default, so that cuts only are asked for by a limit
// next to 0.
func boostLimit(db float64) float64 {
	if db == 0 {
		return 0.01
	}
	return db
}

// Uncorrected is what a fit left uncorrected.
type Uncorrected struct {
	Ear    dsp.Ear `json:"ear"`
	LowHz  float64 `json:"low_hz"`
	HighHz float64 `json:"high_hz"`
	RestDB float64 `json:"rest_db"` // + means level is missing
	Why    string  `json:"why"`
}

func (l Uncorrected) String() string {
	s := fmt.Sprintf("%.0f Hz to %.0f Hz, %+.1f dB: %s", l.LowHz, l.HighHz, l.RestDB, l.Why)
	if l.HighHz < 1.001*l.LowHz {
		s = fmt.Sprintf("at %.0f Hz, %+.1f dB: %s", l.LowHz, l.RestDB, l.Why)
	}
	if l.Ear != dsp.Both {
		s = l.Ear.String() + " ear, " + s
	}
	return s
}

// uncorrected are the notes of a fit for an ear.
func uncorrected(e dsp.Ear, notes []fit.Note) (out []Uncorrected) {
	for _, n := range notes {
		out = append(out, Uncorrected{e, n.LowHz, n.HighHz, n.RestDB, n.Why})
	}
	return out
}

// BandSetting is a band of a correction.
type BandSetting struct {
	Shape  dsp.Shape `json:"shape"`
	Ear    dsp.Ear   `json:"ear"`
	FreqHz float64   `json:"freq_hz"`
	GainDB float64   `json:"gain_db"`
	Q      float64   `json:"q"`
}

// EarResidual is what differs at an ear before and after a fit, in dB.
type EarResidual struct {
	Ear    dsp.Ear      `json:"ear"`
	Before fit.Residual `json:"before"`
	After  fit.Residual `json:"after"`
}

// Derived is the answer of Derive.
type Derived struct {
	Cushion     string        `json:"cushion"`
	Reference   string        `json:"reference"`
	Equaliser   string        `json:"equaliser,omitempty"`
	HeadroomDB  float64       `json:"headroom_db"` // level change before the bands, ≤ 0
	Bands       []BandSetting `json:"bands"`
	Before      fit.Residual  `json:"before"`
	After       fit.Residual  `json:"after"`
	Ears        []EarResidual `json:"ears"`
	BoostDB     float64       `json:"boost_db"`   // the largest of all bands together
	LevelDB     float64       `json:"level_db"`   // wanted beyond bands and headroom: the volume control's business
	BalanceDB   float64       `json:"balance_db"` // by which the left ear wants more than the right; with the ears apart
	Uncorrected []Uncorrected `json:"left"`
	File        string        `json:"file,omitempty"` // "" with --dry
	Caution     string        `json:"caution,omitempty"`
	Seconds     float64       `json:"seconds"` // that the fit took

	From    string   `json:"reference_from,omitempty"` // where the reference comes from, where it was not named
	Doubts  []string `json:"doubts,omitempty"`         // why the seats do not prove the correction
	Worse   string   `json:"worse,omitempty"`          // why it should not replace the present one
	Engine  string   `json:"engine,omitempty"`         // what the running engine has made of it
	Measure string   `json:"measure"`                  // what before and after are

	LeftOver []fit.Residual `json:"left_over,omitempty"` // with Refine: what was left before, by target

	Notes []string `json:"notes,omitempty"` // what to mind

	correction            *dsp.Correction
	seats, referenceSeats int
}

// Targets turns differences into what the bands are to reach: one target for both ears, or one each.
func Targets(diffs map[dsp.Ear]curve.Diff, how string) ([]fit.Target, error) {
	switch how {
	case "together", "apart":
	default:
		return nil, &dsp.RangeError{Key: "--ears", Value: fmt.Sprintf("%q", how), Allowed: "together or apart"}
	}
	l, ok1 := diffs[dsp.Left]
	r, ok2 := diffs[dsp.Right]
	switch {
	case how == "apart" && !(ok1 && ok2):
		return nil, &dsp.RangeError{Key: "--ears", Value: fmt.Sprintf("%q", how),
			Allowed: "together, for only one ear was measured with both"}
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

// EqualiserOf hands a described equaliser to the fit. Shapes without gain are of no use to it.
func EqualiserOf(snap *config.Snapshot, name string) (*fit.Equaliser, error) {
	if n, ok := snap.CalledEqualiser(name); ok {
		name = n
	}
	if err := snap.Need("equalisers/" + name); err != nil {
		return nil, err
	}
	e, ok := snap.Equaliser(name)
	if !ok {
		return nil, fmt.Errorf("unknown equaliser %q.%s The bench has: %s", name,
			words.DidYouMean(name, snap.EqualiserNames()), strings.Join(snap.EqualiserNames(), ", "))
	}
	out := &fit.Equaliser{Bands: e.Bands, FreqMinHz: e.FreqMinHz, FreqMaxHz: e.FreqMaxHz, FreqStepHz: e.FreqStepHz,
		FreqStepOctaves: e.FreqStepOctaves,
		GainMinDB:       e.GainMinDB, GainMaxDB: e.GainMaxDB, GainStepDB: e.GainStepDB, QMin: e.QMin, QMax: e.QMax,
		QStep:       e.QStep,
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

// FitBands fits bands to each goal; two of them are the ears apart, and the left one wants balanceDB more than the
// right.
func FitBands(goals []fit.Target, o fit.Options) (results []fit.Result, balanceDB float64, err error) {
	results = make([]fit.Result, len(goals))
	if len(goals) == 2 {
		results[0], results[1], balanceDB, err = fit.DeriveApart(goals[0], goals[1], o)
	} else {
		results[0], err = fit.Derive(goals[0], o)
	}
	return results, balanceDB, err
}

// Overall is the residual of several targets together: the root of the mean square, and the largest.
func Overall(each ...fit.Residual) (all fit.Residual) {
	for _, r := range each {
		all.RMSDB += r.RMSDB * r.RMSDB / float64(len(each))
		all.MaxDB = max(all.MaxDB, r.MaxDB)
	}
	all.RMSDB = math.Sqrt(all.RMSDB)
	return all
}

// Derive finds the correction that gives the cushion called name the sound of the goal. It writes nothing.
func Derive(snap *config.Snapshot, name string, w Wishes) (*Derived, error) {
	fail := func(err error) (*Derived, error) { return nil, fmt.Errorf("cushwright: derive %q: %w", name, err) }
	o, err := w.options(snap)
	if err != nil {
		return fail(err)
	}
	var again *refinement
	if w.Refine {
		if again, err = w.refine(snap, name); err != nil {
			return fail(err)
		}
		o.Bands = w.Bands
	}
	diffs, new, ref, notes, err := w.Differences(snap, name)
	if err != nil {
		return nil, err
	}
	goals, err := Targets(diffs, w.Ears)
	if err != nil {
		return fail(err)
	}
	d := &Derived{Cushion: name, Reference: w.Name(), Equaliser: w.Equaliser, Bands: []BandSetting{},
		Uncorrected: []Uncorrected{},
		Notes:       notes, seats: new.Seats(), referenceSeats: ref.Seats(), From: w.From, Measure: Measure(w.Ears)}
	cushions := []Measured{new}
	if w.Wanted == "" {
		cushions = append(cushions, ref)
	}
	d.Doubts = doubts(cushions...)
	var bands []dsp.Band
	if again != nil {
		if d.LeftOver, err = again.add(goals, w.FullTreble); err != nil {
			return nil, err
		}
		bands = again.fixed
	}
	start := time.Now()
	results, balanceDB, err := FitBands(goals, o)
	if err != nil {
		return fail(err)
	}
	d.Seconds, d.BalanceDB = time.Since(start).Seconds(), balanceDB+0
	if err := d.take(goals, results, bands); err != nil {
		return fail(err)
	}
	d.limited(w.MaxBoostDB)
	if d.Worse, err = d.replaces(snap, goals); err != nil {
		return fail(err)
	}
	return d, nil
}

// limited says what is limited where a single band lifts more than the limit.
func (d *Derived) limited(maxBoostDB float64) {
	for _, b := range d.Bands {
		if b.GainDB > maxBoostDB+0.05 {
			d.Notes = append(d.Notes, fmt.Sprintf("the band at %s Hz lifts %s dB: what is limited to %g dB is what all bands "+
				"do together, which is %.1f dB at most", words.Short(b.FreqHz, 1), words.Signed(b.GainDB), maxBoostDB, d.BoostDB))
		}
	}
}

// Measure says what the figures before and after a fit are.
func Measure(ears string) string {
	of := "the mean of both ears"
	if ears == "apart" {
		of = "each ear"
	}
	return "before, after: how far " + of + " differs from the reference; level left out; what scatters counts less"
}

// take makes a correction of what was fitted to each goal, and of the fixed bands, which come first.
func (d *Derived) take(goals []fit.Target, results []fit.Result, fixed []dsp.Band) (err error) {
	bands := fixed
	var before, after []fit.Residual
	for i, r := range results {
		for _, b := range r.Bands {
			if d.Equaliser == "" { // an equaliser's own steps stay as they are
				b.FreqHz, b.GainDB, b.Q = words.Typed(b.FreqHz, 0.1), words.Typed(b.GainDB, 0.01), words.Typed(b.Q,
					0.001)
			}
			bands = append(bands, b)
		}
		d.Uncorrected = append(d.Uncorrected, uncorrected(goals[i].Ear, r.Left)...)
		d.Ears = append(d.Ears, EarResidual{goals[i].Ear, r.Before, r.After})
		d.BoostDB = max(d.BoostDB, r.PeakDB)
		d.LevelDB += r.LevelDB / float64(len(results))
		before, after = append(before, r.Before), append(after, r.After)
	}
	d.Before, d.After = Overall(before...), Overall(after...)
	for _, b := range bands {
		d.Bands = append(d.Bands, BandSetting{b.Shape, b.Ear, b.FreqHz, b.GainDB, b.Q})
	}
	if d.correction, err = dsp.NewCorrection(bands, dsp.AutoHeadroom); err != nil {
		return err
	}
	chain, err := d.correction.Compile(48000, dsp.Options{})
	if err != nil {
		return err
	}
	d.HeadroomDB = chain.HeadroomDB()
	if n := HeadroomNote(d.correction, chain); n != "" {
		d.Notes = append(d.Notes, n)
	}
	return nil
}

// Write writes the correction into the bench folder dir. A former one stays beside it.
func (d *Derived) Write(dir string) error {
	record := &config.Derived{Seats: d.seats, ReferenceSeats: d.referenceSeats,
		BeforeRMSDB: words.Typed(d.Before.RMSDB, 0.001), BeforeMaxDB: words.Typed(d.Before.MaxDB, 0.001),
		AfterRMSDB: words.Typed(d.After.RMSDB, 0.001), AfterMaxDB: words.Typed(d.After.MaxDB, 0.001)}
	for _, l := range d.Uncorrected {
		record.Left = append(record.Left, l.String())
	}
	if r := []rune(strings.Join(d.Doubts, "; ")); len(r) > 0 {
		record.Caution = string(r[:min(len(r), 250)])
	}
	comments := []string{fmt.Sprintf("Derived: takes the sound of %s to that of %s.", d.Cushion, d.Reference)}
	if len(d.LeftOver) > 0 {
		comments = append(comments, "Refined by seats measured through the correction before.")
	}
	if d.Equaliser != "" {
		comments = append(comments, "Fitted in the response and on the steps of the equaliser "+d.Equaliser+".")
	}
	if record.Caution != "" {
		comments = append(comments, "Caution: "+record.Caution+".")
	}
	c := config.Correction{Name: d.Cushion, Reference: d.Reference, Correction: d.correction, Derived: record}
	if err := config.WriteCorrection(dir, d.Cushion, c, comments); err != nil {
		return err
	}
	d.File = filepath.Join(dir, "corrections", d.Cushion+".toml")
	return nil
}

// mostHeadroomDB is the automatic headroom beyond which a warning is due: what plays gets as much quieter.
const mostHeadroomDB = 24

// HeadroomNote warns of an automatic headroom beyond mostHeadroomDB; ch is the correction's chain. "": nothing to warn
// of.
func HeadroomNote(c *dsp.Correction, ch *dsp.Chain) string {
	if down := words.Typed(-ch.HeadroomDB(), 0.1); c.AutoHeadroom() && down > mostHeadroomDB {
		return fmt.Sprintf("the automatic headroom takes %.1f dB off, more than %d: everything plays as much quieter; "+
			"let the bands boost less, or set headroom_db", down, mostHeadroomDB)
	}
	return ""
}
