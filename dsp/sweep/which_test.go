package sweep

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// inventCushion makes the level response of an invented cushion on an invented headphone: bass shelf and leak, depth,
// middle and top. Two of them differ by some 1.5·bumpDB RMS between 200 Hz and 4 kHz.
func inventCushion(rng *rand.Rand, bumpDB float64) func(f float64) float64 {
	shelf, corner := 1.6*bumpDB*rng.NormFloat64(), 60*math.Exp(0.4*rng.NormFloat64())
	type bump struct{ hz, db, octaves float64 }
	var b []bump
	for i := range 12 {
		hz := 130 * math.Pow(2, 0.55*(float64(i)+rng.Float64()))
		b = append(b, bump{hz, bumpDB * rng.NormFloat64(), 0.12 + 0.3*rng.Float64()})
	}
	return func(f float64) float64 {
		v := shelf/(1+math.Pow(f/(2*corner), 2)) - 10*math.Log10(1+math.Pow(corner/3/f, 4))
		for _, x := range b {
			u := math.Log2(f/x.hz) / x.octaves
			v += x.db * math.Exp(-0.5*u*u)
		}
		return v
	}
}

// inventScatterDB is the invented model of seating scatter, standard deviations: 3 dB below 100 Hz, 1 dB from 0.2 to 4 kHz,
// 3 dB to 8 kHz, 5 dB above, with slopes between.
func inventScatterDB(f float64) float64 {
	x := []float64{100, 200, 4000, 5000, 8000, 9000}
	y := []float64{3, 1, 1, 3, 3, 5}
	if f <= x[0] {
		return y[0]
	}
	for i := 1; i < len(x); i++ {
		if f < x[i] {
			return y[i-1] + (y[i]-y[i-1])*math.Log(f/x[i-1])/math.Log(x[i]/x[i-1])
		}
	}
	return y[len(y)-1]
}

// inventSeat adds to a response the scatter of one seating: smooth over about half an octave, plus a free overall level and
// a little noise from point to point.
func inventSeat(resp func(f float64) float64, rng *rand.Rand, amount float64) []float64 {
	const perOctave = 2
	knots := make([]float64, 10*perOctave+5)
	for i := range knots {
		knots[i] = rng.NormFloat64()
	}
	level := 0.5 * rng.NormFloat64()
	out := make([]float64, gridPoints)
	for i, f := range Grid() {
		u := math.Log2(f/20)*perOctave + 1.5
		k := int(u)
		t := u - float64(k)
		// Raised-cosine weights between neighbours, scaled to unit variance.
		w := 0.5 - 0.5*math.Cos(math.Pi*t)
		z := (knots[k]*(1-w) + knots[k+1]*w) / math.Hypot(1-w, w)
		out[i] = resp(f) + level + amount*inventScatterDB(f)*z + 0.1*rng.NormFloat64()
	}
	return out
}

func invent(n, seats int, rng *rand.Rand, differDB float64) (resp []func(float64) float64, rec []Recorded) {
	for i := range n {
		resp = append(resp, inventCushion(rng, differDB))
		r := Recorded{Name: fmt.Sprintf("cushion-%d", i+1)}
		for range seats {
			r.LevelDB = append(r.LevelDB, inventSeat(resp[i], rng, 1))
		}
		rec = append(rec, r)
	}
	return
}

// tally counts the answers for trials fresh seats of recorded cushions and as many of strangers.
type tally struct{ trials, right, ambiguous, shared, wrong, lost, unknown int }

