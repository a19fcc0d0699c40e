package bench

import (
	"fmt"
	"slices"
	"strings"
	"time"

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

// Judge says whether the ear has drifted, as one of so many: of cushions that have not, five in a hundred are said to have.
func (a Aging) Judge(ears int) EarAge {
	p := a.Proof
	x := EarAge{Ear: a.Ear, First: a.First.Day(), Latest: a.Latest.Day(), Firsts: len(a.First.Seats), Latests: len(a.Latest.Seats),
		Drifted: p.P*float64(ears) < 0.05, P: p.P, DriftRMS: p.AfterRMSDB, Band95DB: p.Band95DB}
	x.Decided = x.Drifted || p.Outcome == swept.Proven
	var where []string
	for _, o := range p.Octaves {
		x.Octaves = append(x.Octaves, ProofRow{Band: OctaveName(o.MidHz), MidHz: o.MidHz, AfterDB: Known(o.AfterDB), AfterHalfDB: Known(o.AfterHalfDB),
			ScatterDB: Known(o.ScatterDB), Missed: o.Missed && x.Drifted})
		if o.Missed {
			where = append(where, fmt.Sprintf("%+.1f dB about %s Hz", o.AfterDB, OctaveName(o.MidHz)))
		}
	}
	switch {
	case x.Drifted && len(where) > 0:
		x.Text = "it has drifted beyond scatter: " + strings.Join(where, ", ")
	case x.Drifted:
		x.Text = fmt.Sprintf("it has drifted beyond scatter, in no octave alone: %.1f dB RMS, scatter stays below %.1f", x.DriftRMS, x.Band95DB)
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
