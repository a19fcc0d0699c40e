package fit

import (
	"math"
	"testing"

	"cushwright/dsp"
	"cushwright/dsp/curve"
	"cushwright/dsp/fit/invented"
)

// Ears corrected apart keep their balance: what the two corrections differ by is what the ears differ by, less a level.
func TestApartKeepsTheBalance(t *testing.T) {
	w := invented.NewPair(9).WantDB()
	left, right := Target{Ear: dsp.Left, WantDB: w}, Target{Ear: dsp.Right, WantDB: make([]float64, curve.Points)}
	for i, f := range curve.Grid() {
		right.WantDB[i] = w[i] - 3 - 4/(1+math.Pow(f/150, 2)) // 3 dB less all over, and less bass
	}
	less := func(f float64) float64 { return 4 / (1 + math.Pow(f/150, 2)) }
	level, n := 0.0, 0.0 // of what the ears differ by: from 200 Hz to 4 kHz under a raised cosine, the 3 dB and a little of the bass
	for _, f := range curve.Grid() {
		if x := math.Log(f/200) / math.Log(20); x > 0 && x < 1 {
			w := math.Pow(math.Sin(math.Pi*x), 2)
			level, n = level+w*(3+less(f)), n+w
		}
	}
	level /= n
	o := Options{Bands: 7, EveryDetail: true, MaxBoostDB: 20, FullTreble: true}
	l, r, balance, err := DeriveApart(left, right, o)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(balance-level) > 0.01 {
		t.Errorf("balance %.2f dB, %.2f was built in", balance, level)
	}
	at := func(bands []dsp.Band, f float64) (sum float64) {
		for _, b := range bands {
			sum += b.AnalogDB(f)
		}
		return sum
	}
	for _, f := range []float64{30, 100, 300, 1000, 2500, 6000} {
		got, want := at(l.Bands, f)-at(r.Bands, f), 3+less(f)-level
		if math.Abs(got-want) > 0.5 {
			t.Errorf("%g Hz: the corrections differ by %.2f dB, the ears by %.2f", f, got, want)
		}
	}
	for _, x := range []Result{l, r} {
		if x.After.RMSDB > 0.3*x.Before.RMSDB {
			t.Errorf("%.2f dB before, %.2f after", x.Before.RMSDB, x.After.RMSDB)
		}
	}
	for _, b := range l.Bands {
		if b.Ear != dsp.Left {
			t.Errorf("%+v", b)
		}
	}
	// Louder seats of one ear change nothing but the levels.
	right.WantDB = lowered(right.WantDB, 5)
	_, again, balance2, err := DeriveApart(left, right, o)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(balance2-balance-5) > 1e-6 {
		t.Errorf("balance %.3f dB, then %.3f", balance, balance2)
	}
	for _, f := range []float64{30, 300, 3000} {
		if d := at(r.Bands, f) - at(again.Bands, f); math.Abs(d) > 0.01 {
			t.Errorf("%g Hz: %.3f dB moved", f, d)
		}
	}
}
