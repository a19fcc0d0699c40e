package engine

import (
	"fmt"

	"cushwright/dsp"
	"cushwright/dsp/loudness"
	"cushwright/engine/live"
)

// lagSteps are the delays chains are padded to where they have any, so that most corrections are in step with each
// other.
var lagSteps = []int{48, 96, 192, 384}

// compile makes the program of a selection for one rate. chains is how its chains are compiled.
func compile(sel Selection, chains dsp.Options, match Match, rateHz float64) (*live.Program, error) {
	if sel.Correction == nil {
		return nil, fmt.Errorf("engine: select %q: no correction given", sel.Cushion)
	}
	other := sel.Other
	if other == nil {
		flat, err := dsp.NewCorrection(nil, 0)
		if err != nil {
			return nil, fmt.Errorf("engine: compile %q: %w", sel.Cushion, err)
		}
		other = flat
	}
	a, b, err := inStep(sel.Correction, other, chains, rateHz)
	if err != nil {
		return nil, fmt.Errorf("engine: compile %q: %w", sel.Cushion, err)
	}
	differenceDB := 0.0
	if match != MatchOff {
		differenceDB = pinkDB(a) - pinkDB(b)
	}
	p, err := live.NewProgram(a, b, rateHz, differenceDB, match == MatchProgramme)
	if err != nil {
		return nil, fmt.Errorf("engine: compile %q: %w", sel.Cushion, err)
	}
	return p, nil
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

// pinkDB is the loudness change a chain makes on pink noise, mean power of both ears, headroom included.
func pinkDB(c *dsp.Chain) float64 {
	return c.HeadroomDB() + loudness.PinkGainDB(func(f float64) float64 {
		l, r := dsp.Ratio(c.DB(dsp.Left, f)), dsp.Ratio(c.DB(dsp.Right, f))
		return dsp.DB(l*l+r*r)/2 - dsp.DB(2)/2
	})
}
