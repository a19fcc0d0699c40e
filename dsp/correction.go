package dsp

import (
	"fmt"
	"math"
	"slices"
)

// AutoHeadroom, given as a correction's headroom, stands for "as much as the peak of its response", see Chain.PeakDB.
var AutoHeadroom = math.NaN()

// Correction is an immutable, ordered list of bands plus headroom. It is independent of the sample rate.
// A nil *Correction is not valid; the empty correction (no bands) is.
type Correction struct {
	bands      []Band
	headroomDB float64 // NaN = auto
}

// NewCorrection checks every band and the headroom (AutoHeadroom, or a level change of −60 to 0 dB).
// The error names the band by its position from 1 and wraps a *RangeError.
func NewCorrection(bands []Band, headroomDB float64) (*Correction, error) {
	n := [3]int{}
	for i, b := range bands {
		if err := b.Check(); err != nil {
			return nil, fmt.Errorf("dsp: correction band %d: %w", i+1, err)
		}
		for _, e := range []Ear{Left, Right} {
			if b.Covers(e) {
				n[e]++
			}
		}
	}
	for _, e := range []Ear{Left, Right} {
		if n[e] > MaxBands {
			return nil, fmt.Errorf("dsp: correction: %w", &RangeError{Key: "bands of the " + e.String() + " ear",
				Value: fmt.Sprint(n[e]), Allowed: fmt.Sprintf("0 to %d", MaxBands)})
		}
	}
	if !math.IsNaN(headroomDB) && !(headroomDB >= -60 && headroomDB <= 0) {
		return nil, fmt.Errorf("dsp: correction: %w", &RangeError{Key: "headroom_db", Value: fmt.Sprintf("%g", headroomDB),
			Allowed: `"auto" or -60 to 0 dB`})
	}
	return &Correction{slices.Clone(bands), headroomDB + 0}, nil // a negative zero becomes 0
}

// Bands returns a copy of the bands in order.
func (c *Correction) Bands() []Band { return slices.Clone(c.bands) }

// AutoHeadroom reports whether the headroom follows the peak of the response.
func (c *Correction) AutoHeadroom() bool { return math.IsNaN(c.headroomDB) }

// FixedHeadroomDB returns the headroom as given, a level change ≤ 0 dB; NaN when it is automatic.
func (c *Correction) FixedHeadroomDB() float64 { return c.headroomDB }

// LeastDB stands for the level in a zero of a response, which has none, and for any below: a number that can be
// written.
const LeastDB = -300.0

// AnalogDB returns the level of the analog prototypes of one ear (Left or Right) at freqHz, without headroom, in dB,
// LeastDB or more.
func (c *Correction) AnalogDB(e Ear, freqHz float64) float64 {
	sum := 0.0
	for _, b := range c.bands {
		if b.Covers(e) {
			sum += b.AnalogDB(freqHz)
		}
	}
	return max(sum, LeastDB)
}

// AnalogPower returns the square of the magnitude of the analog prototypes of one ear (Left or Right), without headroom,
// as a function of freqHz. It costs a thousandth of what Compile does.
func (c *Correction) AnalogPower(e Ear) func(freqHz float64) float64 {
	type part struct {
		num, den quadratic
		freqHz   float64
	}
	var parts []part
	for _, b := range c.bands {
		if b.Covers(e) {
			num, den := b.power()
			parts = append(parts, part{num, den, b.FreqHz})
		}
	}
	return func(freqHz float64) float64 {
		p := 1.0
		for i := range parts {
			x := freqHz / parts[i].freqHz
			p *= parts[i].num.at(x*x) / parts[i].den.at(x*x)
		}
		return max(p, 0)
	}
}
