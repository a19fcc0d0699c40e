package bench

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/dsp"
	swept "cushwright/dsp/sweep"
)

// ProofRow is what is left, or has drifted, in one octave. What is not known is null.
type ProofRow struct {
	Band         string   `json:"band"`
	MidHz        float64  `json:"mid_hz"`
	BeforeDB     *float64 `json:"before_db"`
	BeforeHalfDB *float64 `json:"before_confidence95_db"`
	AfterDB      *float64 `json:"after_db"`
	AfterHalfDB  *float64 `json:"after_confidence95_db"`
	ScatterDB    *float64 `json:"scatter_db"`
	Missed       bool     `json:"missed"`
}

// Visit is a series of seats that were measured one after another.
type Visit struct {
	From, To time.Time
	Seats    []Stored
}

// Day is the day it began.
func (v Visit) Day() string { return v.From.Format(time.DateOnly) }

// SameVisit is how far apart in time the seats of one visit may be; older ones may be of a younger cushion.
const SameVisit = 12 * time.Hour

// Visits groups dated seats; a pause of half a day parts two visits. Undated seats are left out.
func Visits(seats []Stored) (out []Visit, undated int) {
	type dated struct {
		at time.Time
		s  Stored
	}
	var all []dated
	for _, s := range seats {
		if t, ok := SeatTime(s.Seat.Date); ok {
			all = append(all, dated{t, s})
		} else {
			undated++
		}
	}
	slices.SortStableFunc(all, func(a, b dated) int { return a.at.Compare(b.at) })
	for _, d := range all {
		if n := len(out); n > 0 && d.at.Sub(out[n-1].To) < SameVisit {
			out[n-1].To, out[n-1].Seats = d.at, append(out[n-1].Seats, d.s)
			continue
		}
		out = append(out, Visit{d.at, d.at, []Stored{d.s}})
	}
	return out, undated
}

// EarAge is how one ear of a cushion has aged.
type EarAge struct {
	Ear      dsp.Ear `json:"ear"`
	First    string  `json:"first"` // days
	Latest   string  `json:"latest"`
	Firsts   int     `json:"first_seats"`
	Latests  int     `json:"latest_seats"`
	Drifted  bool    `json:"drifted"` // beyond scatter
	Decided  bool    `json:"decided"` // false: too few seats to tell
	P        float64 `json:"p"`       // chance of seats as far apart where nothing has drifted
	DriftRMS float64 `json:"drift_rms_db"`
	Band95DB float64 `json:"scatter_band95_db"`

	Octaves []ProofRow `json:"octaves"` // drift: after
	Text    string     `json:"text"`
}

// Aging is one ear's comparison of two visits.
type Aging struct {
	Ear           dsp.Ear
	First, Latest Visit
	Proof         *swept.Proof // of the latest visit against the first
}

// Judge says whether the ear has drifted, as one of so many: of cushions that have not, five in a hundred are said to
// have.
func (a Aging) Judge(ears int) EarAge {
	p := a.Proof
	x := EarAge{Ear: a.Ear, First: a.First.Day(), Latest: a.Latest.Day(), Firsts: len(a.First.Seats),
		Latests: len(a.Latest.Seats),
		Drifted: p.P*float64(ears) < 0.05, P: p.P, DriftRMS: p.AfterRMSDB, Band95DB: p.Band95DB}
	x.Decided = x.Drifted || p.Outcome == swept.Proven
	var where []string
	for _, o := range p.Octaves {
		x.Octaves = append(x.Octaves, ProofRow{Band: OctaveName(o.MidHz), MidHz: o.MidHz, AfterDB: Known(o.AfterDB),
			AfterHalfDB: Known(o.AfterHalfDB),
			ScatterDB:   Known(o.ScatterDB), Missed: o.Missed && x.Drifted})
		if o.Missed {
			where = append(where, fmt.Sprintf("%+.1f dB about %s Hz", o.AfterDB, OctaveName(o.MidHz)))
		}
	}
	switch {
	case x.Drifted && len(where) > 0:
		x.Text = "it has drifted beyond scatter: " + strings.Join(where, ", ")
	case x.Drifted:
		x.Text = fmt.Sprintf("it has drifted beyond scatter, in no octave alone: %.1f dB RMS, scatter stays below %.1f",
			x.DriftRMS, x.Band95DB)
	case !x.Decided:
		x.Text = "no drift beyond scatter is seen, but the seats are too few to be sure"
		if p.SeatsWanted > min(x.Firsts, x.Latests) {
			x.Text += fmt.Sprintf(": %d on either side would do", p.SeatsWanted)
		}
	default:
		x.Text = "no drift beyond scatter"
	}
	return x
}

