package curve

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.7g, want %.7g within %g", what, got, want, tolerance)
	}
}

func TestGrid(t *testing.T) {
	g := Grid()
	near(t, "first", g[0], 20, 0)
	near(t, "last", g[480], 20000, 0)
	for i := 1; i < len(g); i++ {
		// IEC 61260-1:2014: G = 10^0.3, so a 1/48 octave is a factor of G^(1/48).
		near(t, "step", g[i]/g[i-1], math.Pow(math.Pow(10, 0.3), 1.0/48), 1e-12)
		if Index(g[i]) != i {
			t.Errorf("Index(%g) = %d, want %d", g[i], Index(g[i]), i)
		}
	}
	if Index(1) != 0 || Index(1e6) != Points-1 {
		t.Error("Index leaves the grid")
	}
}

func TestFromPoints(t *testing.T) {
	// A straight line over log frequency comes back exactly, whatever the points' order.
	line := func(f float64) float64 { return 3*math.Log2(f) - 7 }
	rng := rand.New(rand.NewPCG(1, 2))
	var f, db []float64
	for range 200 {
		x := 15 * math.Pow(2000, rng.Float64())
		f, db = append(f, x, x), append(db, line(x)+1, line(x)-1) // doubled points are averaged
	}
	f, db = append(f, 10, 30000), append(db, line(10), line(30000))
	c, err := FromPoints(f, db)
	if err != nil {
		t.Fatal(err)
	}
	for i, x := range grid {
		near(t, "line", c.LevelDB[i], line(x), 0.06) // three and more points in a cell: their mean is not quite its middle
	}
	near(t, "low end", c.LowHz, 20, 0)
	near(t, "high end", c.HighHz, 20000, 0)
	near(t, "between grid points", c.At(777), line(777), 0.06)

	// Held outside what was measured.
	c, err = FromPoints([]float64{100, 1000}, []float64{10, 20})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "below", c.LevelDB[0], 10, 0)
	near(t, "above", c.LevelDB[480], 20, 0)
	near(t, "middle", c.At(math.Sqrt(100*1000)), 15, 0.01)
	near(t, "LowHz", c.LowHz, 100, 1e-9)

	// Fine linear bins are averaged, so that noise does not fold into the grid.
	f, db = nil, nil
	for i := 1; i < 20000; i++ {
		f, db = append(f, float64(i)), append(db, rng.NormFloat64())
	}
	if c, err = FromPoints(f, db); err != nil {
		t.Fatal(err)
	}
	sq := 0.0
	for _, v := range c.LevelDB[Index(10000):] {
		sq += v * v / float64(Points-Index(10000))
	}
	near(t, "RMS of noise left above 10 kHz", math.Sqrt(sq), 1/math.Sqrt(14000*0.0145), 0.03)

	for name, bad := range map[string][2][]float64{
		"lengths": {{1, 2}, {1}}, "one": {{100}, {1}}, "same": {{100, 100}, {1, 2}}, "NaN": {{100, 200}, {1, math.NaN()}},
		"zero Hz": {{0, 200}, {1, 2}}, "infinite": {{100, math.Inf(1)}, {1, 2}}, "outside": {{1, 2}, {1, 2}}, "none": {nil, nil},
	} {
		if _, err := FromPoints(bad[0], bad[1]); err == nil || !strings.HasPrefix(err.Error(), "curve: ") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func FuzzFromPoints(f *testing.F) {
	f.Add(20.0, 80.0, 1000.0, 81.0, 20000.0, 70.0)
	f.Add(0.0, 1.0, -5.0, math.Inf(1), math.NaN(), 3.0)
	f.Add(1e-300, 1.0, 1e300, 1e300, 100.0, 3.0)
	f.Fuzz(func(t *testing.T, f1, l1, f2, l2, f3, l3 float64) {
		c, err := FromPoints([]float64{f1, f2, f3}, []float64{l1, l2, l3})
		if err != nil {
			return
		}
		lo, hi := min(l1, l2, l3), max(l1, l2, l3)
		slack := 1e-9 * (math.Abs(lo) + math.Abs(hi))
		for _, v := range c.LevelDB {
			if math.IsNaN(v) || hi-lo < 1e300 && (v < lo-slack || v > hi+slack) {
				t.Fatalf("%g outside %g to %g", v, lo, hi)
			}
		}
	})
}

func TestSmooth(t *testing.T) {
	flat := FromFunc(func(float64) float64 { return 3 })
	for _, v := range flat.Smooth(3).LevelDB {
		near(t, "flat", v, 3, 1e-12)
	}
	// An impulse shows the window: a Hann with half its height 1/(2·fraction) octave off the middle, area kept.
	imp := FromFunc(func(float64) float64 { return 0 })
	imp.LevelDB[240] = 1
	s := imp.Smooth(6).LevelDB
	near(t, "half height", s[244]/s[240], 0.5, 1e-12)
	near(t, "end", s[248], 0, 0)
	sum := 0.0
	for _, v := range s {
		sum += v
	}
	near(t, "area", sum, 1, 1e-12)
	if !slices.Equal(imp.Smooth(0).LevelDB, imp.LevelDB) || !slices.Equal(imp.Smooth(96).LevelDB, imp.LevelDB) {
		t.Error("no smoothing changes the curve")
	}
}

// seats makes n seats of a flat curve with independent Gaussian scatter of 1 dB.
func seats(rng *rand.Rand, n int) []Curve {
	out := make([]Curve, n)
	for i := range out {
		out[i] = FromFunc(func(float64) float64 { return rng.NormFloat64() })
	}
	return out
}

// TestMean: dB mean of 0 and 10 dB is 5 (the amplitude mean would be 6.366, the power mean 7.404), and the 95 % half-width in
// units of the spread is 2.484, 1.242, 0.715 for 3, 5, 10 seats (Student t).
func TestMean(t *testing.T) {
	bump := func(db float64) Curve {
		return FromFunc(func(f float64) float64 {
			if f > 8000 {
				return db
			}
			return 0
		})
	}
	a, err := Mean([]Curve{bump(0), bump(10)})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "dB mean", a.At(12000), 5, 1e-12)
	near(t, "spread", a.SpreadDB[Index(12000)], 10/math.Sqrt2, 1e-12)
	rng := rand.New(rand.NewPCG(4, 4))
	for n, want := range map[int]float64{3: 2.484, 5: 1.242, 10: 0.715} {
		s := seats(rng, n)
		a, err := Mean(s)
		if err != nil {
			t.Fatal(err)
		}
		var at []float64
		for _, c := range s {
			at = append(at, c.LevelDB[100])
		}
		near(t, "half-width", a.Half95DB[100]/stat.StdDev(at, nil), want, 6e-4)
	}
	one, err := Mean(seats(rng, 1))
	if err != nil || one.Half95DB != nil || one.SpreadDB[5] != 0 {
		t.Errorf("one seat: half-width %v, %v", one.Half95DB, err)
	}
	if _, err := Mean(nil); err == nil {
		t.Error("no seats are averaged")
	}
	low, high := Curve{make([]float64, Points), 20, 100}, Curve{make([]float64, Points), 200, 20000}
	if _, err := Mean([]Curve{low, high}); err == nil {
		t.Error("seats with nothing in common are averaged")
	}
	if _, err := Mean([]Curve{{LevelDB: make([]float64, 3)}}); err == nil {
		t.Error("a curve off the grid is averaged")
	}
}

