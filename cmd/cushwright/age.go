package main

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/bench"
	"cushwright/config"
	"cushwright/dsp"
	swept "cushwright/dsp/sweep"
)

// visit is a series of seats that were measured one after another.
type visit struct {
	from, to time.Time
	seats    []stored
}

func (s visit) day() string { return s.from.Format(time.DateOnly) }

// seatTime reads a seat's date.
func seatTime(date string) (time.Time, bool) {
	for _, form := range []string{time.RFC3339, time.DateOnly} {
		if t, err := time.ParseInLocation(form, date, time.Local); err == nil {
			return t, true
		}
	}
	return time.Time{}, false
}

// visits groups dated seats; a pause of half a day parts two visits. Undated seats are left out.
func visits(seats []stored) (out []visit, undated int) {
	type dated struct {
		at time.Time
		s  stored
	}
	var all []dated
	for _, s := range seats {
		if t, ok := seatTime(s.seat.Date); ok {
			all = append(all, dated{t, s})
		} else {
			undated++
		}
	}
	slices.SortStableFunc(all, func(a, b dated) int { return a.at.Compare(b.at) })
	for _, d := range all {
		if n := len(out); n > 0 && d.at.Sub(out[n-1].to) < sameVisit {
			out[n-1].to, out[n-1].seats = d.at, append(out[n-1].seats, d.s)
			continue
		}
		out = append(out, visit{d.at, d.at, []stored{d.s}})
	}
	return out, undated
}

type earAge struct {
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

	Octaves []proofRow `json:"octaves"` // drift: after
	Text    string     `json:"text"`
}

type ageReport struct {
	Cushion string   `json:"cushion"`
	Since   string   `json:"since"`
	Ears    []earAge `json:"ears"`
	Drifted bool     `json:"drifted"`
	Decided bool     `json:"decided"`
	Derive  []string `json:"derive_again"` // corrections that rest on the older seats
	Text    string   `json:"text"`
	Notes   []string `json:"warnings"`
}

// aging is one ear's comparison of two visits.
type aging struct {
	ear           dsp.Ear
	first, latest visit
	proof         *swept.Proof
}

