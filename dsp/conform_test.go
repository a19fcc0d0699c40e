package dsp_test

import (
	"testing"

	"cushwright/dsp"
	"cushwright/dsp/internal/conform"
)

func TestChainConforms(t *testing.T) {
	bands := []dsp.Band{
		{Shape: dsp.LowShelf, FreqHz: 105, GainDB: 5, Q: 0.7},
		{Shape: dsp.Bell, Ear: dsp.Left, FreqHz: 3000, GainDB: -4, Q: 2},
		{Shape: dsp.Bell, Ear: dsp.Right, FreqHz: 6000, GainDB: -5, Q: 3},
		{Shape: dsp.HighShelf, FreqHz: 10000, GainDB: 2, Q: 0.7},
	}
	for name, k := range map[string]struct {
		bands []dsp.Band
		o     dsp.Options
	}{"empty": {nil, dsp.Options{}}, "bands": {bands, dsp.Options{}}, "without lag": {bands, dsp.Options{NoLag: true}}, "padded": {bands, dsp.Options{LagFrames: 77}},
		"bypass": {nil, dsp.Options{LagFrames: 77}}} {
		conform.Run(t, name, func() dsp.Processor {
			c, err := dsp.NewCorrection(k.bands, dsp.AutoHeadroom)
			if err != nil {
				t.Fatal(err)
			}
			ch, err := c.Compile(48000, k.o)
			if err != nil {
				t.Fatal(err)
			}
			return ch
		}, conform.PhaseShifts())
	}
}
