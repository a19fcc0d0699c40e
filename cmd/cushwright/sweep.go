package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/rig"
	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/curve"
)

func (a *app) sweepCommand() *cobra.Command {
	var w rigFlags
	var seats int
	var impulse bool
	c := &cobra.Command{Use: "sweep NAME", Short: "Measure seats of a cushion on the rig.",
		Args: cobra.ExactArgs(1),
		Long: `Measures a cushion on the rig: a sweep to one ear of the headphones, recorded by the rig's microphone,
one seat after another, lifting and seating the headphones again between them. A seat that is no good is refused with
the reason and repeated; a good one is written at once to seats/NAME/ and is safe whatever happens next. The engine
stands aside meanwhile. rig.input and rig.output of settings.toml name the devices.

The first sweep is 20 dB below rig.sweep_level_db; it is asked before going louder, and rig.max_level_db is never
exceeded. Ctrl-C fades out. The exit code is 1 if a seat could not be measured or the series was interrupted.

` + rig.Caution,
		RunE: func(c *cobra.Command, args []string) error { return a.sweep(c, args[0], w, seats, impulse) }}
	w.flags(c, "")
	f := c.Flags()
	f.IntVar(&seats, "seats", 5, "how many seats")
	f.Float64Var(&w.seconds, "seconds", 0, "length of the sweep, 1 to 30 s (default 5); longer stands further out "+
		"of the noise")
	f.BoolVar(&impulse, "impulse", false, "write each seat's impulse response too, as WAV beside the seat")
	return c
}

// sweptSeats is what sweep prints for programs.
type sweptSeats struct {
	Cushion  string           `json:"cushion"`
	Seats    []rig.SeatReport `json:"seats"`
	Wanted   int              `json:"wanted"`
	Warnings []string         `json:"warnings"`
}

func (a *app) sweep(c *cobra.Command, name string, w rigFlags, seats int, impulse bool) error {
	action := fmt.Sprintf("sweep %q", name)
	if err := config.CheckName(name); err != nil {
		return fmt.Errorf("cushwright: %s: %w", action, err)
	}
	snap, err := a.open()
	if err != nil {
		return err
	}
	side, err := w.series(seats, 1)
	if err != nil {
		return fmt.Errorf("cushwright: %s: %w", action, err)
	}
	j, err := a.openRig(c, action, snap, w, nil)
	if err != nil {
		return err
	}
	defer j.Close()
	if k, ok := snap.Cushion(name); !ok || !k.Recorded {
		j.Talk.Say("%s has no record yet: \"cushwright cushions new %s\" begins it", name, name)
	}
	got, err := j.Run(c.Context(), rig.Series{Cushion: name, Dir: snap.Dir, Seats: seats, Impulse: impulse,
		Written: w.written(c)}, side)
	out := sweptSeats{Cushion: name, Seats: append([]rig.SeatReport{}, got...), Wanted: seats * len(side),
		Warnings: []string{}}
	if len(got) > 0 {
		out.Warnings = rigWarnings(snap, name, side)
	}
	warn(c, out.Warnings)
	if w.asJSON {
		if e := writeJSON(c, out); err == nil {
			err = e
		}
	}
	return interrupted(err, action, len(got), out.Wanted)
}

// rigWarnings says what of the seats must not be taken for what an ear hears, and whether they are enough.
func rigWarnings(snap *config.Snapshot, name string, side []dsp.Ear) []string {
	out := []string{}
	for _, e := range side {
		all, err := bench.StoredSeats(snap.Dir, name, e, nil)
		if err != nil || len(all) == 0 {
			continue
		}
		if n := len(all); n < 5 {
			out = append(out, fmt.Sprintf("the %s ear has %s; five and more make a good average", e,
				words.Plural(uint64(n), "seat")))
		}
		if e == side[0] {
			last := all[len(all)-1].Seat
			if k, err := curve.FromPoints(last.FreqHz, last.LevelDB); err == nil {
				out = append(out, k.CouplerWarnings()...)
			}
		}
	}
	return out
}
