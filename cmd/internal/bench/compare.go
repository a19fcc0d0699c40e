package bench

import (
	"fmt"
	"math"
	"slices"

	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/curve"
)

// BandRow is one band of a comparison. A confidence that is not known is null.
type BandRow struct {
	Band    string   `json:"band"`
	LowHz   float64  `json:"low_hz"`
	HighHz  float64  `json:"high_hz"`
	RefDB   float64  `json:"reference_db"`
	NewDB   float64  `json:"new_db"`
	DiffDB  float64  `json:"difference_db"`
	Half95  *float64 `json:"confidence95_db"`
	Verdict string   `json:"verdict"`
	Caution string   `json:"caution,omitempty"`
}

func rowOf(b curve.Band) BandRow {
	r := BandRow{Band: b.Label, LowHz: b.LowHz, HighHz: b.HighHz, RefDB: b.RefDB, NewDB: b.NewDB, DiffDB: b.DiffDB,
		Verdict: b.Verdict, Caution: b.Caution}
	if b.HasHalf && !math.IsInf(b.Half95DB, 0) {
		r.Half95 = &b.Half95DB
	}
	return r
}

// Change writes the band's change in dB.
func (r BandRow) Change() string { diff, _ := r.text(); return diff }

// Half writes half of the 95 % interval of the change, "" where it is not known.
func (r BandRow) Half() string { _, half := r.text(); return half }

func (r BandRow) text() (diff, half string) {
	switch {
	case r.Half95 == nil:
		return words.SignedTenth(r.DiffDB), ""
	case r.Verdict == curve.Real:
		return words.Sure(r.DiffDB, *r.Half95)
	}
	return words.SignedTenth(r.DiffDB), fmt.Sprintf("%.1f", *r.Half95)
}

// RowsOf are the rows of bands; none gives an empty list.
func RowsOf(bands []curve.Band) []BandRow {
	out := []BandRow{}
	for _, b := range bands {
		out = append(out, rowOf(b))
	}
	return out
}

// EarComparison is what the swap changes at one ear.
type EarComparison struct {
	Ear            dsp.Ear   `json:"ear"`
	ReferenceSeats int       `json:"reference_seats"`
	NewSeats       int       `json:"new_seats"`
	LowHz          float64   `json:"low_hz"`
	HighHz         float64   `json:"high_hz"`
	Octaves        []BandRow `json:"octaves"`
	Ranges         []BandRow `json:"ranges"`   // bass, middle, treble: what was measured of them
	LevelDB        float64   `json:"level_db"` // of this ear's change, 200 Hz to 4 kHz, before any alignment
	LevelHalf95    *float64  `json:"level_confidence95_db"`
	SensitivityDB  float64   `json:"sensitivity_db"` // that of the comparison, for both ears

	Diff curve.Diff `json:"-"`
}

// Imbalance sets the ears of one cushion against each other.
type Imbalance struct {
	Cushion     string    `json:"cushion"`
	LevelDB     float64   `json:"level_db"` // right − left
	LevelHalf95 *float64  `json:"level_confidence95_db"`
	Octaves     []BandRow `json:"octaves"` // reference: left; new: right
	Whole       Whole     `json:"whole"`
}

// Whole is the verdict on all octave bands of a comparison together.
type Whole struct {
	Verdict  string  `json:"verdict"`
	P        float64 `json:"p"`              // chance of bands as far apart where nothing differs; 1 if unknown
	Bands    int     `json:"bands"`          // how many octave bands were judged, each by itself
	ByChance float64 `json:"real_by_chance"` // how many of them are called real by chance where nothing differs
}

func wholeOf(Ears ...curve.Diff) Whole {
	w := Whole{Verdict: curve.Unknown, P: curve.Anything(Ears...)}
	for _, d := range Ears {
		for _, b := range d.Octaves() {
			if b.HasHalf {
				w.Bands++
			}
		}
	}
	if w.Bands > 0 {
		w.ByChance, w.Verdict = 0.05*float64(w.Bands), curve.Scatter
		if w.P < 0.05 {
			w.Verdict = curve.Real
		}
	}
	return w
}

