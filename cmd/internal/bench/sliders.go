package bench

import (
	"fmt"
	"math"
	"time"

	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/curve"
	"cushwright/dsp/fit"
)

// SliderWishes are what the positions of sliders are found by.
type SliderWishes struct {
	Goal
	Count        int       // 5, 10 or 31, where FreqHz is nil
	FreqHz       []float64 // ascending
	Q            float64   // of each slider; 0: from their spacing
	WidthOctaves float64   // between a slider's points of half gain, in place of Q; 0: none
	StepDB       float64   // of a slider; 0: stepless
	GentleDB     float64   // no slider moves further; 0: no limit
	MaxBoostDB   float64   // largest boost of all sliders together; 0: cuts only
	Ears         string    // together: one row for both ears; apart: one for each
	Level        string    // free: left to the volume control; measured: in the sliders
	Bells        string    // what the equaliser's bells are like: any, analog or bilinear
	FullTreble   bool      // correct above 10 kHz like anywhere else
}

// CommonSliders are the wishes where nothing else is asked for: count sliders.
func CommonSliders(count int) SliderWishes {
	return SliderWishes{Count: count, StepDB: 0.5, MaxBoostDB: 6, Ears: "together", Level: "free", Bells: "any"}
}

// spec turns the wishes into a row of sliders.
func (w SliderWishes) spec() (fit.SliderSpec, error) {
	s := fit.SliderSpec{FreqHz: w.FreqHz, Q: w.Q, StepDB: w.StepDB, MaxMoveDB: w.GentleDB,
		MaxBoostDB: boostLimit(w.MaxBoostDB),
		FullTreble: w.FullTreble}
	if s.FreqHz == nil {
		switch w.Count {
		case 5:
			s.FreqHz = fit.FiveSliders
		case 10:
			s.FreqHz = fit.TenSliders
		case 31:
			s.FreqHz = fit.ThirtyOneSliders
		default:
			return s, &dsp.RangeError{Key: "--count", Value: fmt.Sprint(w.Count),
				Allowed: "5, 10 or 31; others by --freq"}
		}
	}
	if w.WidthOctaves != 0 {
		if !(w.WidthOctaves > 0 && w.WidthOctaves <= 10) {
			return s, &dsp.RangeError{Key: "--width", Value: fmt.Sprintf("%g", w.WidthOctaves),
				Allowed: "above 0, to 10 octaves"}
		}
		s.Q = fit.WidthQ(w.WidthOctaves)
	}
	switch w.Level {
	case "measured":
	case "free":
		s.FreeLevel = true
	default:
		return s, &dsp.RangeError{Key: "--level", Value: fmt.Sprintf("%q", w.Level), Allowed: "free or measured"}
	}
	switch w.Bells {
	case "any":
		s.Kinds = fit.AnyKind
	case "analog":
		s.Kinds = fit.Analog
	case "bilinear":
		s.Kinds = fit.Bilinear
	default:
		return s, &dsp.RangeError{Key: "--bells", Value: fmt.Sprintf("%q", w.Bells), Allowed: "any, analog or bilinear"}
	}
	return s, nil
}

// Slider is a slider's position.
type Slider struct {
	FreqHz  float64 `json:"freq_hz"`
	GainDB  float64 `json:"gain_db"`
	NaiveDB float64 `json:"naive_db"`
}

// SliderKind is what positions leave on one kind of bells.
type SliderKind struct {
	Bells         string  `json:"bells"`
	RateHz        float64 `json:"rate_hz,omitempty"` // of bilinear ones
	ResidualRMSDB float64 `json:"residual_rms_db"`
	NaiveRMSDB    float64 `json:"naive_rms_db"`
}

// SliderRow is a row of sliders, for an ear or for both.
type SliderRow struct {
	Ear           dsp.Ear       `json:"ear"`
	Q             float64       `json:"q"`
	Sliders       []Slider      `json:"sliders"`
	BeforeRMSDB   float64       `json:"before_rms_db"`   // as derive has it: level left out
	BeforeMaxDB   float64       `json:"before_max_db"`   // likewise
	ZeroRMSDB     float64       `json:"zero_rms_db"`     // what sliders at zero leave; counts the level with "measured"
	ResidualRMSDB float64       `json:"residual_rms_db"` // the most on any kind of bells that was fitted for
	NaiveRMSDB    float64       `json:"naive_rms_db"`    // likewise
	Kinds         []SliderKind  `json:"kinds"`
	LevelDB       float64       `json:"level_db"`    // left to the volume control
	HeadroomDB    float64       `json:"headroom_db"` // level change before the sliders, ≤ 0; both ears
	Uncorrected   []Uncorrected `json:"left"`
}