func try(t *testing.T, rng *rand.Rand, cushions, seats, trials int, differDB float64) (y tally) {
	t.Helper()
	resp, rec := invent(cushions, seats, rng, differDB)
	judge, err := NewJudge(Grid(), rec)
	if err != nil {
		t.Fatal(err)
	}
	ask := func(level []float64) Answer {
		a, err := judge.Which(level)
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
	for i := range trials {
		k := i % cushions
		switch a := ask(inventSeat(resp[k], rng, 1)); {
		case a.Verdict == Known && a.Name == rec[k].Name:
			y.right++
		case a.Verdict == Known:
			y.wrong++
		case a.Verdict == Ambiguous:
			y.ambiguous++
			if slices.Contains(a.Between, rec[k].Name) {
				y.shared++
			}
		default:
			y.lost++
		}
		if ask(inventSeat(inventCushion(rng, differDB), rng, 1)).Verdict == Unknown {
			y.unknown++
		}
		y.trials++
	}
	return
}

// Invented worlds of 12 cushions that differ by some 6 dB RMS, 5 seats each; 200 fresh seats and 200 strangers.
func TestWhich(t *testing.T) {
	for world := range uint64(count(1, 2, 5)) {
		y := try(t, newRand(100+world), 12, 5, 200, 4)
		t.Logf("world %d: %+v", world, y)
		if y.right+y.ambiguous < 196 || y.wrong > 2 || y.unknown < 190 || y.right < 180 {
			t.Errorf("world %d: %+v; wanted: right or ambiguous 196, wrong at most 2, strangers unknown 190", world, y)
		}
	}
}

// Cushions more alike than that (4 dB RMS; 1.5 dB), few of them, few seats: fewer are named, but no more are named wrongly.
func TestWhichNeverGuesses(t *testing.T) {
	for _, c := range []struct {
		cushions, seats int
		differDB        float64
	}{{12, 5, 3}, {12, 5, 1}, {2, 5, 4}, {2, 3, 4}, {3, 2, 3}, {1, 5, 4}} {
		var all tally
		for world := range uint64(count(1, 1, 4)) {
			y := try(t, newRand(200+world), c.cushions, c.seats, count(40, 100, 100), c.differDB)
			all.trials, all.right, all.ambiguous, all.shared = all.trials+y.trials, all.right+y.right, all.ambiguous+y.ambiguous, all.shared+y.shared
			all.wrong, all.lost, all.unknown = all.wrong+y.wrong, all.lost+y.lost, all.unknown+y.unknown
		}
		t.Logf("%+v: %+v", c, all)
		if all.wrong*100 > all.trials && all.wrong > 1 {
			t.Errorf("%+v: %d wrong names in %d trials", c, all.wrong, all.trials)
		}
	}
}

// With few cushions recorded little is known of how cushions differ: a stranger is rarely named all the same.
func TestWhichKnowsStrangersFromFew(t *testing.T) {
	for _, c := range []struct{ cushions, seats, named, right int }{ // per cent at most and at least
		{2, 2, 5, 80}, {2, 3, 5, 90}, {3, 3, 5, 90}, {2, 5, 6, 95}, {3, 5, 6, 95}, {4, 5, 6, 95},
	} {
		worlds, trials := count(2, 8, 20), 40
		named, right, wrong := 0, 0, 0
		for w := range uint64(worlds) {
			rng := newRand(900 + w)
			resp, rec := invent(c.cushions, c.seats, rng, 4)
			judge, err := NewJudge(Grid(), rec)
			if err != nil {
				t.Fatal(err)
			}
			for i := range trials {
				stranger, err := judge.Which(inventSeat(inventCushion(rng, 4), rng, 1))
				if err != nil {
					t.Fatal(err)
				}
				own, err := judge.Which(inventSeat(resp[i%c.cushions], rng, 1))
				if err != nil {
					t.Fatal(err)
				}
				if stranger.Verdict == Known {
					named++
				}
				if own.Verdict == Known && own.Name == rec[i%c.cushions].Name {
					right++
				} else if own.Verdict == Known {
					wrong++
				}
			}
		}
		all := worlds * trials
		t.Logf("%+v: of %d strangers %d were named; of as many known ones %d right, %d wrong", c, all, named, right, wrong)
		if named*100 > c.named*all || right*100 < c.right*all || wrong > 0 {
			t.Errorf("%+v: of %d strangers %d were named; of as many known ones %d right, %d wrong", c, all, named, right, wrong)
		}
	}
}

// Points that do not stand out of the noise are left out, not taken for a difference.
func TestWhichWithUnusablePoints(t *testing.T) {
	rng := newRand(500)
	resp, rec := invent(4, 5, rng, 4)
	for i := range gridPoints {
		if f := Grid()[i]; f < 60 {
			rec[0].LevelDB[2][i] = math.NaN()
		}
	}
	judge, err := NewJudge(Grid(), rec)
	if err != nil {
		t.Fatal(err)
	}
	right := 0
	for i := range 40 {
		seat := inventSeat(resp[i%4], rng, 1)
		for k, f := range Grid() {
			if f < 80 || f > 9000 {
				seat[k] = math.NaN()
			}
		}
		a, err := judge.Which(seat)
		if err != nil {
			t.Fatal(err)
		}
		if a.Verdict == Known && a.Name == rec[i%4].Name {
			right++
		}
	}
	if right < 38 {
		t.Errorf("right %d of 40", right)
	}
	none := make([]float64, gridPoints)
	for i := range none {
		none[i] = math.NaN()
	}
	if a, err := judge.Which(none); err == nil {
		t.Errorf("an answer from nothing: %+v", a)
	}
	if _, err := NewJudge(Grid(), nil); err == nil {
		t.Error("a judge of nothing")
	}
	if _, err := NewJudge(Grid(), []Recorded{{Name: "woven", LevelDB: rec[0].LevelDB[:1]}}); err == nil || !strings.Contains(err.Error(), "woven") {
		t.Errorf("one seat: %v", err)
	}
}

// From sound to name: short sweeps through cushions on the simulated rig, every seat with another leak and other
// resonances, at 40 dB signal-to-noise.
func TestWhichFromSweeps(t *testing.T) {
	s := Short(24000)
	rng := newRand(600)
	cushion := func(bass, mid, top float64) path {
		p := booth()
		p.sections = append(p.sections, bell(110, bass+0.8*rng.NormFloat64(), 0.7), bell(700, mid+0.3*rng.NormFloat64(), 1.4),
			bell(1700, -mid+0.3*rng.NormFloat64(), 2), bell(6500, top+rng.NormFloat64(), 2))
		p.gain *= math.Exp(0.05 * rng.NormFloat64())
		return p
	}
	names := []string{"woven", "wipe-clean", "deep-foam"}
	seat := func(i int) []float64 {
		v := [][3]float64{{0, 0, 0}, {-6, 3, 2}, {4, -4, -5}, {-2, 8, -8}}[i]
		p := cushion(v[0], v[1], v[2])
		return measure(t, addNoise(p.play(s.Signal(), 24000, 8000), 40, rng), s).LevelDB
	}
	var rec []Recorded
	for i, n := range names {
		r := Recorded{Name: n}
		for range 3 {
			r.LevelDB = append(r.LevelDB, seat(i))
		}
		rec = append(rec, r)
	}
	judge, err := NewJudge(Grid(), rec)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range append(names, "") {
		a, err := judge.Which(seat(i))
		if err != nil {
			t.Fatal(err)
		}
		t.Log(a.Text)
		if a.Name != want || want == "" && a.Verdict != Unknown {
			t.Errorf("%q: %+v", want, a)
		}
	}
}
