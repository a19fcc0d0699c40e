package fit

import (
	"slices"
	"testing"

	"cushwright/dsp"
)

// TestNullsByTheirSeats: a null that the seats prove to stand still is corrected as far as the boost goes; one that moves, or
// that two seats cannot prove, is not, and the notes say which.
func TestNullsByTheirSeats(t *testing.T) {
	quiet := scatterKind{"0.35 dB", growing(0.35, 3), []float64{0.3}, 0, 0.3}
	make := func(move float64, depth float64, seats int) (Result, float64) {
		w := newWorld("smooth", quiet, 640)
		clear(w.shape)
		clear(w.ears[0])
		for k := range w.shape {
			w.shape[k] = lump{250, 4, 0.8}.at(octaveOf(k))
		}
		w.dips = []dip{{lump{7000, -depth, 0.07}, move}}
		r, err := Derive(TargetOf(dsp.Both, w.diff(t, 0, seats)), Options{Bands: 8})
		if err != nil {
			t.Fatal(err)
		}
		resp := responseOf(r.Bands)
		return r, resp.At(7000) - (resp.At(5000)+resp.At(9500))/2
	}
	has := func(r Result, why string) bool {
		return slices.ContainsFunc(r.Left, func(n Note) bool { return n.Why == why && n.LowHz < 7800 && n.HighHz > 6300 })
	}
	if r, at := make(0, 4, 10); at < 3 || has(r, WhyMoves) || has(r, WhyNull) || has(r, WhyScatter) || has(r, WhyFew) {
		t.Errorf("a null of 4 dB that ten seats show is filled by %.1f dB, notes %v", at, r.Left)
	}
	if r, at := make(0, 9, 5); at < 4 || r.PeakDB > 6+1e-9 {
		t.Errorf("a null of 9 dB that five seats show is filled by %.1f dB, peak %.1f, notes %v", at, r.PeakDB, r.Left)
	}
	// A third of its depth: what the mean of five seats has of it is broad and shallow.
	if r, at := make(0.25, 12, 5); at > 4 || !has(r, WhyMoves) && !has(r, WhyScatter) {
		t.Errorf("a null that moves is filled by %.1f dB, notes %v", at, r.Left)
	}
	if r, at := make(0.25, 12, 2); at > 3 || !has(r, WhyFew) {
		t.Errorf("a null that moves between two seats is filled by %.1f dB, notes %v", at, r.Left)
	}
}
