package fit

import (
	"math"
	"testing"

	"cushwright/dsp/fit/invented"
)

// A derived correction is judged as Derive judges it, by its bands' response alone.
func TestJudge(t *testing.T) {
	tg := pairTarget(t, invented.NewPair(11), 5)
	r, err := Derive(tg, Options{Bands: 6})
	if err != nil {
		t.Fatal(err)
	}
	before, after, err := Judge(tg, Options{}, responseOf(r.Bands).Shift(3).LevelDB)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range [][2]Residual{{before, r.Before}, {after, r.After}} {
		if math.Abs(p[0].RMSDB-p[1].RMSDB) > 1e-9 || math.Abs(p[0].MaxDB-p[1].MaxDB) > 1e-9 {
			t.Errorf("judged %+v, derived %+v", p[0], p[1])
		}
	}
	if _, _, err := Judge(tg, Options{}, nil); err == nil {
		t.Error("a response without points was judged")
	}
	if _, _, err := Judge(tg, Options{FloorDB: -1}, responseOf(nil).LevelDB); err == nil {
		t.Error("a floor below 0 was taken")
	}
}
