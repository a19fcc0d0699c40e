package bench

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/curve"
	"cushwright/dsp/fit"
)

// SeatInfo is what a seat says of itself.
type SeatInfo struct {
	File           string
	LowHz, HighHz  float64
	Headphone, Rig string // "" = not said
}

func infoOf(r config.SeatRef, s config.Seat) SeatInfo {
	return SeatInfo{r.File, s.FreqHz[0], s.FreqHz[len(s.FreqHz)-1], strings.TrimSpace(s.Headphone), strings.TrimSpace(s.Rig)}
}

// Infos lists what the seats say, left before right.
func (m Measured) Infos() (out []SeatInfo) {
	for _, e := range Ears {
		out = append(out, m.infos[e]...)
	}
	return out
}

// A correction rests on seats that cover this range.
const leastLowHz, leastHighHz = 40.0, 10000.0

// farDB is how far, RMS, a seat may stand from its fellows, levels aside.
const farDB = 10.0

// narrow names the seats that do not cover the range that a correction rests on.
func (m Measured) narrow() (out []string) {
	for _, s := range m.Infos() {
		if s.LowHz > 1.001*leastLowHz || s.HighHz < leastHighHz/1.001 {
			out = append(out, fmt.Sprintf("%s covers %s Hz to %s Hz only, less than 40 Hz to 10 kHz", s.File,
				words.Short(s.LowHz, 2), words.Short(s.HighHz, 2)))
		}
	}
	return out
}

// away names the seats that stand far from the others of their ear.
func (m Measured) away() (out []string) {
	for _, e := range Ears {
		seats := m.Means[e].Seats
		for i, s := range seats {
			var apart []float64
			for k, other := range seats {
				if k != i {
					apart = append(apart, rmsApart(s, other))
				}
			}
			if len(apart) == 0 {
				continue
			}
			slices.Sort(apart)
			// The lower median: where only some are far, this seat has fellows.
			if d := apart[(len(apart)-1)/2]; d > farDB {
				out = append(out, fmt.Sprintf("%s stands %.0f dB RMS away from the others of its ear", m.Refs[e][i].File, d))
			}
		}
	}
	return out
}

// rmsApart is how far two curves are apart where both were measured, the mean difference taken out.
func rmsApart(a, b curve.Curve) float64 {
	from, to := curve.Index(max(a.LowHz, b.LowHz)), curve.Index(min(a.HighHz, b.HighHz))
	if to <= from {
		return 0
	}
	n, sum, sq := float64(to-from+1), 0.0, 0.0
	for i := from; i <= to; i++ {
		d := a.LevelDB[i] - b.LevelDB[i]
		sum, sq = sum+d, sq+d*d
	}
	return math.Sqrt(max(0, sq/n-sum/n*sum/n))
}

// OneSeat says that no ear of a cushion was measured more than once, "" where one was.
func (m Measured) OneSeat() string {
	most := 0
	for _, r := range m.Refs {
		most = max(most, len(r))
	}
	switch {
	case most != 1:
		return ""
	case len(m.Refs) == 1:
		return fmt.Sprintf("%s has one seat of one ear, and one seat is no proof", m.Name)
	}
	return fmt.Sprintf("%s has one seat of each ear, and one seat is no proof", m.Name)
}

// doubts are reasons not to trust a correction that rests on these seats.
func doubts(cushions ...Measured) (out []string) {
	for _, m := range cushions {
		if one := m.OneSeat(); one != "" {
			out = append(out, one)
		}
		out = append(append(out, m.narrow()...), m.away()...)
	}
	return out
}

// worseDB is how much more a correction may leave over than the one that it replaces.
const worseDB = 0.05

// replaces says why a correction should not replace the present one, "" where it may: it leaves more over, by the file's
// own record or by today's seats. Towards another reference the two are not comparable.
func (d *Derived) replaces(snap *config.Snapshot, goals []fit.Target) (string, error) {
	old, ok := snap.Correction(d.Cushion)
	if !ok || old.Reference != d.Reference {
		return "", nil
	}
	var today []fit.Residual
	for _, g := range goals {
		_, after, err := fit.Judge(g, fit.Options{}, curve.FromFunc(func(f float64) float64 {
			if g.Ear == dsp.Both {
				return (old.Correction.AnalogDB(dsp.Left, f) + old.Correction.AnalogDB(dsp.Right, f)) / 2
			}
			return old.Correction.AnalogDB(g.Ear, f)
		}).LevelDB)
		if err != nil {
			return "", err
		}
		today = append(today, after)
	}
	now := Overall(today...).RMSDB
	least, by := now, "by these seats"
	if k := old.Derived; k != nil && k.AfterRMSDB < least {
		least, by = k.AfterRMSDB, fmt.Sprintf("by its own record, %.2f by these seats", now)
	}
	if d.After.RMSDB <= least+worseDB {
		return "", nil
	}
	return fmt.Sprintf("the present correction leaves less over: %.2f dB RMS %s, against %.2f", least, by,
		d.After.RMSDB), nil
}

// Origins says what the seats of cushions say about the rig and the headphone that they were measured on.
type Origins struct {
	Seats             int
	Rigs, Headphones  []string // that are named, each once
	WithRig, WithHead int      // seats that name one
}

// OriginsOf gathers what seats say.
func OriginsOf(cushions ...Measured) (o Origins) {
	add := func(to []string, name string) []string {
		if slices.ContainsFunc(to, func(have string) bool { return strings.EqualFold(have, name) }) {
			return to
		}
		return append(to, name)
	}
	for _, m := range cushions {
		for _, s := range m.Infos() {
			o.Seats++
			if s.Rig != "" {
				o.WithRig++
				o.Rigs = add(o.Rigs, s.Rig)
			}
			if s.Headphone != "" {
				o.WithHead++
				o.Headphones = add(o.Headphones, s.Headphone)
			}
		}
	}
	return o
}

// Differ says that the seats name different rigs or headphones, "" where they do not.
func (o Origins) Differ() string {
	quoted := func(l []string) string {
		var q []string
		for _, s := range l {
			q = append(q, fmt.Sprintf("%q", s))
		}
		return strings.Join(q, ", ")
	}
	switch {
	case len(o.Headphones) > 1:
		return "the seats were measured on different headphones: " + quoted(o.Headphones)
	case len(o.Rigs) > 1:
		return "the seats were measured on different rigs: " + quoted(o.Rigs)
	}
	return ""
}

// Rig says in a sentence or two what the seats say about the rig.
func (o Origins) Rig() string { return origin("rig", o.Rigs, o.WithRig, o.Seats) }

// Headphone says in a sentence or two what the seats say about the headphone.
func (o Origins) Headphone() string { return origin("headphone", o.Headphones, o.WithHead, o.Seats) }

func origin(what string, names []string, said, of int) string {
	doubt := map[string]string{
		"rig":       "The rig's own response cancels in the difference only if both cushions were measured on the same rig.",
		"headphone": "The difference is that of the cushions alone only if both were measured on the same headphone."}[what]
	sure := map[string]string{"rig": ", so the rig's own response cancels in the difference.", "headphone": "."}[what]
	switch {
	case said == 0:
		return fmt.Sprintf("The seats do not say on which %s they were measured. %s", what, doubt)
	case len(names) > 1:
		return fmt.Sprintf("The seats name different %ss: %s. %s", what, strings.Join(names, ", "), doubt)
	case said < of:
		return fmt.Sprintf("%d of %d seats say that they were measured on the %s %s, the others do not say. %s", said, of,
			what, names[0], doubt)
	}
	return fmt.Sprintf("All seats say that they were measured on one %s, %s%s", what, names[0], sure)
}
