package fit

import (
	"fmt"

	"cushwright/dsp/curve"
)

// Judge says how far a target is from its goal without any band and with a response of levelsDB on curve.Grid, judged as
// Derive judges its own: weighted by 1/(spread² + floor²), levels aside unless Options.FixedLevel. Errors are those of Derive.
func Judge(t Target, o Options, levelsDB []float64) (before, after Residual, err error) {
	o = o.withDefaults()
	if err := o.check(); err != nil {
		return before, after, err
	}
	if len(levelsDB) != curve.Points {
		return before, after, fmt.Errorf("fit: judge a response: it has %d points, not %d", len(levelsDB), curve.Points)
	}
	p, err := Prepare(t, o)
	if err != nil {
		return before, after, err
	}
	before, _ = residual(p.AskedDB, make([]float64, curve.Points), p.Weight, o.FixedLevel)
	after, _ = residual(p.AskedDB, levelsDB, p.Weight, o.FixedLevel)
	return before, after, nil
}
