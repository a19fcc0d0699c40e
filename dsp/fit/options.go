package fit

import (
	"fmt"
	"math"
	"slices"

	"cushwright/dsp"
)

// Options says how a target is fitted. The zero value of each field stands for its default.
type Options struct {
	Bands      int     // at most so many bands, 1 to 64; default 10, or as many as the equaliser has
	MaxBoostDB float64 // limit of the whole correction's boost; default +6 dB; for cuts only give 0.01
	FloorDB    float64 // added to the spread in the weights, in squares; default 1 dB
	FullTreble bool    // correct above 10 kHz like anywhere else
	// EveryDetail corrects details inside the scatter of the seats and fills narrow nulls.
	EveryDetail bool
	// FixedLevel takes the target's level literally. Otherwise it is free: a correction is judged by its shape, and the
	// volume control does the rest.
	FixedLevel bool

	GainMinDB, GainMaxDB float64 // of a single band; default −20 to +15 dB
	QMin, QMax           float64 // default 0.3 to 8
	FreqMinHz, FreqMaxHz float64 // default 20 Hz to 20 kHz
	GainStepDB, QStep    float64 // 0: not rounded
	FreqStepHz           float64 // 0: not rounded

	For *Equaliser // fit in this equaliser's response and on its steps; its ranges replace those above
}

// Equaliser describes what a listener's equaliser can do. Zero fields: no limit of its own, or no step.
type Equaliser struct {
	Bands                            int
	Shapes                           []dsp.Shape // of bell, low-shelf and high-shelf; none: bell
	FreqMinHz, FreqMaxHz, FreqStepHz float64
	FreqStepOctaves                  float64 // a step in octaves from FreqMinHz on, in place of FreqStepHz
	GainMinDB, GainMaxDB, GainStepDB float64
	QMin, QMax, QStep                float64
	FixedFreqHz                      []float64 // each frequency serves one band
	FixedQ                           float64
	Bilinear                         bool    // its sections come from the bilinear transform, run at RateHz
	RateHz                           float64 // default 48 kHz
}

func (o Options) withDefaults() Options {
	def := func(p *float64, v float64) {
		if *p == 0 {
			*p = v
		}
	}
	def(&o.MaxBoostDB, 6)
	def(&o.FloorDB, 1)
	if o.GainMinDB == 0 && o.GainMaxDB == 0 {
		o.GainMinDB, o.GainMaxDB = -20, 15
	}
	def(&o.QMin, 0.3)
	def(&o.QMax, 8)
	def(&o.FreqMinHz, 20)
	def(&o.FreqMaxHz, 20000)
	if e := o.For; e != nil {
		take := func(p *float64, v float64) {
			if v != 0 {
				*p = v
			}
		}
		if o.Bands == 0 || e.Bands > 0 && o.Bands > e.Bands {
			o.Bands = e.Bands
		}
		if n := len(e.FixedFreqHz); n > 0 && (o.Bands == 0 || o.Bands > n) {
			o.Bands = n
		}
		take(&o.FreqMinHz, e.FreqMinHz)
		take(&o.FreqMaxHz, e.FreqMaxHz)
		if e.GainMinDB != 0 || e.GainMaxDB != 0 {
			o.GainMinDB, o.GainMaxDB = e.GainMinDB, e.GainMaxDB
		}
		take(&o.QMin, e.QMin)
		take(&o.QMax, e.QMax)
		o.GainStepDB, o.QStep, o.FreqStepHz = e.GainStepDB, e.QStep, e.FreqStepHz
		if e.FixedQ != 0 {
			o.QMin, o.QMax, o.QStep = e.FixedQ, e.FixedQ, 0
		}
	}
	if o.Bands == 0 {
		o.Bands = 10
	}
	return o
}

func (o Options) check() error {
	bad := func(key string, v any, allowed string) error {
		return fmt.Errorf("fit: read options: %w", &dsp.RangeError{Key: key, Value: fmt.Sprint(v), Allowed: allowed})
	}
	switch {
	case o.Bands < 1 || o.Bands > dsp.MaxBands:
		return bad("bands", o.Bands, fmt.Sprintf("1 to %d", dsp.MaxBands))
	case !(o.MaxBoostDB > 0 && o.MaxBoostDB <= dsp.MaxGainDB):
		return bad("largest boost", o.MaxBoostDB, "above 0, to 24 dB")
	case !(o.FloorDB > 0 && o.FloorDB <= 20):
		return bad("floor", o.FloorDB, "above 0, to 20 dB")
	case !(o.QMin >= dsp.MinQ && o.QMin <= o.QMax && o.QMax <= dsp.MaxQ):
		return bad("q range", fmt.Sprintf("%g to %g", o.QMin, o.QMax), fmt.Sprintf("within %g to %g", dsp.MinQ, dsp.MaxQ))
	case !(o.FreqMinHz >= dsp.MinFreqHz && o.FreqMinHz <= o.FreqMaxHz && o.FreqMaxHz <= dsp.MaxFreqHz):
		return bad("frequency range", fmt.Sprintf("%g to %g", o.FreqMinHz, o.FreqMaxHz), "within 20 to 20000 Hz")
	case !(o.GainMinDB >= -dsp.MaxGainDB && o.GainMinDB <= o.GainMaxDB && o.GainMaxDB <= dsp.MaxGainDB) || o.GainMinDB > 0 || o.GainMaxDB < 0:
		return bad("gain range", fmt.Sprintf("%g to %g", o.GainMinDB, o.GainMaxDB), "within -24 to 24 dB, around 0")
	case !(o.GainStepDB >= 0 && o.QStep >= 0 && o.FreqStepHz >= 0) || math.IsInf(o.GainStepDB+o.QStep+o.FreqStepHz, 0):
		return bad("step", fmt.Sprintf("%g dB, %g, %g Hz", o.GainStepDB, o.QStep, o.FreqStepHz), "0 or more")
	}
	if e := o.For; e != nil {
		if !(e.FreqStepOctaves >= 0 && e.FreqStepOctaves <= 10) || e.FreqStepOctaves > 0 && e.FreqStepHz > 0 {
			return bad("step in octaves", e.FreqStepOctaves, "0 to 10, and no step in Hz beside it")
		}
		if e.Bilinear && e.RateHz != 0 && !(e.RateHz >= dsp.MinRateHz && e.RateHz <= dsp.MaxRateHz) {
			return bad("rate_hz", e.RateHz, "44100 to 384000 Hz")
		}
		for _, s := range e.Shapes {
			if !s.HasGain() {
				return bad("shape", s, "bell, low-shelf or high-shelf")
			}
		}
		for _, f := range e.FixedFreqHz {
			if !(f >= dsp.MinFreqHz && f <= dsp.MaxFreqHz) {
				return bad("fixed frequency", f, "20 to 20000 Hz")
			}
		}
	}
	return nil
}

func (o Options) allows(s dsp.Shape) bool {
	if o.For == nil {
		return s.HasGain()
	}
	if len(o.For.Shapes) == 0 {
		return s == dsp.Bell
	}
	return slices.Contains(o.For.Shapes, s)
}

// rateHz is the rate at which responses follow the bilinear transform, 0 for the analog prototype.
func (o Options) rateHz() float64 {
	if o.For == nil || !o.For.Bilinear {
		return 0
	}
	if o.For.RateHz == 0 {
		return 48000
	}
	return o.For.RateHz
}
