package sheet

import (
	"cmp"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/curve"
)

// seats says how the measurement was made.
func (p *Page) seats(snap *config.Snapshot, diffs map[dsp.Ear]curve.Diff, ref, new bench.Measured) error {
	say := func(x float64, format string) string {
		if math.IsNaN(x) || x == 0 && format == "%g" {
			return "not said"
		}
		return fmt.Sprintf(format, x)
	}
	var counts []string
	for _, m := range []bench.Measured{ref, new} {
		if m.Name == "" { // a wanted response has no seats
			continue
		}
		odd := map[string]string{}
		for _, o := range m.Outliers(2) {
			odd[o.Seat] = o.Reason
		}
		for _, e := range bench.Ears {
			if n := len(m.Refs[e]); n > 0 {
				counts = append(counts, fmt.Sprintf("%s of %s on the %s ear", words.Plural(uint64(n), "seat"), m.Name,
					e))
			}
			for i, r := range m.Refs[e] {
				s, err := snap.LoadSeat(r)
				if err != nil {
					return err
				}
				for _, n := range s.Notes {
					if !slices.Contains(p.SeatNotes, n) && len(p.SeatNotes) < maxSeatNotes {
						p.SeatNotes = append(p.SeatNotes, n)
					}
				}
				p.Seats = append(p.Seats, seat{m.Name, e.String(), r.Number, cmp.Or(s.Date, "not said"), say(s.RateHz,
					"%g"), say(s.SweepLevelDB, "%.1f"),
					say(s.SignalDB, "%.1f"), words.SignedTenth(m.Means[e].OffsetDB[i]), cmp.Or(odd[r.File], "in line")})
			}
		}
	}
	p.How = append(p.How, "The cushions were seated anew for each measurement: "+strings.Join(counts, ", ")+".")
	if p.Wanted {
		how := "The wanted response " + p.Reference.Name + " takes the place of a reference cushion, so the rig's " +
			"own response does not cancel"
		if cal := snap.Settings.Rig.Calibration; cal != "" {
			how += "; the calibration " + filepath.Base(cal) + " was taken off every seat."
		} else {
			how += ", and no calibration of the rig was at hand: mind that when you judge the result."
		}
		p.How = append(p.How, how)
	} else {
		o := bench.OriginsOf(ref, new)
		p.How = append(p.How, o.Rig(), o.Headphone())
	}
	p.How = append(p.How, "Levels are averaged in dB on a grid of 1/48 octave. Where seats scatter, the settings "+
		"follow them less: weights are 1 / (spread² + 1 dB²), and details that scatter alone may have made are left "+
		"alone.")
	for _, e := range bench.Ears {
		d, ok := diffs[e]
		if !ok {
			continue
		}
		for _, w := range d.CouplerWarnings() {
			if !slices.Contains(p.Warnings, w) {
				p.Warnings = append(p.Warnings, w)
			}
		}
	}
	return nil
}

// maxSeatNotes bounds what seats say in their comments.
const maxSeatNotes = 40
