package rig

import (
	"context"
	"fmt"

	"cushwright/config"
	"cushwright/dsp"
	swept "cushwright/dsp/sweep"
)

// Series is a series of seats of one cushion that are stored as they come.
type Series struct {
	Cushion string
	Dir     string                 // the bench, or what is laid out like one, that the seats go to
	Notes   []string               // that every seat of the series carries
	Against func(config.Seat) bool // which stored seats the new ones are to agree with; nil: all
	Short   bool                   // short sweeps
	Impulse bool                   // the impulse response is written beside each seat
	Seats   int                    // of each ear
	Written func(SeatReport) error // is called for each seat once it is written; nil: nobody asks
}

// Run measures a series: seat by seat, each ear in turn where there is a microphone for each, otherwise ear by ear.
// What was measured is on disk when the error comes.
func (j *Job) Run(ctx context.Context, set Series, earsWanted []dsp.Ear) (out []SeatReport, err error) {
	type turn struct {
		ear dsp.Ear
		n   int
	}
	var turns []turn
	if two := j.in.Channels >= 2 && j.mic == "each"; two {
		for n := range set.Seats {
			for _, e := range earsWanted {
				turns = append(turns, turn{e, n + 1})
			}
		}
	} else {
		for _, e := range earsWanted {
			for n := range set.Seats {
				turns = append(turns, turn{e, n + 1})
			}
		}
	}
	lastN := 0
	var lastEar dsp.Ear
	for _, t := range turns {
		if both := len(earsWanted) == 2 && j.in.Channels >= 2 && j.mic == "each"; !both || t.n != lastN {
			what := fmt.Sprintf("the %s ear", t.ear)
			if both {
				what = "both ears"
			}
			ask := fmt.Sprintf("Seat %d of %d of %s, %s: lift the headphones, seat them again, keep quiet, then press Enter.", t.n, set.Seats, set.Cushion, what)
			if t.n == 1 {
				ask = fmt.Sprintf("Seat 1 of %d of %s, %s: seat the headphones on the rig, keep quiet, then press Enter.", set.Seats, set.Cushion, what)
			}
			if err := j.Talk.Enter(ctx, ask); err != nil {
				return out, err
			}
		}
		if t.ear != lastEar && j.mic != "each" || j.in.Channels == 1 && t.ear != lastEar {
			j.warm = j.warm && lastEar == 0 // another ear on the rig: quiet first, and is it the right one?
			if !j.warm {
				j.levelDB = min(j.levelDB, max(j.wantDB+quietDB, leastDB))
			}
		}
		lastN, lastEar = t.n, t.ear
		r, err := j.seat(ctx, set, t.ear, t.n)
		if err != nil {
			return out, err
		}
		out = append(out, r)
	}
	return out, nil
}

// seat measures one seat, again and again until it is good, and writes it.
func (j *Job) seat(ctx context.Context, set Series, ear dsp.Ear, n int) (SeatReport, error) {
	var refused []Refusal
	bad, breaks := 0, 0
	for {
		f, err := j.warmUp(ctx, ear)
		if err != nil {
			return SeatReport{}, err
		}
		if f != nil { // a wrong set-up: sweeping on mends nothing
			return SeatReport{}, &Refused{j.fail(f)}
		}
		s, f, err := j.measure(ctx, ear, set.Short, fmt.Sprintf("%s ear, seat %d of %d", ear, n, set.Seats))
		if err != nil {
			return SeatReport{}, err
		}
		var r SeatReport
		if f == nil {
			r, f, err = j.judge(set, s)
			if err != nil {
				return SeatReport{}, err
			}
		}
		if f == nil {
			r.Refused = refused
			if err := j.store(set, s, &r); err != nil {
				return SeatReport{}, err
			}
			return r, nil
		}
		refused = append(refused, Refusal{f.Kind, f.Text})
		j.Talk.Say("refused: %s", f.Text)
		most, machine, _ := j.patience(f, s)
		count := &bad
		if machine {
			count = &breaks
		}
		if *count++; *count >= most {
			more := ""
			if f.Kind == swept.Disagrees || f.Kind == swept.Leak {
				more = "; perhaps an earlier seat is the odd one: look at them with compare, and delete its file"
			}
			return SeatReport{}, &Refused{j.fail(fmt.Errorf("the %s ear's seat %d was refused %d times, last of all: %s%s", ear, n, len(refused), f.Text, more))}
		}
		if machine {
			continue
		}
		if up := min(j.levelDB+louderDB, j.set.MaxLevelDB); f.Kind == swept.Noisy && up > j.levelDB+0.5 && !j.yes {
			yes, err := j.Talk.Confirm(ctx, fmt.Sprintf("Sweep at %.0f dB instead of %.0f? Nobody wears the headphones?", up, j.levelDB))
			if err != nil {
				return SeatReport{}, err
			}
			if yes {
				j.levelDB, j.wantDB = up, max(j.wantDB, up)
			}
		}
		if err := j.Talk.Enter(ctx, "Seat the headphones again, keep quiet, then press Enter."); err != nil {
			return SeatReport{}, err
		}
	}
}