// judge says whether the ear has drifted, as one of so many: of cushions that have not, five in a hundred are said to have.
func (a aging) judge(ears int) earAge {
	p := a.proof
	x := earAge{Ear: a.ear, First: a.first.day(), Latest: a.latest.day(), Firsts: len(a.first.seats), Latests: len(a.latest.seats),
		Drifted: p.P*float64(ears) < 0.05, P: p.P, DriftRMS: p.AfterRMSDB, Band95DB: p.Band95DB}
	x.Decided = x.Drifted || p.Outcome == swept.Proven
	var where []string
	for _, o := range p.Octaves {
		x.Octaves = append(x.Octaves, proofRow{Band: octaveName(o.MidHz), MidHz: o.MidHz, AfterDB: bench.Known(o.AfterDB), AfterHalfDB: bench.Known(o.AfterHalfDB),
			ScatterDB: bench.Known(o.ScatterDB), Missed: o.Missed && x.Drifted})
		if o.Missed {
			where = append(where, fmt.Sprintf("%+.1f dB about %s Hz", o.AfterDB, octaveName(o.MidHz)))
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

// aged compares a cushion's latest visit to the rig with the first one since a day.
func (a *app) aged(c *cobra.Command, name, since string, asJSON bool) error {
	fail := func(err error) error { return fmt.Errorf("cushwright: compare %q since %s: %w", name, since, err) }
	day, err := time.ParseInLocation(time.DateOnly, since, time.Local)
	if err != nil {
		return fail(&dsp.RangeError{Key: "--since", Value: fmt.Sprintf("%q", since), Allowed: "a day as YYYY-MM-DD"})
	}
	snap, err := a.open()
	if err != nil {
		return err
	}
	if refs, err := snap.Seats(name); err != nil {
		return err
	} else if len(refs) == 0 {
		if err := known(snap, "compare", name); err != nil {
			return err
		}
		return fail(errors.New("it was never measured"))
	}
	out := ageReport{Cushion: name, Since: since, Decided: true, Derive: []string{}, Notes: []string{}}
	var compared []aging
	for _, e := range bench.Ears {
		seats, err := storedSeats(snap.Dir, name, e, nil)
		if err != nil {
			return err
		}
		if len(seats) == 0 {
			continue
		}
		series, undated := visits(seats)
		if undated > 0 {
			out.Notes = append(out.Notes, fmt.Sprintf("the %s ear: %s without a date left out", e, plural(uint64(undated), "seat")))
		}
		series = slices.DeleteFunc(series, func(s visit) bool { return s.to.Before(day) })
		if len(series) < 2 {
			out.Notes = append(out.Notes, fmt.Sprintf("the %s ear: two visits to the rig since %s are needed, there are %d: measure it again with sweep", e, since, len(series)))
			continue
		}
		first, latest := series[0], series[len(series)-1]
		if len(first.seats) < 2 || len(latest.seats) < 2 {
			out.Notes = append(out.Notes, fmt.Sprintf("the %s ear: two seats on either side are the least: %s has %d, %s has %d", e, first.day(), len(first.seats), latest.day(), len(latest.seats)))
			continue
		}
		p, err := swept.Prove(swept.Grid(), levelsOf(first.seats), nil, levelsOf(latest.seats))
		if err != nil {
			return fail(fmt.Errorf("%s ear: %w", e, err))
		}
		compared = append(compared, aging{e, first, latest, p})
	}
	for _, k := range compared {
		x := k.judge(len(compared))
		out.Ears = append(out.Ears, x)
		out.Drifted = out.Drifted || x.Drifted
		out.Decided = out.Decided && x.Decided
	}
	if len(out.Ears) == 0 {
		return fail(errors.New(strings.Join(append(out.Notes, "nothing to compare"), "; ")))
	}
	if out.Drifted {
		for _, n := range snap.CushionNames() {
			if k, ok := snap.Correction(n); ok && k.Derived != nil && (n == name || k.Reference == name) {
				out.Derive = append(out.Derive, n)
			}
		}
	}
	latest := out.Ears[0].Latest
	switch {
	case out.Drifted && len(out.Derive) > 0:
		out.Text = fmt.Sprintf("drifted: derive again, from the latest seats alone: %s", strings.Join(eachOf(out.Derive, func(n string) string {
			return fmt.Sprintf(`"cushwright derive %s --since %s"`, n, latest)
		}), ", "))
	case out.Drifted:
		out.Text = "drifted; no derived correction rests on it"
	case !out.Decided:
		out.Text = "no drift seen, but more seats are needed to be sure; the correction need not be derived again for what was seen"
	default:
		out.Text = "not drifted: the correction need not be derived again"
	}
	warn(c, out.Notes)
	if asJSON {
		err = writeJSON(c, out)
	} else {
		err = printTo(c, out.print)
	}
	if err == nil && (out.Drifted || !out.Decided) {
		err = answerNo{}
	}
	return err
}

func eachOf(in []string, f func(string) string) (out []string) {
	for _, s := range in {
		out = append(out, f(s))
	}
	return out
}

func (r ageReport) print(w io.Writer) {
	fmt.Fprintf(w, "%s: how it has drifted since %s, in dB, levels aligned\n", r.Cushion, r.Since)
	for _, e := range r.Ears {
		fmt.Fprintf(w, "\n%s ear: %s of %s against %d of %s\n", e.Ear, plural(uint64(e.Latests), "seat"), e.Latest, e.Firsts, e.First)
		fmt.Fprintf(w, "  %6s  %6s  %6s  %7s\n", "band", "drift", "95 %", "scatter")
		for _, o := range e.Octaves {
			if o.AfterDB == nil || o.AfterHalfDB == nil || o.ScatterDB == nil {
				continue
			}
			mark := ""
			if o.Missed {
				mark = "  drifted"
			}
			fmt.Fprintf(w, "  %6s  %+6.1f  ±%5.1f  %7.1f%s\n", o.Band, *o.AfterDB, *o.AfterHalfDB, *o.ScatterDB, mark)
		}
		fmt.Fprintf(w, "  %s\n", e.Text)
	}
	fmt.Fprintf(w, "\n%s\n", r.Text)
}

// sinceDay accepts the seats measured on that day or later; "" accepts all.
func sinceDay(since string) (func(config.Seat) bool, error) {
	if since == "" {
		return nil, nil
	}
	day, err := time.ParseInLocation(time.DateOnly, since, time.Local)
	if err != nil {
		return nil, &dsp.RangeError{Key: "--since", Value: fmt.Sprintf("%q", since), Allowed: "a day as YYYY-MM-DD"}
	}
	return func(s config.Seat) bool {
		t, ok := seatTime(s.Date)
		return ok && !t.Before(day)
	}, nil
}

// setSince lets a derivation read the seats since a day only. A cushion that was not measured since is taken with all.
func (w *deriveFlags) setSince(c *cobra.Command) error {
	keep, err := sinceDay(w.since)
	if err != nil || keep == nil {
		return err
	}
	w.Read = func(snap *config.Snapshot, name string) (bench.Measured, error) {
		m, err := bench.ReadChosen(snap, config.Bench{Dir: snap.Dir}, name, keep)
		if err != nil || m.Seats() > 0 {
			return m, err
		}
		warn(c, []string{fmt.Sprintf("%s was not measured since %s: all its seats are taken", name, w.since)})
		return bench.Read(snap, name)
	}
	return nil
}