// TestGainChangesNothing: the shape and the spread do not know the seats' gains, and the level is that of their mean.
func TestGainChangesNothing(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 6))
	s := seats(rng, 5)
	a, _ := Mean(s)
	s[1], s[4] = s[1].Shift(6), s[4].Shift(-30)
	b, _ := Mean(s)
	for k := range Points {
		near(t, "mean", b.LevelDB[k]-a.LevelDB[k], (6.0-30)/5, 1e-10)
		near(t, "spread", b.SpreadDB[k], a.SpreadDB[k], 1e-10)
	}
	near(t, "offset found", b.OffsetDB[1]-a.OffsetDB[1], 6+24.0/5, 1e-10)
	near(t, "levels' scatter", b.LevelSD, stat.StdDev(b.OffsetDB, nil), 1e-10)
	other, _ := Mean(seats(rng, 5))
	was, is := Difference(a, other).Aligned(), Difference(b, other).Aligned()
	for k, half := range was.Half95DB {
		near(t, "aligned half-width", is.Half95DB[k], half, 1e-9)
	}
}

// TestLevelMovesLittle: a change of 0.1 dB anywhere moves a level, a sensitivity and an aligned difference by 0.1 dB at most,
// wherever a step in the response lies, and the same truth in both ears gives one figure.
func TestLevelMovesLittle(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	step := func(hz float64) Curve {
		return FromFunc(func(f float64) float64 {
			if f > hz {
				return -4
			}
			return 0
		})
	}
	flat := FromFunc(func(float64) float64 { return 0 })
	near(t, "steps a little apart", Level(step(880))-Level(step(910)), 0, 3*4*2.0/207) // three points, no weight above twice the mean
	near(t, "a shift", Level(step(880).Shift(-17))-Level(step(880)), -17, 1e-12)
	ref, _ := Mean([]Curve{flat, flat.Shift(1)})
	difference := func(c Curve) Diff {
		a, err := Mean([]Curve{c, c.Shift(0.5)})
		if err != nil {
			t.Fatal(err)
		}
		return Difference(ref, a)
	}
	for range 100 {
		c := step(200 * math.Pow(20, rng.Float64()))
		moved := c.Shift(0)
		lo := rng.IntN(Points)
		hi := lo + rng.IntN(Points-lo)
		for k := lo; k <= hi; k++ {
			moved.LevelDB[k] += 0.2*rng.Float64() - 0.1
		}
		a, b := difference(c), difference(moved)
		near(t, "level", b.Level.Value, a.Level.Value, 0.1)
		near(t, "sensitivity", Sensitivity(b, a).Value, Sensitivity(a, a).Value, 0.05+1e-12)
		was, is := a.Aligned(), b.Aligned()
		for k := range Points {
			near(t, "aligned difference", is.LevelDB[k]-was.LevelDB[k], moved.LevelDB[k]-c.LevelDB[k], 0.1)
		}
	}
}

