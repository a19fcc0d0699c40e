package curve

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"cushwright/dsp/testrun"
)

// world makes seats whose truth is known: the cushion's true response, a level of the seat's own, and smooth scatter.
// Everything is invented.
type world struct {
	rng     *rand.Rand
	scatter string  // short, long or growing
	levelSD float64 // dB
}

// scatterKinds are a correlation of a sixth of an octave, one of two octaves, and half an octave with a spread that grows
// from 0.3 dB at 100 Hz by 1.5 dB a decade.
var scatterKinds = []string{"short", "long", "growing"}

// smoothNoise is Gaussian with unit variance and hangs together over so many grid points.
func (w world) smoothNoise(points int) []float64 {
	knots := make([]float64, Points/points+3)
	for i := range knots {
		knots[i] = w.rng.NormFloat64()
	}
	start := w.rng.Float64()
	out := make([]float64, Points)
	for i := range out {
		x := float64(i)/float64(points) + start
		k := int(x)
		a := 0.5 + 0.5*math.Cos(math.Pi*(x-float64(k)))
		b := 1 - a
		out[i] = (a*knots[k] + b*knots[k+1]) / math.Hypot(a, b)
	}
	return out
}

func (w world) seats(truth Curve, n int) []Curve {
	out := make([]Curve, n)
	for s := range out {
		level := w.levelSD * w.rng.NormFloat64()
		points := map[string]int{"short": 8, "long": 96, "growing": 24}[w.scatter]
		noise := w.smoothNoise(points)
		c := truth.Shift(level)
		for k := range c.LevelDB {
			sd := 1.0
			if w.scatter == "growing" {
				sd = max(0.3, 0.3+1.5*math.Log10(grid[k]/100))
			}
			c.LevelDB[k] += sd * noise[k]
		}
		out[s] = c
	}
	return out
}

func (w world) average(truth Curve, n int) Average {
	a, err := Mean(w.seats(truth, n))
	if err != nil {
		panic(err)
	}
	return a
}

// tally counts verdicts on one thing that is judged.
type tally struct{ real, covered, all float64 }

func (t *tally) add(b Band, truth float64) {
	t.all++
	if b.Verdict == Real {
		t.real++
	}
	if math.Abs(b.DiffDB-truth) <= b.Half95DB {
		t.covered++
	}
}

func share(x, all float64) float64 { return 100 * x / all }

// within fails where a share of n trials is outside lo to hi per cent; few trials widen the bounds by three standard errors.
func within(t *testing.T, what string, count, n, lo, hi float64) {
	t.Helper()
	slack := 0.0
	if n < 2000 {
		slack = 3 * 100 * math.Sqrt(0.05*0.95/n)
	}
	if s := share(count, n); s < lo-slack || s > hi+slack {
		t.Errorf("%s: %.1f %% of %g, allowed %g to %g", what, s, n, lo, hi)
	}
}

// TestCalibration: with the same truth on both sides 3 to 7 % of the bands and of the ranges are called real, each for itself,
// and of the wholes; where the truth differs, 93 to 97 % of the intervals hold it. Seats, level scatter, kinds of scatter and
// alignment vary, and so does the number of seats on either side. A change of 1, 2 and 4 dB in one octave is found as often
// as by the plain Welch test of its band levels, less 2 %. With CUSHWRIGHT_LONG=1 a row is 1,000 pairs of two ears.
func TestCalibration(t *testing.T) {
	pairs, seats, levels := 80, []int{3, 5}, []float64{0.8}
	if testrun.Long() {
		pairs, seats, levels = 1000, []int{3, 5, 10}, []float64{0, 0.2, 0.8, 2}
	}
	flat := FromFunc(func(float64) float64 { return 85 })
	swap := FromFunc(func(f float64) float64 {
		return 85 + 4/(1+math.Pow(f/300, 2)) - 3*math.Exp(-math.Pow(math.Log2(f/3000)/0.4, 2))
	})
	t.Log("seats  level  scatter  align | real: least, most of ten bands | ranges | whole | left-right, whole | held: bands, ranges | plot")
	for _, n := range seats {
		for _, levelSD := range levels {
			for _, kind := range scatterKinds {
				for _, align := range []bool{false, true} {
					w := world{rand.New(rand.NewPCG(uint64(n*1000), uint64(levelSD*100)+7)), kind, levelSD}
					calibrate(t, w, n, pairs, align, flat, swap)
				}
			}
		}
	}
}

