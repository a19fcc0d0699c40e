package sheet

import (
	"slices"
	"testing"

	"cushwright/dsp"
)

// TestTypeIn: a column has as many decimals as its numbers need; fixed frequencies have their own; nothing reads as minus zero.
func TestTypeIn(t *testing.T) {
	bands := []dsp.Band{{Shape: dsp.Bell, Ear: dsp.Both, FreqHz: 31.5, GainDB: -2.25, Q: 1.4},
		{Shape: dsp.HighShelf, Ear: dsp.Left, FreqHz: 1000, GainDB: 3, Q: 0.707},
		{Shape: dsp.Notch, Ear: dsp.Right, FreqHz: 8000.04, Q: 10}}
	for _, c := range []struct {
		decimals int
		fixed    bool
		want     []Band
	}{
		{1, false, []Band{{"bell", "both", "31.5", "-2.25", "1.400"}, {"high-shelf", "left", "1000.0", "+3.00", "0.707"},
			{"notch", "right", "8000.0", "none", "10.000"}}},
		{9, false, []Band{{"bell", "both", "31.50", "-2.25", "1.400"}, {"high-shelf", "left", "1000.00", "+3.00", "0.707"},
			{"notch", "right", "8000.04", "none", "10.000"}}},
		{1, true, []Band{{"bell", "both", "31.5", "-2.25", "1.400"}, {"high-shelf", "left", "1000", "+3.00", "0.707"},
			{"notch", "right", "8000", "none", "10.000"}}},
	} {
		if got := TypeIn(bands, c.decimals, c.fixed); !slices.Equal(got, c.want) {
			t.Errorf("%d decimals, fixed %v:\n%q, want\n%q", c.decimals, c.fixed, got, c.want)
		}
	}
	if got := TypeIn([]dsp.Band{{Shape: dsp.Bell, FreqHz: 100, Q: 1}, {Shape: dsp.Bell, FreqHz: 200, GainDB: 0.5, Q: 1}}, 1, false); got[0].DB != "0.0" {
		t.Errorf("no gain reads %q", got[0].DB)
	}
}
