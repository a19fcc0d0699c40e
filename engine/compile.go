package engine

import (
	"fmt"

	"cushwright/dsp"
	"cushwright/engine/live"
)

// lagSteps are the delays chains are padded to where they have any, so that most corrections are in step with each
// other.
var lagSteps = []int{48, 96, 192, 384}

// compile makes the program of a selection for one rate. chains is how its chains are compiled.
func compile(sel Selection, chains dsp.Options, match Match, rateHz float64) (compiled, error) {
	if sel.Correction == nil {
		return compiled{}, fmt.Errorf("engine: select %q: no correction given", sel.Cushion)
	}
	other := sel.Other
	if other == nil {
		flat, err := dsp.NewCorrection(nil, 0)
		if err != nil {
			return compiled{}, fmt.Errorf("engine: compile %q: %w", sel.Cushion, err)
		}
		other = flat
	}
	a, b, err := inStep(sel.Correction, other, chains, rateHz)
	if err != nil {
		return compiled{}, fmt.Errorf("engine: compile %q: %w", sel.Cushion, err)
	}
	l := levels(sel.Shared, match, rateHz, pinkDB(a), pinkDB(b))
	if l.program, err = live.NewProgram(a, b, rateHz, l.sides); err != nil {
		return compiled{}, fmt.Errorf("engine: compile %q: %w", sel.Cushion, err)
	}
	l.level.headroomDB = l.program.HeadroomDB()
	return l, nil
}

// compiled is a program and its levels.
type compiled struct {
	program *live.Program
	sides   live.Sides
	level   level
}

// level is what is said of the level of a selection.
type level struct {
	headroomDB float64 // level change that does not come of the bands, ≤ 0
	shareDB    float64 // the part of it that makes all cushions equally loud, ≤ 0
	shareFor   string  // the cushion whose correction asks for that; "" for none's
}

// levels decides how far both sides are taken down, from their loudness on pink noise at their own headroom: to the
// shared loudness, if there is one, and where loudness is matched to that of the quieter side.
func levels(s *Shared, match Match, rateHz, pinkA, pinkB float64) compiled {
	c := compiled{sides: live.Sides{PinkADB: pinkA, PinkBDB: pinkB, Matched: match != MatchOff,
		ByProgramme: match == MatchProgramme}}
	to := pinkA
	if match != MatchOff {
		to = min(pinkA, pinkB)
	}
	own := to
	if s != nil {
		db, by := s.LevelDB(rateHz)
		if to = min(to, db); to < own {
			c.level.shareDB, c.level.shareFor = to-own, by
		}
	}
	c.sides.DownADB = to - pinkA
	if match != MatchOff {
		c.sides.DownBDB = to - pinkB
	}
	return c
}

// inStep compiles two corrections to chains of the same delay.
func inStep(a, b *dsp.Correction, chains dsp.Options, rateHz float64) (ca, cb *dsp.Chain, err error) {
	padded := chains
	for _, c := range []*dsp.Correction{a, b} {
		ch, err := c.Compile(rateHz, chains)
		if err != nil {
			return nil, nil, err
		}
		padded.LagFrames = max(padded.LagFrames, ch.LagFrames())
	}
	if chains.Lags() {
		for _, step := range lagSteps {
			if padded.LagFrames <= step {
				padded.LagFrames = step
				break
			}
		}
	}
	if ca, err = a.Compile(rateHz, padded); err != nil {
		return nil, nil, err
	}
	cb, err = b.Compile(rateHz, padded)
	return ca, cb, err
}
