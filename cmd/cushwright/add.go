package main

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/curve"
)

// addWishes are what add is asked for beside its files.
type addWishes struct {
	side, date, columns, unit, label, headphone, rig string
	begin, asJSON                                    bool
}

func (a *app) addCommand() *cobra.Command {
	var w addWishes
	c := &cobra.Command{Use: "add NAME FILE…", Short: "Take in measured text files as seats of a cushion.",
		Args: cobra.MinimumNArgs(2),
		Long: `Takes in measured text as rigs write it, a seat per file: two or three columns (Hz, dB, degrees)
separated by commas, semicolons, tabs or spaces, decimal point or comma, units and quotes in the cells, comment lines.
A heading is heeded: kHz is scaled, columns in another order are put in order, columns that are neither frequency,
level nor phase are left out. Two ears in one file, units other than dB, commas that could be separators or decimal
marks, and damaged rows are refused. The frequencies rise or fall throughout, leave no gap wider than an octave between
100 Hz and 10 kHz, and there is at least one a third of an octave there. All files are read before any seat is
written, and all seats are written or none.

Where a file has no heading, --columns says what its columns are, as in "freq,level,phase", "-,freq,level" or, for
both ears in one file, "freq,left,right"; --unit says the units, as in "kHz" or "Hz,Pa".

A seat that the cushion has already is recognised by what it holds and is not taken twice. --new begins a cushion that
the bench does not have, and writes a record with its label.`,
		RunE: func(c *cobra.Command, args []string) error { return a.add(c, args[0], args[1:], w) }}
	f := c.Flags()
	f.StringVar(&w.side, "ear", "", "the ear that was measured: left or right")
	f.StringVar(&w.date, "date", "", "the day of the measurement, YYYY-MM-DD")
	f.StringVar(&w.columns, "columns", "", "what the columns are: "+config.ColumnNames)
	f.StringVar(&w.unit, "unit", "", "the units: Hz or kHz, and dB or Pa")
	f.BoolVar(&w.begin, "new", false, "begin a cushion that the bench does not have")
	f.StringVar(&w.label, "label", "", "the label of a new cushion, as people call it")
	f.StringVar(&w.headphone, "headphone", "", "the headphone that was measured (default: rig.headphone of "+
		"settings.toml)")
	f.StringVar(&w.rig, "rig", "", "the rig that it was measured on (default: rig.name of settings.toml)")
	f.BoolVar(&w.asJSON, "json", false, "print JSON")
	return c
}

// taken is what add says of a file.
type taken struct {
	File       string  `json:"file"`
	Ear        dsp.Ear `json:"ear"`
	Understood string  `json:"understood"` // what was read, and what in it is odd
	Points     int     `json:"points"`
	LowHz      float64 `json:"low_hz"`
	HighHz     float64 `json:"high_hz"`
	Seat       string  `json:"seat"`
	Already    bool    `json:"already"` // Seat held it before: nothing was written

	seat config.Seat
}

func (a *app) add(c *cobra.Command, name string, files []string, w addWishes) error {
	fail := func(err error) error { return fmt.Errorf("cushwright: add to %q: %w", name, err) }
	if err := config.CheckName(name); err != nil {
		return fail(err)
	}
	columns, err := config.ParseColumns(w.columns, w.unit)
	if err != nil {
		return fail(err)
	}
	ear, err := dsp.ParseEar(w.side)
	switch {
	case columns.Ears() && w.side != "":
		return fail(&dsp.RangeError{Key: "--ear", Value: fmt.Sprintf("%q", w.side),
			Allowed: "no --ear where --columns names the ears"})
	case !columns.Ears() && (err != nil || ear == dsp.Both):
		return fail(&dsp.RangeError{Key: "--ear", Value: fmt.Sprintf("%q", w.side),
			Allowed: "left or right, for a seat is of one ear"})
	}
	if _, err := time.Parse(time.DateOnly, w.date); w.date != "" && err != nil {
		return fail(&dsp.RangeError{Key: "--date", Value: fmt.Sprintf("%q", w.date), Allowed: "a day as YYYY-MM-DD"})
	}
	var all []taken
	for _, file := range files {
		t, err := w.read(file, columns, ear)
		if err != nil {
			return err
		}
		all = append(all, t...)
	}
	snap, begun, err := a.cushionFor(c, "add to", name, w.label, w.begin)
	if err != nil {
		return err
	}
	if err := w.write(snap, name, all); err != nil {
		if len(begun) > 0 {
			err = fmt.Errorf("%w (begun: %s)", err, strings.Join(begun, ", "))
		}
		return err
	}
	if w.asJSON {
		return writeJSON(c, struct {
			Cushion string   `json:"cushion"`
			Begun   []string `json:"begun,omitempty"` // files that were written for a new cushion
			Seats   []taken  `json:"seats"`
		}{name, begun, all})
	}
	for _, t := range all {
		to := "→ " + t.Seat
		if t.Already {
			to = "already there as " + t.Seat + ": not taken again"
		}
		fmt.Fprintf(c.OutOrStdout(), "%s: %s\n  %s\n", t.File, t.Understood, to)
	}
	for _, f := range begun {
		fmt.Fprintln(c.OutOrStdout(), "begun:", f)
	}
	warn(c, nextSteps(snap.Dir, name))
	return nil
}