// TestSensitivity: the figure for both ears is true in 93 to 97 of 100 cases, whether the levels of a placement's ears move
// together or each by itself, with as many seats on either ear or not.
func TestSensitivity(t *testing.T) {
	rng := rand.New(rand.NewPCG(20, 20))
	flat := FromFunc(func(float64) float64 { return 0 })
	for _, c := range []struct {
		left, right int
		together    bool
	}{{5, 5, false}, {5, 5, true}, {3, 3, false}, {3, 3, true}, {10, 5, false}} {
		held, all := 0, 4000
		for range all {
			side := func() (l, r Average) {
				var ls, rs []Curve
				for i := range max(c.left, c.right) {
					x := rng.NormFloat64()
					y := x
					if !c.together {
						y = rng.NormFloat64()
					}
					if i < c.left {
						ls = append(ls, flat.Shift(x))
					}
					if i < c.right {
						rs = append(rs, flat.Shift(y))
					}
				}
				return levelsOnly(ls), levelsOnly(rs)
			}
			rl, rr := side()
			nl, nr := side()
			e := Sensitivity(levelDiff(rl, nl), levelDiff(rr, nr))
			if math.Abs(e.Value) <= e.Half95() {
				held++
			}
		}
		if s := float64(held) / float64(all); s < 0.935 || s > 0.97 {
			t.Errorf("%+v: %.3f of the intervals hold", c, s)
		}
	}
}

// levelsOnly and levelDiff make what Sensitivity looks at without the work at every point.
func levelsOnly(seats []Curve) Average { return Average{Curve: seats[0], Seats: seats} }

func levelDiff(ref, new Average) Diff {
	return Diff{Curve: Curve{LowHz: LowHz, HighHz: HighHz}, Ref: ref, New: new}
}

func TestOctaveTable(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	swap := FromFunc(func(f float64) float64 {
		if f < 90 {
			return 5
		}
		return 0
	})
	ref := seats(rng, 5)
	var new []Curve
	for _, s := range seats(rng, 5) {
		for k := range s.LevelDB {
			s.LevelDB[k] += swap.LevelDB[k]
		}
		new = append(new, s)
	}
	ra, _ := Mean(ref)
	na, _ := Mean(new)
	d := Difference(ra, na)
	rows := d.Octaves()
	// IEC 61260-1:2014 exact mid-bands, computed from their definition and checked against the printed figures.
	mids := []float64{31.623, 63.096, 125.893, 251.189, 501.187, 1000, 1995.262, 3981.072, 7943.282, 15848.932}
	if len(rows) != 10 {
		t.Fatalf("%d rows", len(rows))
	}
	for i, r := range rows {
		near(t, "mid-band", math.Sqrt(r.LowHz*r.HighHz), mids[i], 6e-4)
		near(t, "edge factor", r.HighHz/mids[i], 1.412538, 1e-4)
		if (i < 2) != (r.Verdict == Real) {
			t.Errorf("%s Hz: %+.2f ± %.2f dB is called %s", r.Label, r.DiffDB, r.Half95DB, r.Verdict)
		}
	}
	near(t, "31.5 Hz", rows[0].DiffDB, 5, 0.5)
	if rows[0].Caution == "" || rows[9].Caution == "" || rows[5].Caution != "" || rows[3].Caution != "" {
		t.Error("cautions stand in the wrong rows")
	}
	near(t, "bass", d.Ranges()[0].DiffDB, 5*math.Log(90.0/20)/math.Log(250.0/20), 0.3)
	near(t, "treble", d.Ranges()[2].DiffDB, 0, 0.3)

	// A louder cushion is more sensitive; alignment takes that off and says so.
	var loud []Curve
	for _, s := range new {
		loud = append(loud, s.Shift(3))
	}
	la, _ := Mean(loud)
	l := Difference(ra, la)
	near(t, "sensitivity", Sensitivity(l).Value, 3, 0.15)
	al := l.Aligned()
	near(t, "aligned", al.Octaves()[5].DiffDB, 0, 0.15)
	near(t, "what was taken off", al.AlignedDB, l.Level.Value, 1e-12)
	near(t, "level after alignment", al.Level.Value, 0, 1e-12)

	one, _ := Mean(ref[:1])
	if v := Difference(one, na).Octaves()[0]; v.Verdict != Unknown || v.HasHalf {
		t.Errorf("a single seat gives the verdict %q", v.Verdict)
	}
	short := Difference(ra, na)
	short.LowHz, short.HighHz = 100, 6000
	if n := len(short.Octaves()); n != 6 {
		t.Errorf("100 Hz to 6 kHz gives %d bands, want 125 Hz to 4 kHz", n)
	}
}