// SliderAnswer is the answer of Sliders.
type SliderAnswer struct {
	Cushion   string      `json:"cushion"`
	Reference string      `json:"reference"`
	StepDB    float64     `json:"step_db"`
	Bells     string      `json:"bells"`      // what was fitted for: any, analog or bilinear
	Level     string      `json:"level"`      // free: left to the volume control; measured: in the sliders
	BalanceDB float64     `json:"balance_db"` // by which the left ear wants more; ears apart, level free
	Rows      []SliderRow `json:"rows"`
	Caution   string      `json:"caution,omitempty"`
	Seconds   float64     `json:"seconds"`

	From    string `json:"reference_from,omitempty"` // where the reference comes from, where it was not named
	Measure string `json:"measure"`                  // what before and after are

	Wanted bool     `json:"-"`               // the reference is a wanted response
	Notes  []string `json:"notes,omitempty"` // what to mind
}

// Check refuses wishes that contradict each other or are out of range.
func (w SliderWishes) Check(name string) error {
	if _, err := w.spec(); err != nil {
		return fmt.Errorf("cushwright: sliders for %q: %w", name, err)
	}
	return nil
}

// Sliders finds the positions that come closest to giving the cushion called name the sound of the goal.
func Sliders(snap *config.Snapshot, name string, w SliderWishes) (*SliderAnswer, error) {
	fail := func(err error) (*SliderAnswer, error) {
		return nil, fmt.Errorf("cushwright: sliders for %q: %w", name, err)
	}
	spec, err := w.spec()
	if err != nil {
		return fail(err)
	}
	diffs, new, ref, notes, err := w.Differences(snap, name)
	if err != nil {
		return nil, err
	}
	goals, err := Targets(diffs, w.Ears)
	if err != nil {
		return fail(err)
	}
	if !spec.FreeLevel {
		for _, e := range Ears {
			if d, ok := diffs[e]; ok && math.Abs(d.Level.Value) > 6 {
				notes = append(notes, fmt.Sprintf("%s ear: the levels differ by %+.1f dB; if the rig's gain was "+
					"changed between the cushions, "+
					"give --level free", e, d.Level.Value))
			}
		}
	}
	s := &SliderAnswer{Cushion: name, Reference: w.Name(), StepDB: spec.StepDB, Bells: w.Bells, Level: w.Level,
		Wanted: w.Wanted != "", From: w.From, Measure: Measure(w.Ears),
		Notes: notes}
	cushions := []Measured{new}
	if w.Wanted == "" {
		cushions = append(cushions, ref)
	}
	s.Notes = append(s.Notes, doubts(cushions...)...)
	start := time.Now()
	if s.Rows, s.BalanceDB, err = setSliders(goals, spec); err != nil {
		return fail(err)
	}
	s.Seconds = time.Since(start).Seconds()
	return s, nil
}

// SliderRows finds the positions of count sliders for each goal.
func SliderRows(goals []fit.Target, count int) ([]SliderRow, error) {
	spec, err := CommonSliders(count).spec()
	if err != nil {
		return nil, err
	}
	rows, _, err := setSliders(goals, spec)
	return rows, err
}

// setSliders finds the positions for each goal; two of them are the ears apart, and the left one wants balanceDB more
// than the right.
func setSliders(goals []fit.Target, spec fit.SliderSpec) (rows []SliderRow, balanceDB float64, err error) {
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
		before, _, err := fit.Judge(goals[i], fit.Options{}, make([]float64, curve.Points))
		if err != nil {
			return nil, 0, err
		}
		row := SliderRow{Ear: goals[i].Ear, Q: r.Q, BeforeRMSDB: before.RMSDB, BeforeMaxDB: before.MaxDB,
			ZeroRMSDB:     r.BeforeRMS,
			ResidualRMSDB: r.ResidualRMS,
			NaiveRMSDB:    r.NaiveRMS, LevelDB: r.LevelDB + 0,
			HeadroomDB: 0 - peakDB, Uncorrected: append([]Uncorrected{}, uncorrected(goals[i].Ear, r.Left)...)}
		for _, k := range r.Kinds {
			bells := "analog"
			if k.Kind.RateHz != 0 {
				bells = "bilinear"
			}
			row.Kinds = append(row.Kinds, SliderKind{bells, k.Kind.RateHz, k.ResidualRMS, k.NaiveRMS})
		}
		for k, f := range r.FreqHz {
			row.Sliders = append(row.Sliders, Slider{f, r.GainDB[k], r.NaiveDB[k]})
		}
		rows = append(rows, row)
	}
	return rows, balanceDB + 0, nil
}
