package bench

import (
	"errors"
	"fmt"
	"math"
	"path/filepath"

	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/curve"
	"cushwright/dsp/fit"
)

// refinement is a correction that is derived again from what a proof found left over: the response it has, together
// with the proven part of what is left, is fitted afresh, so that bands do not pile up.
type refinement struct {
	refitted []dsp.Band // those with a gain
	fixed    []dsp.Band // those without one stay as they are
}

// refine sets the wishes to what the present correction was made for.
func (w *Wishes) refine(snap *config.Snapshot, name string) (*refinement, error) {
	corr, ok := snap.Correction(name)
	bad := snap.Need("corrections/" + name)
	switch {
	case bad != nil:
		return nil, bad
	case !ok:
		return nil, errors.New("it has no correction to refine")
	case w.Name() != "" && w.Name() != corr.Reference:
		return nil, fmt.Errorf("its correction is towards %q, not %q", corr.Reference, w.Name())
	case corr.Reference == "":
		return nil, errors.New("its correction names no reference")
	}
	w.Reference, w.Wanted, w.From = corr.Reference, "", "the reference of its correction"
	if IsWanted(snap, corr.Reference) {
		w.Reference, w.Wanted = "", corr.Reference
	}
	r := &refinement{}
	apart := false
	for _, b := range corr.Correction.Bands() {
		if b.Shape.HasGain() {
			r.refitted = append(r.refitted, b)
		} else {
			r.fixed = append(r.fixed, b)
		}
		apart = apart || b.Ear != dsp.Both
	}
	switch {
	case apart && w.ChoseEars && w.Ears != "apart":
		return nil, errors.New("its correction keeps the ears apart: --ears together cannot refine it")
	case apart:
		w.Ears = "apart"
	}
	if !w.ChoseBands {
		for _, e := range Ears {
			n := 0
			for _, b := range r.refitted {
				if b.Covers(e) {
					n++
				}
			}
			w.Bands = max(w.Bands, n)
		}
	}
	_, accept, err := ProvenSeats(corr)
	if err != nil {
		return nil, err
	}
	w.Read = func(snap *config.Snapshot, n string) (Measured, error) {
		if n != name {
			return Read(snap, n)
		}
		return readProof(snap, name, accept)
	}
	return r, nil
}

// readProof reads the seats of a cushion that went through the correction as it is.
func readProof(snap *config.Snapshot, name string, accept func(config.Seat) bool) (Measured, error) {
	none := fmt.Errorf("no seats were measured through the correction as it is: %q comes first",
		"cushwright prove "+name)
	b := config.Bench{Dir: filepath.Join(snap.Dir, Proofs)}
	if refs, err := b.Seats(name); err != nil {
		return Measured{}, err
	} else if len(refs) == 0 {
		return Measured{}, none
	}
	m, err := ReadChosen(snap, b, name, accept)
	if err == nil && m.Seats() == 0 {
		err = none
	}
	return m, err
}

// ErrNothingLeft is the answer where a correction is to be refined and nothing is left over.
var ErrNothingLeft = errors.New("cushwright: derive --refine: what was found left over is no more than the scatter " +
	"of its seats: " +
	"there is nothing to refine")

// leastLeft is how much must be left over, beyond what scatter may have made, for a refinement to be worth it.
const leastLeft = 0.3

// add turns what is left over into what the whole correction must do, and gives what is left over, by target.
func (r *refinement) add(goals []fit.Target, treble bool) (leftOver []fit.Residual, err error) {
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
		leftOver = append(leftOver, rest)
	}
	if !worth {
		return nil, ErrNothingLeft
	}
	for _, g := range goals {
		for i, f := range grid {
			have := 0.0
			for _, b := range r.refitted {
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
	return leftOver, nil
}