func TestCalibrationAndWarnings(t *testing.T) {
	cal := FromFunc(func(f float64) float64 { return 2 * math.Log10(f) })
	c := FromFunc(func(f float64) float64 { return 70 + 2*math.Log10(f) })
	for _, v := range c.Minus(cal).LevelDB {
		near(t, "calibrated", v, 70, 1e-12)
	}
	narrow := Curve{cal.LevelDB, 50, 12000}
	m := c.Minus(narrow)
	near(t, "range", m.HighHz, 12000, 0)
	if w := m.CouplerWarnings(); len(w) != 2 {
		t.Errorf("50 Hz to 12 kHz: %q", w)
	}
	if w := c.CouplerWarnings(); len(w) != 3 {
		t.Errorf("20 Hz to 20 kHz: %q", w)
	}
	if w := (Curve{cal.LevelDB, 100, 10000}).CouplerWarnings(); len(w) != 0 {
		t.Errorf("100 Hz to 10 kHz: %q", w)
	}
}

func TestLeftAgainstRight(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 11))
	l, r := seats(rng, 5), seats(rng, 5)
	for i := range r {
		r[i] = r[i].Shift(2)
	}
	la, _ := Mean(l)
	ra, _ := Mean(r)
	d := Difference(la, ra)
	near(t, "level", d.Level.Value, 2, 0.2)
	near(t, "1k", d.Octaves()[5].DiffDB, 2, 0.4)
}

// TestBelievable: a detail that every seat shows stays, scatter that no seat shares goes, and the whole is nearer the truth.
func TestBelievable(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 12))
	truth := FromFunc(func(f float64) float64 { return 6 * math.Exp(-math.Pow(math.Log2(f/1000)/0.3, 2)) })
	ref, new := seats(rng, 5), seats(rng, 5)
	for i := range new {
		for k := range Points {
			if grid[k] > 4000 {
				ref[i].LevelDB[k] *= 4
				new[i].LevelDB[k] *= 4
			}
			new[i].LevelDB[k] += truth.LevelDB[k]
		}
	}
	ra, _ := Mean(ref)
	na, _ := Mean(new)
	d := Difference(ra, na)
	b := d.Believable()
	rms := func(v []float64, from, to float64) float64 {
		s := 0.0
		for k := Index(from); k <= Index(to); k++ {
			e := v[k] - truth.LevelDB[k]
			s += e * e
		}
		return math.Sqrt(s / float64(Index(to)-Index(from)+1))
	}
	if got, was := rms(b, 6000, 20000), rms(d.LevelDB, 6000, 20000); got > 0.4*was {
		t.Errorf("scatter above 6 kHz: %.2f dB of %.2f are believed", got, was)
	}
	if got, was := rms(b, 500, 2000), rms(d.LevelDB, 500, 2000); got > 0.9*was {
		t.Errorf("around the true detail: %.2f dB off, as measured %.2f", got, was)
	}
	near(t, "height of the true detail", b[Index(1000)], 6, 0.8)
	one, _ := Mean(ref[:1])
	if d := Difference(one, na); !slices.Equal(d.Believable(), d.LevelDB) {
		t.Error("with a single seat something is disbelieved")
	}
	same := Difference(ra, ra)
	for k, v := range same.Believable() {
		near(t, "nothing", v, 0, 1e-12+math.Abs(same.LevelDB[k]))
	}
}

func BenchmarkMeanAndDifference(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 1))
	r, n := seats(rng, 10), seats(rng, 10)
	for b.Loop() {
		ra, _ := Mean(r)
		na, _ := Mean(n)
		Difference(ra, na).Octaves()
	}
}

func BenchmarkBelievable(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 1))
	ra, _ := Mean(seats(rng, 5))
	na, _ := Mean(seats(rng, 5))
	d := Difference(ra, na)
	for b.Loop() {
		d.Believable()
	}
}
