package main

import (
	"errors"
	"fmt"
	"math"
	"path/filepath"

	"cushwright/cmd/internal/bench"
	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/curve"
	"cushwright/dsp/fit"
)

// refining is a correction that is derived again from what a proof found left over: the response it has, together with the
// proven part of what is left, is fitted afresh, so that bands do not pile up.
type refining struct {
	moved, kept []dsp.Band // with a gain: fitted again; without: stay as they are
	leftOver    []fit.Residual
}

// refine sets the flags of a derivation to what the present correction was made for.
func (w *deriveFlags) setRefine(snap *config.Snapshot, name string, earsSaid, bandsSaid bool) (*refining, error) {
	corr, ok := snap.Correction(name)
	switch {
	case !ok:
		return nil, errors.New("it has no correction to refine")
	case w.Name() != "" && w.Name() != corr.Reference:
		return nil, fmt.Errorf("its correction is towards %q, not %q", corr.Reference, w.Name())
	case corr.Reference == "":
		return nil, errors.New("its correction names no reference")
	}
	w.Reference, w.Wanted = corr.Reference, ""
	if bench.IsWanted(snap, corr.Reference) {
		w.Reference, w.Wanted = "", corr.Reference
	}
	r := &refining{}
	apart := false
	for _, b := range corr.Correction.Bands() {
		if b.Shape.HasGain() {
			r.moved = append(r.moved, b)
		} else {
			r.kept = append(r.kept, b)
		}
		apart = apart || b.Ear != dsp.Both
	}
	switch {
	case apart && earsSaid && w.ears != "apart":
		return nil, errors.New("its correction keeps the ears apart: --ears together cannot refine it")
	case apart:
		w.ears = "apart"
	}
	if !bandsSaid {
		for _, e := range bench.Ears {
			n := 0
			for _, b := range r.moved {
				if b.Covers(e) {
					n++
				}
			}
			w.bands = max(w.bands, n)
		}
	}
	_, keep, err := bench.ProvenSeats(corr)
	if err != nil {
		return nil, err
	}
	w.Read = func(snap *config.Snapshot, n string) (bench.Measured, error) {
		if n != name {
			return bench.Read(snap, n)
		}
		none := fmt.Errorf("no seats were measured through the correction as it is: %q comes first", "cushwright prove "+name)
		b := config.Bench{Dir: filepath.Join(snap.Dir, bench.Proofs)}
		if refs, err := b.Seats(name); err != nil {
			return bench.Measured{}, err
		} else if len(refs) == 0 {
			return bench.Measured{}, none
		}
		m, err := bench.ReadChosen(snap, b, name, keep)
		if err == nil && m.Seats() == 0 {
			err = none
		}
		return m, err
	}
	return r, nil
}

// leastLeft is how much must be left over, beyond what scatter may have made, for a refinement to be worth it.
const leastLeft = 0.3

// add turns what is left over into what the whole correction must do.
func (r *refining) add(goals []fit.Target, treble bool) error {
	grid := curve.Grid()
	worth := false
	for _, g := range goals {
		rest := fit.Residual{}
		level := curve.Level(curve.Curve{LevelDB: g.BelievedDB, LowHz: curve.LowHz, HighHz: curve.HighHz})
		sum, norm := 0.0, 0.0
		for i, f := range grid {
			if f < g.LowHz || f > g.HighHz {
				continue
			}
			d := g.WantDB[i] - level
			weight := 1 / (g.SpreadDB[i]*g.SpreadDB[i] + 1)
			sum, norm = sum+weight*d*d, norm+weight
			rest.MaxDB = max(rest.MaxDB, math.Abs(d))
			if treble || f <= curve.CouplerHighHz {
				worth = worth || math.Abs(g.BelievedDB[i]-level) > leastLeft
			}
		}
		rest.RMSDB = math.Sqrt(sum / norm)
		r.leftOver = append(r.leftOver, rest)
	}
	if !worth {
		return answerNo{errors.New("cushwright: derive --refine: what was found left over is no more than the scatter of its seats: there is nothing to refine")}
	}
	for _, g := range goals {
		for i, f := range grid {
			have := 0.0
			for _, b := range r.moved {
				// A correction for both ears has no bands of one ear alone.
				if e := g.Ear; e == dsp.Both && b.Ear != dsp.Both {
					continue
				} else if e == dsp.Both || b.Covers(e) {
					have += b.AnalogDB(f)
				}
			}
			g.WantDB[i] += have
			g.BelievedDB[i] += have
		}
	}
	return nil
}
