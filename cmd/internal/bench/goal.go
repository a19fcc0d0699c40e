package bench

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"

	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/curve"
)

// Goal says what a correction is to bring the new cushion back to.
type Goal struct {
	Reference, Wanted string                                                     // a cushion or a wanted response; one of them
	From              string                                                     // where Reference comes from, "" where it was named
	Read              func(snap *config.Snapshot, name string) (Measured, error) // nil: bench.Read
}

// Name is that of the cushion or of the response.
func (g Goal) Name() string {
	if g.Wanted != "" {
		return g.Wanted
	}
	return g.Reference
}

// Differences compares the new cushion with the goal, ear by ear.
func (g *Goal) Differences(snap *config.Snapshot, name string) (diffs map[dsp.Ear]curve.Diff, new, ref Measured,
	notes []string, err error) {
	fail := func(err error) error { return fmt.Errorf("cushwright: correct %q: %w", name, err) }
	if g.Reference == "" && g.Wanted == "" {
		g.Reference, g.From = snap.Settings.Reference, "the reference of settings.toml"
	}
	switch {
	case g.Name() == "":
		return nil, new, ref, nil, fail(errors.New("say towards what, by --reference or --wanted"))
	case g.Reference == name:
		return nil, new, ref, nil, fail(errors.New("it is the reference itself"))
	}
	read := Read
	if g.Read != nil {
		read = g.Read
	}
	if new, err = read(snap, name); err != nil {
		return
	}
	if g.Wanted != "" {
		diffs, notes, err = fromWanted(snap, g.Wanted, new)
	} else if ref, err = read(snap, g.Reference); err == nil {
		if apart := OriginsOf(ref, new).Differ(); apart != "" {
			return nil, new, ref, nil, fail(fmt.Errorf("%s cannot be its reference: %s", g.Reference, apart))
		}
		if diffs = fromReference(ref, new); len(diffs) == 0 {
			err = fail(fmt.Errorf("no ear was measured with both it and %s", g.Reference))
		}
	}
	if err != nil {
		return nil, new, ref, nil, err
	}
	for _, e := range Ears {
		d, ok := diffs[e]
		if !ok {
			notes = append(notes, fmt.Sprintf("the %s ear was not measured with both", e))
			continue
		}
		if d.Half95DB == nil {
			notes = append(notes, fmt.Sprintf("%s ear: a single seat tells nothing of the scatter, so every detail "+
				"is believed; three seats and more are better", e))
		}
		if d.LowHz >= d.HighHz {
			return nil, new, ref, nil, fail(fmt.Errorf("%s ear: no range of frequencies was measured with both%s", e,
				because(append(ref.narrow(), new.narrow()...))))
		}
	}
	for _, o := range append(ref.Outliers(2), new.Outliers(2)...) {
		notes = append(notes, o.Seat+": "+o.Reason)
	}
	return diffs, new, ref, notes, nil
}

// fromReference compares the new cushion with the reference at each ear that was measured with both.
func fromReference(ref, new Measured) map[dsp.Ear]curve.Diff {
	diffs := map[dsp.Ear]curve.Diff{}
	for _, e := range Ears {
		r, ok1 := ref.Means[e]
		n, ok2 := new.Means[e]
		if ok1 && ok2 {
			diffs[e] = curve.Difference(r, n)
		}
	}
	return diffs
}

// fromWanted compares the new cushion with a wanted response, the rig's calibration taken off its seats.
func fromWanted(snap *config.Snapshot, wanted string, new Measured) (diffs map[dsp.Ear]curve.Diff, notes []string,
	err error) {
	want, err := wantedCurve(snap, wanted)
	if err != nil {
		return nil, nil, err
	}
	off, err := Calibration(snap)
	if err != nil {
		return nil, nil, err
	}
	if off == nil {
		notes = append(notes, "no calibration of the rig is set: against a wanted response its own response does "+
			"not cancel")
	}
	diffs = map[dsp.Ear]curve.Diff{}
	for e, n := range new.Means {
		if off != nil {
			seats := make([]curve.Curve, len(n.Seats))
			for i := range seats {
				seats[i] = n.Seats[i].Minus(*off)
			}
			if n, err = curve.Mean(seats); err != nil {
				return nil, nil, fmt.Errorf("cushwright: correct %q: %w", new.Name, err)
			}
		}
		diffs[e] = curve.Difference(want, n)
	}
	return diffs, notes, nil
}

// wantedCurve reads a wanted response. It has no scatter: two seats that agree in everything say so.
func wantedCurve(snap *config.Snapshot, name string) (curve.Average, error) {
	if err := config.CheckName(name); err != nil {
		return curve.Average{}, fmt.Errorf("cushwright: read wanted response %q: %w", name, err)
	}
	s, err := snap.Wanted(name)
	if err != nil {
		return curve.Average{}, err
	}
	k, err := curve.FromPoints(s.FreqHz, s.LevelDB)
	if err != nil {
		return curve.Average{}, fmt.Errorf("cushwright: read wanted response %q: %w", name, err)
	}
	return curve.Mean([]curve.Curve{k, k})
}

// Calibration reads the rig's calibration file; nil where none is set.
func Calibration(snap *config.Snapshot) (*curve.Curve, error) {
	file := snap.Settings.Rig.Calibration
	if file == "" {
		return nil, nil
	}
	if !filepath.IsAbs(file) {
		file = filepath.Join(snap.Dir, file)
	}
	m, _, err := config.ReadMeasurement(file)
	if err != nil {
		return nil, err
	}
	k, err := curve.FromPoints(m.FreqHz, m.LevelDB)
	if err != nil {
		return nil, fmt.Errorf("cushwright: read calibration %q: %w", file, err)
	}
	return &k, nil
}

// Towards takes the goal from the correction where none was named; another one than the correction's is refused, since
// the sheet would show settings for one and a result for the other.
func (g *Goal) Towards(snap *config.Snapshot, ref string) error {
	switch {
	case ref == "":
	case g.Name() == "":
		_, isCushion := snap.Cushion(ref)
		wanted, err := snap.WantedNames()
		if err != nil {
			return err
		}
		if !isCushion && slices.Contains(wanted, ref) {
			g.Wanted = ref
		} else {
			g.Reference = ref
		}
	case g.Name() != ref:
		return fmt.Errorf("its correction goes towards %q: derive it towards %q first", ref, g.Name())
	}
	return nil
}