func calibrate(t *testing.T, w world, n, pairs int, align bool, flat, swap Curve) {
	t.Helper()
	view := func(d Diff) Diff {
		if align {
			return d.Aligned()
		}
		return d
	}
	name := fmt.Sprintf("%5d  %5.1f  %-8s %-5v", n, w.levelSD, w.scatter, align)
	var bands, ranges, sides [13]tally
	var held, heldRanges, whole, sidesWhole, plotted tally
	truth := swap.Minus(flat)
	if align {
		truth = truth.Shift(-levelOf(truth))
	}
	for range pairs {
		var ears, changed []Diff
		var left Average
		for e := range 2 {
			r := w.average(flat, n)
			ears = append(ears, view(Difference(r, w.average(flat, n))))
			changed = append(changed, view(Difference(r, w.average(swap, n))))
			if e == 0 {
				left = r
				continue
			}
			d := view(Difference(left, r))
			for i, b := range d.Octaves() {
				sides[i].add(b, 0)
			}
			sidesWhole.all++
			if Anything(d) < 0.05 {
				sidesWhole.real++
			}
		}
		whole.all++
		if Anything(ears...) < 0.05 {
			whole.real++
		}
		for e := range ears {
			for i, b := range ears[e].Octaves() {
				bands[i].add(b, 0)
			}
			for i, b := range ears[e].Ranges() {
				ranges[i].add(b, 0)
			}
			for _, b := range changed[e].Octaves() {
				held.add(b, meanOver(truth.LevelDB, b.LowHz, b.HighHz))
			}
			for _, b := range changed[e].Ranges() {
				heldRanges.add(b, meanOver(truth.LevelDB, b.LowHz, b.HighHz))
			}
			half, line, want := changed[e].SmoothedHalf95DB(12), changed[e].Smooth(12).LevelDB, truth.Smooth(12).LevelDB
			for k := 0; k < Points; k += 40 {
				plotted.all++
				if math.Abs(line[k]-want[k]) <= half[k] {
					plotted.covered++
				}
			}
		}
	}
	least, most := 100.0, 0.0
	for i, b := range bands[:10] {
		within(t, fmt.Sprintf("%s band %d: real", name, i), b.real, b.all, 3, 7)
		within(t, fmt.Sprintf("%s left against right, band %d: real", name, i), sides[i].real, sides[i].all, 3, 7)
		least, most = min(least, share(b.real, b.all)), max(most, share(b.real, b.all))
	}
	line := fmt.Sprintf("%s | %4.1f %4.1f |", name, least, most)
	for i, r := range ranges[:3] {
		within(t, fmt.Sprintf("%s range %d: real", name, i), r.real, r.all, 3, 7)
		line += fmt.Sprintf(" %4.1f", share(r.real, r.all))
	}
	within(t, name+" whole: real", whole.real, whole.all, 3, 7)
	within(t, name+" left against right, whole: real", sidesWhole.real, sidesWhole.all, 3, 7)
	within(t, name+" bands held", held.covered, held.all, 93, 97)
	within(t, name+" ranges held", heldRanges.covered, heldRanges.all, 93, 97)
	within(t, name+" plotted band", plotted.covered, plotted.all, 93, 97)
	t.Logf("%s | %4.1f %4.1f | %4.1f %4.1f | %4.1f", line, share(whole.real, whole.all), share(sidesWhole.real, sidesWhole.all),
		share(held.covered, held.all), share(heldRanges.covered, heldRanges.all), share(plotted.covered, plotted.all))
}