// AgeReport is how a cushion has aged since a day.
type AgeReport struct {
	Cushion string   `json:"cushion"`
	Since   string   `json:"since"`
	Ears    []EarAge `json:"ears"`
	Drifted bool     `json:"drifted"`
	Decided bool     `json:"decided"`
	Derive  []string `json:"derive_again"` // corrections that rest on the older seats
	Text    string   `json:"text"`
	Notes   []string `json:"warnings"`
}

// Age compares a cushion's latest visit to the rig with the first one since a day, ear by ear.
func Age(snap *config.Snapshot, name string, since time.Time) (AgeReport, error) {
	out := AgeReport{Cushion: name, Since: since.Format(time.DateOnly), Decided: true, Derive: []string{},
		Notes: []string{}}
	var compared []Aging
	for _, e := range Ears {
		seats, err := StoredSeats(snap.Dir, name, e, nil)
		if err != nil {
			return out, err
		}
		if len(seats) == 0 {
			continue
		}
		first, latest, why := out.ends(e, seats, since)
		if why != "" {
			out.Notes = append(out.Notes, fmt.Sprintf("the %s ear: %s", e, why))
			continue
		}
		p, err := swept.Prove(swept.Grid(), LevelsOf(first.Seats), nil, LevelsOf(latest.Seats))
		if err != nil {
			return out, fmt.Errorf("%s ear: %w", e, err)
		}
		compared = append(compared, Aging{Ear: e, First: first, Latest: latest, Proof: p})
	}
	for _, k := range compared {
		x := k.Judge(len(compared))
		out.Ears = append(out.Ears, x)
		out.Drifted = out.Drifted || x.Drifted
		out.Decided = out.Decided && x.Decided
	}
	if len(out.Ears) == 0 {
		return out, errors.New(strings.Join(append(out.Notes, "nothing to compare"), "; "))
	}
	out.decide(snap)
	return out, nil
}

// ends finds the first visit since a day and the latest. why says why there are no two to compare.
func (r *AgeReport) ends(e dsp.Ear, seats []Stored, since time.Time) (first, latest Visit, why string) {
	series, undated := Visits(seats)
	if undated > 0 {
		r.Notes = append(r.Notes, fmt.Sprintf("the %s ear: %s without a date left out", e, words.Plural(uint64(undated),
			"seat")))
	}
	series = slices.DeleteFunc(series, func(v Visit) bool { return v.To.Before(since) })
	if len(series) < 2 {
		return first, latest, fmt.Sprintf("two visits to the rig since %s are needed, there are %d: measure it "+
			"again with sweep", r.Since, len(series))
	}
	first, latest = series[0], series[len(series)-1]
	if len(first.Seats) < 2 || len(latest.Seats) < 2 {
		why = fmt.Sprintf("two seats on either side are the least: %s has %d, %s has %d", first.Day(), len(first.Seats),
			latest.Day(), len(latest.Seats))
	}
	return first, latest, why
}

// decide says what the ageing means for the corrections that rest on the cushion.
func (r *AgeReport) decide(snap *config.Snapshot) {
	if r.Drifted {
		for _, n := range snap.CushionNames() {
			if k, ok := snap.Correction(n); ok && k.Derived != nil && (n == r.Cushion || k.Reference == r.Cushion) {
				r.Derive = append(r.Derive, n)
			}
		}
	}
	var again []string
	for _, n := range r.Derive {
		again = append(again, fmt.Sprintf(`"cushwright derive %s --since %s"`, n, r.Ears[0].Latest))
	}
	switch {
	case r.Drifted && len(again) > 0:
		r.Text = "drifted: derive again, from the latest seats alone: " + strings.Join(again, ", ")
	case r.Drifted:
		r.Text = "drifted; no derived correction rests on it"
	case !r.Decided:
		r.Text = "no drift seen, but more seats are needed to be sure; the correction need not be derived again for " +
			"what was seen"
	default:
		r.Text = "not drifted: the correction need not be derived again"
	}
}