// read reads one file: a seat, or one for each ear.
func (w addWishes) read(file string, columns config.Columns, ear dsp.Ear) (out []taken, err error) {
	levels := map[string]dsp.Ear{"level": ear}
	order := []string{"level"}
	if columns.Ears() {
		levels, order = map[string]dsp.Ear{"left": dsp.Left, "right": dsp.Right}, nil
		for _, n := range columns.Names {
			if _, ok := levels[n]; ok {
				order = append(order, n)
			}
		}
	}
	for _, level := range order {
		m, understood, err := config.ReadMeasurementColumns(file, columns, level)
		if err != nil {
			return nil, err
		}
		if err := m.Sensible(); err != nil {
			return nil, err
		}
		// What could not be compared later is refused now.
		if _, err := curve.FromPoints(m.FreqHz, m.LevelDB); err != nil {
			return nil, fmt.Errorf("cushwright: add %q: %w", file, err)
		}
		n := len(m.FreqHz)
		out = append(out, taken{File: file, Ear: levels[level], Understood: understood, Points: n, LowHz: m.FreqHz[0],
			HighHz: m.FreqHz[n-1], seat: config.Seat{Ear: levels[level], FreqHz: m.FreqHz, LevelDB: m.LevelDB,
				PhaseDeg: m.PhaseDeg, Date: w.date, SweepLevelDB: math.NaN(), SignalDB: math.NaN(),
				Headphone: w.headphone, Rig: w.rig, Notes: []string{"taken in from " + filepath.Base(file), understood}}})
	}
	return out, nil
}

// write writes the seats that the cushion does not have yet.
func (w addWishes) write(snap *config.Snapshot, name string, all []taken) error {
	bench := config.Bench{Dir: snap.Dir}
	var fresh []config.Seat
	var like []int // for each of all, which of the fresh ones holds it, or -1
	for i := range all {
		s := &all[i].seat
		if s.Rig == "" {
			s.Rig = snap.Settings.Rig.Name
		}
		if s.Headphone == "" {
			s.Headphone = snap.Settings.Rig.Headphone
		}
		like = append(like, -1)
		old, ok, err := bench.SameSeat(name, s.Ear, *s)
		if err != nil {
			return err
		}
		if ok {
			all[i].Already, all[i].Seat = true, filepath.Join(snap.Dir, filepath.FromSlash(old.File))
			continue
		}
		for k, f := range fresh {
			if f.Ear == s.Ear && f.SameResponse(*s) {
				all[i].Already, like[i] = true, k
			}
		}
		if !all[i].Already {
			like[i], fresh = len(fresh), append(fresh, *s)
		}
	}
	if len(fresh) == 0 {
		return nil
	}
	written, err := config.WriteSeats(snap.Dir, name, fresh)
	if err != nil {
		return err
	}
	for i := range all {
		if like[i] >= 0 {
			all[i].Seat = written[like[i]]
		}
	}
	return nil
}

// cushionFor opens the bench for a cushion. One that the bench does not have is begun with its record where that is
// wanted, and a bench that is not there with it; begun names what was written.
func (a *app) cushionFor(c *cobra.Command, action, name, label string, begin bool) (snap *config.Snapshot,
	begun []string, err error) {
	dir, err := a.dir()
	if err != nil {
		return nil, nil, err
	}
	snap, err = a.open()
	missing := errors.Is(err, fs.ErrNotExist)
	if err != nil && !missing {
		return nil, nil, err
	}
	if !missing {
		known, err := hasCushion(snap, name)
		if err != nil || known {
			return snap, nil, err
		}
	}
	if !begin {
		question := fmt.Sprintf("There is no cushion called %q", name)
		if !missing && len(snap.CushionNames()) > 0 {
			question += "; the bench has " + strings.Join(snap.CushionNames(), ", ")
		}
		yes, asked := a.ask(c, question+". Begin it?")
		if !yes {
			hint := "give --new to begin it"
			if asked {
				hint = "nothing was written"
			}
			return nil, nil, fmt.Errorf("cushwright: %s %q: %s; %s", action, name,
				strings.ToLower(question[:1])+question[1:], hint)
		}
	}
	if made, err := config.Begin(dir, name); err != nil {
		return nil, nil, err
	} else if made {
		begun = append(begun, filepath.Join(dir, "settings.toml"))
	}
	file, err := config.BeginCushion(dir, name, label)
	if err != nil {
		return nil, begun, err
	}
	begun = append(begun, file)
	snap, err = config.LoadGood(dir)
	return snap, begun, err
}

// hasCushion reports whether the bench has anything of a cushion; a record that is faulty counts.
func hasCushion(snap *config.Snapshot, name string) (bool, error) {
	if _, ok := snap.Cushion(name); ok || snap.Need("cushions/"+name, "corrections/"+name) != nil {
		return true, nil
	}
	refs, err := snap.Seats(name)
	return len(refs) > 0, err
}