// meanOver is the test's own mean over log frequency.
func meanOver(v []float64, lowHz, highHz float64) float64 {
	sum, n := 0.0, 0.0
	for k, f := range grid {
		if f >= lowHz*0.9928 && f <= highHz*1.0072 { // half a step of 1/48 octave
			sum, n = sum+v[k], n+1
		}
	}
	return sum / n
}

// levelOf is the test's own level: the integral over log frequency from 200 Hz to 4 kHz under a raised cosine.
func levelOf(c Curve) float64 {
	sum, norm := 0.0, 0.0
	for k, f := range grid {
		if x := math.Log(f/200) / math.Log(20); x >= 0 && x <= 1 {
			w := math.Pow(math.Sin(math.Pi*x), 2)
			sum, norm = sum+w*c.LevelDB[k], norm+w
		}
	}
	return sum / norm
}

// plainWelch is the textbook test: unequal variances, Satterthwaite's degrees of freedom.
func plainWelch(a, b []float64) bool {
	stat := func(v []float64) (m, q, n float64) {
		n = float64(len(v))
		for _, x := range v {
			m += x / n
		}
		for _, x := range v {
			q += (x - m) * (x - m) / (n - 1) / n
		}
		return
	}
	ma, qa, na := stat(a)
	mb, qb, nb := stat(b)
	nu := (qa + qb) * (qa + qb) / (qa*qa/(na-1) + qb*qb/(nb-1))
	return math.Abs(ma-mb) > (distuv.StudentsT{Mu: 0, Sigma: 1, Nu: nu}).Quantile(0.975)*math.Sqrt(qa+qb)
}

// TestDetection: a change of 1, 2 or 4 dB in the octave about 1 kHz is found as often as the plain Welch test finds it.
func TestDetection(t *testing.T) {
	pairs, seats := 100, []int{5}
	if testrun.Long() {
		pairs, seats = 1000, []int{3, 5, 10}
	}
	flat := FromFunc(func(float64) float64 { return 85 })
	t.Log("seats  level  scatter | found of 1, 2, 4 dB: plain Welch | as measured | aligned")
	for _, n := range seats {
		for _, levelSD := range []float64{0, 0.8, 2} {
			for _, kind := range scatterKinds {
				w := world{rand.New(rand.NewPCG(uint64(n), uint64(levelSD*10)+90)), kind, levelSD}
				var line [3]strings.Builder
				for _, db := range []float64{1, 2, 4} {
					change := FromFunc(func(f float64) float64 {
						if f > 708 && f < 1412 {
							return 85 + db
						}
						return 85
					})
					var found [3]float64
					for range pairs {
						r, c := w.seats(flat, n), w.seats(change, n)
						levels := func(s []Curve) (out []float64) {
							for _, x := range s {
								out = append(out, meanOver(x.LevelDB, 708, 1412))
							}
							return
						}
						ra, _ := Mean(r)
						ca, _ := Mean(c)
						d := Difference(ra, ca)
						plain := plainWelch(levels(r), levels(c))
						for i, hit := range []bool{plain, d.Octaves()[5].Verdict == Real, d.Aligned().Octaves()[5].Verdict == Real} {
							if hit {
								found[i]++
							}
						}
					}
					for i := range found {
						fmt.Fprintf(&line[i], " %5.1f", share(found[i], float64(pairs)))
					}
					if found[1] < found[0]-0.02*float64(pairs) {
						t.Errorf("%d seats, level %g, %s: %g dB found %g times, by the plain test %g", n, levelSD, kind, db, found[1], found[0])
					}
				}
				t.Logf("%5d  %5.1f  %-8s |%s |%s |%s", n, levelSD, kind, line[0].String(), line[1].String(), line[2].String())
			}
		}
	}
}
