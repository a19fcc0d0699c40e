package main

import (
	"fmt"
	"math"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/curve"
)

func (a *app) addCommand() *cobra.Command {
	var side, date string
	var asJSON bool
	c := &cobra.Command{Use: "add NAME FILE…", Short: "Take in measured text files as seats of a cushion.",
		Args: cobra.MinimumNArgs(2),
		Long: `Takes in measured text as rigs write it, a seat per file: two or three columns (Hz, dB, degrees)
separated by commas, semicolons, tabs or spaces, decimal point or comma, units and quotes in the cells, comment lines.
A heading is heeded: kHz is scaled, columns in another order are put in order, columns that are neither frequency,
level nor phase are left out. Two ears in one file, units other than dB, commas that could be separators or decimal
marks, and damaged rows are refused. The frequencies rise or fall throughout, leave no gap wider than an octave between
100 Hz and 10 kHz, and there is at least one a third of an octave there. All files are read before any seat is
written, and all seats are written or none.`,
		RunE: func(c *cobra.Command, args []string) error {
			return a.add(c, args[0], args[1:], side, date, asJSON)
		}}
	f := c.Flags()
	f.StringVar(&side, "ear", "", "the ear that was measured: left or right")
	f.StringVar(&date, "date", "", "the day of the measurement, YYYY-MM-DD")
	f.BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

// taken is what add says of a file.
type taken struct {
	File       string  `json:"file"`
	Understood string  `json:"understood"`
	Points     int     `json:"points"`
	LowHz      float64 `json:"low_hz"`
	HighHz     float64 `json:"high_hz"`
	Seat       string  `json:"seat"`
}

func (a *app) add(c *cobra.Command, name string, files []string, side, date string, asJSON bool) error {
	fail := func(err error) error { return fmt.Errorf("cushwright: add to %q: %w", name, err) }
	if err := config.CheckName(name); err != nil {
		return fail(err)
	}
	e, err := dsp.ParseEar(side)
	if err != nil || e == dsp.Both {
		return fail(&dsp.RangeError{Key: "--ear", Value: fmt.Sprintf("%q", side),
			Allowed: "left or right, for a seat is of one ear"})
	}
	if _, err := time.Parse(time.DateOnly, date); date != "" && err != nil {
		return fail(&dsp.RangeError{Key: "--date", Value: fmt.Sprintf("%q", date), Allowed: "a day as YYYY-MM-DD"})
	}
	snap, err := a.open()
	if err != nil {
		return err
	}
	var out []taken
	var seats []config.Seat
	for _, file := range files {
		m, understood, err := config.ReadMeasurement(file)
		if err != nil {
			return err
		}
		if err := m.Sensible(); err != nil {
			return err
		}
		// What could not be compared later is refused now.
		if _, err := curve.FromPoints(m.FreqHz, m.LevelDB); err != nil {
			return fail(fmt.Errorf("%q: %w", file, err))
		}
		n := len(m.FreqHz)
		out = append(out, taken{File: file, Understood: understood, Points: n, LowHz: m.FreqHz[0],
			HighHz: m.FreqHz[n-1]})
		seats = append(seats, config.Seat{Ear: e, FreqHz: m.FreqHz, LevelDB: m.LevelDB, PhaseDeg: m.PhaseDeg,
			Date:         date,
			SweepLevelDB: math.NaN(), SignalDB: math.NaN(), Notes: []string{"taken in from " + filepath.Base(file),
				understood}})
	}
	written, err := config.WriteSeats(snap.Dir, name, seats)
	if err != nil {
		return err
	}
	for i, file := range written {
		out[i].Seat = file
	}
	if k, ok := snap.Cushion(name); !ok || !k.Recorded {
		fmt.Fprintf(c.ErrOrStderr(), "%s has no record yet: write cushions/%s.toml to say what it is\n", name, name)
	}
	if asJSON {
		return writeJSON(c, struct {
			Cushion string  `json:"cushion"`
			Ear     dsp.Ear `json:"ear"`
			Seats   []taken `json:"seats"`
		}{name, e, out})
	}
	for _, t := range out {
		fmt.Fprintf(c.OutOrStdout(), "%s: %s\n  -> %s\n", t.File, t.Understood, t.Seat)
	}
	return nil
}
