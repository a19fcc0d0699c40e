package sweep

import (
	"math"
	"strings"
	"testing"
)

func TestProve(t *testing.T) {
	trials := count(15, 40, 300)
	bump := func(hz, db float64) func(float64) float64 {
		return func(f float64) float64 { u := math.Log2(f/hz) / 0.5; return db * math.Exp(-0.5*u*u) }
	}
	for _, c := range []struct {
		name       string
		seats      int
		left       func(float64) float64
		want       Outcome
		atLeast    int // per cent of the trials
		where      string
		withinLow  int // per cent within the band, bounds
		withinHigh int
	}{
		{"all taken away, 5 seats", 5, func(float64) float64 { return -6 }, Proven, 85, "", 88, 100},
		{"all taken away, 10 seats", 10, func(float64) float64 { return 0 }, Proven, 85, "", 88, 100},
		{"all taken away, 3 seats", 3, func(float64) float64 { return 0 }, NotProven, 90, "", 85, 100},
		{"7 dB left at 1 kHz", 5, bump(1000, 7), Missed, 95, "1 kHz", 0, 20},
		{"4 dB left at 500 Hz, 10 seats", 10, bump(500, 4), Missed, 95, "501 Hz", 0, 30},
	} {
		rng := newRand(300)
		got, within, where := map[Outcome]int{}, 0, 0
		covered, octaves := 0, 0
		for range trials {
			resp := inventCushion(rng, 4)
			swap := inventCushion(rng, 4)
			var ref, before, after [][]float64
			for range c.seats {
				ref = append(ref, inventSeat(resp, rng, 1))
				before = append(before, inventSeat(swap, rng, 1))
				after = append(after, inventSeat(func(f float64) float64 { return resp(f) + c.left(f) }, rng, 1))
			}
			p, err := Prove(Grid(), ref, before, after)
			if err != nil {
				t.Fatal(err)
			}
			got[p.Outcome]++
			if p.WithinScatter {
				within++
			}
			if strings.Contains(p.Text, "about "+c.where) {
				where++
			}
			for _, o := range p.Octaves {
				octaves++
				if math.Abs(o.AfterDB) <= o.AfterHalfDB {
					covered++
				}
			}
			if !(p.Shrink < 1) || p.SeatsWanted < 2 || len(p.Octaves) != 10 {
				t.Fatalf("%+v", p)
			}
		}
		t.Logf("%s: %v; within the band %d of %d; octaves whose interval holds 0: %.1f %%", c.name, got, within, trials, 100*float64(covered)/float64(octaves))
		if got[c.want]*100 < c.atLeast*trials || within*100 < c.withinLow*trials || within*100 > c.withinHigh*trials {
			t.Errorf("%s: %v, %q wanted in %d %%; within the band %d (%d to %d %%)", c.name, got, c.want, c.atLeast, within, c.withinLow, c.withinHigh)
		}
		if c.where != "" && where*100 < c.atLeast*trials {
			t.Errorf("%s: the place is named only %d times", c.name, where)
		}
		if trials >= 40 && c.want == Proven && (covered*100 < octaves*92 || covered*100 > octaves*98) {
			t.Errorf("%s: the 95 %% intervals hold the truth in %d of %d", c.name, covered, octaves)
		}
	}
	if _, err := Prove(Grid(), [][]float64{make([]float64, gridPoints)}, nil, nil); err == nil {
		t.Error("proof from one seat")
	}
}

func TestAgreement(t *testing.T) {
	rng := newRand(400)
	refused := map[string]int{}
	trials := count(50, 200, 200)
	for range trials {
		resp := inventCushion(rng, 4)
		var earlier [][]float64
		for range 3 {
			earlier = append(earlier, inventSeat(resp, rng, 0.5))
		}
		leak := func(f float64) float64 { return resp(f) - 10*math.Log10(1+math.Pow(160/f, 4)) }
		other := inventCushion(rng, 4)
		for name, level := range map[string][]float64{
			"good": inventSeat(resp, rng, 0.5), "leak": inventSeat(leak, rng, 0.5), "another cushion": inventSeat(other, rng, 0.5)} {
			_, found, err := Agreement(Grid(), level, earlier)
			if err != nil {
				t.Fatal(err)
			}
			for _, f := range found {
				refused[name+": "+string(f.Kind)]++
			}
		}
	}
	t.Log(refused)
	if (refused["good: leak"]+refused["good: seats-disagree"])*20 > trials || refused["leak: leak"]*40 < trials*39 ||
		(refused["another cushion: seats-disagree"]+refused["another cushion: leak"])*10 < trials*9 {
		t.Errorf("of %d each: %v", trials, refused)
	}
	if rms, found, err := Agreement(Grid(), make([]float64, gridPoints), nil); rms != 0 || found != nil || err != nil {
		t.Error("the first seat has nothing to agree with")
	}
	if _, _, err := Agreement(Grid(), nil, nil); err == nil {
		t.Error("a seat without levels")
	}
}