// Comparison is the answer of Compare.
type Comparison struct {
	Reference config.Cushion `json:"reference"`
	New       config.Cushion `json:"new"`
	Aligned   bool           `json:"aligned"`
	Whole     Whole          `json:"whole"`
	// By how much the new cushion is louder, for both ears together, before any alignment.
	SensitivityDB     float64         `json:"sensitivity_db"`
	SensitivityHalf95 *float64        `json:"sensitivity_confidence95_db"`
	Ears              []EarComparison `json:"ears"`
	Imbalance         []Imbalance     `json:"imbalance"`
	Outliers          []Outlier       `json:"outliers"`
	Warnings          []string        `json:"warnings"`
}

// Undecided reports whether no verdict could be given on anything.
func (cmp Comparison) Undecided() bool {
	for _, e := range cmp.Ears {
		for _, r := range append(slices.Clone(e.Octaves), e.Ranges...) {
			if r.Verdict != curve.Unknown {
				return false
			}
		}
	}
	return cmp.Whole.Verdict == curve.Unknown
}

// Compare says what the swap from ref to new changes; with align, each seat's own level is taken out first.
func Compare(snap *config.Snapshot, ref, new Measured, align bool) (Comparison, error) {
	cmp := Comparison{Aligned: align, Imbalance: []Imbalance{}, Warnings: []string{}}
	for to, m := range map[*config.Cushion]Measured{&cmp.Reference: ref, &cmp.New: new} {
		k, ok := snap.Cushion(m.Name)
		if !ok {
			k.Name = m.Name
		}
		*to = k
	}
	if apart := OriginsOf(ref, new).Differ(); apart != "" {
		cmp.Warnings = append(cmp.Warnings, apart)
	}
	cushions := []Measured{ref, new}
	if new.Name == ref.Name {
		cushions = cushions[:1]
	}
	cmp.Outliers = []Outlier{}
	for _, m := range cushions {
		cmp.Outliers = append(cmp.Outliers, m.Outliers(len(cushions))...)
	}
	var measuredDiffs, diffs []curve.Diff
	for _, e := range Ears {
		r, ok1 := ref.Means[e]
		n, ok2 := new.Means[e]
		switch {
		case !ok1 && !ok2:
			continue
		case !ok1 || !ok2:
			who := map[bool]string{true: new.Name, false: ref.Name}[ok1]
			cmp.Warnings = append(cmp.Warnings, fmt.Sprintf("the %s ear is left out: %s was not measured there", e,
				who))
			continue
		}
		d := curve.Difference(r, n)
		level := d.Level
		measuredDiffs = append(measuredDiffs, d)
		if align {
			d = d.Aligned()
		}
		diffs = append(diffs, d)
		k := EarComparison{Ear: e, ReferenceSeats: len(r.Seats), NewSeats: len(n.Seats), LowHz: d.LowHz,
			HighHz: d.HighHz, Octaves: RowsOf(d.Octaves()),
			Ranges: RowsOf(d.Ranges()), LevelDB: level.Value, LevelHalf95: Known(level.Half95()), Diff: d}
		cmp.Ears = append(cmp.Ears, k)
		for _, w := range d.CouplerWarnings() {
			if !slices.Contains(cmp.Warnings, w) {
				cmp.Warnings = append(cmp.Warnings, w)
			}
		}
	}
	if len(cmp.Ears) == 0 {
		return cmp, fmt.Errorf("cushwright: compare %q with %q: no ear was measured with both", ref.Name, new.Name)
	}
	cmp.Whole = wholeOf(diffs...)
	louder := curve.Sensitivity(measuredDiffs...)
	cmp.SensitivityDB, cmp.SensitivityHalf95 = louder.Value, Known(louder.Half95())
	for i := range cmp.Ears {
		cmp.Ears[i].SensitivityDB = louder.Value
	}
	for _, m := range cushions {
		l, ok1 := m.Means[dsp.Left]
		r, ok2 := m.Means[dsp.Right]
		if ok1 && ok2 {
			d := curve.Difference(l, r)
			cmp.Imbalance = append(cmp.Imbalance, Imbalance{m.Name, d.Level.Value, Known(d.Level.Half95()),
				RowsOf(d.Octaves()), wholeOf(d)})
		}
	}
	return cmp, nil
}
