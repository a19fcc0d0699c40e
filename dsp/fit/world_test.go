package fit

import (
	"math"
	"math/rand/v2"
	"testing"

	"cushwright/dsp"
	"cushwright/dsp/curve"
)

// The world that the estimate is judged in: cushions whose truth is known, made with nothing of the code under test.

// lump is a bump in dB, octaves wide (standard deviation).
type lump struct{ hz, db, octaves float64 }

func (l lump) at(octave float64) float64 { // octaves above 20 Hz
	x := (octave - math.Log2(l.hz/20)) / l.octaves
	return l.db * math.Exp(-x*x/2)
}

// dip is a null of one cushion; moveOctaves is how far (standard deviation) a seat moves it.
type dip struct {
	lump
	moveOctaves float64
}

// scatterKind says how seats differ.
type scatterKind struct {
	name    string
	sdDB    func(hz float64) float64
	octaves []float64 // lengths over which it hangs together, equal shares of the variance
	bassDB  float64   // standard deviation of a lift of everything below 80 Hz
	levelDB float64   // standard deviation of a seat's own level
}

// growing is a scatter of that many dB to 7 kHz that grows to times as much at 20 kHz.
func growing(db, times float64) func(float64) float64 {
	return func(hz float64) float64 {
		x := max(0, math.Log(hz/7000)/math.Log(20000./7000))
		return db * (1 + (times-1)*x)
	}
}

var (
	usualScatter = scatterKind{"0.35 dB to 7 kHz, growing to 2.1", growing(0.35, 6), []float64{0.15, 0.8}, 0, 0.5}
	shortScatter = scatterKind{"short, 0.5 dB, growing to 2", growing(0.5, 4), []float64{0.08}, 0, 0.5}
	longScatter  = scatterKind{"long, 0.7 dB, growing to 2.1", growing(0.7, 3), []float64{1.5}, 0.5, 1}
	roughScatter = scatterKind{"rough, 1 dB, growing to 4", growing(1, 4), []float64{0.12, 1}, 1.5, 1}
)

// world is one pair of cushions on one pair of ears.
type world struct {
	kind    string
	scatter scatterKind
	shape   []float64    // new − reference, both ears, without nulls
	ears    [2][]float64 // what an ear adds of its own
	dips    []dip        // of the new cushion
	rng     *rand.Rand
}

const worldPoints = 481

// octaveOf is the position of a point in octaves above 20 Hz; ten octaves are thrice a decade here.
func octaveOf(k int) float64 { return float64(k) * math.Log2(1000) / (worldPoints - 1) }

func hertz(octave float64) float64 { return 20 * math.Exp2(octave) }

var worldKinds = []string{"smooth", "nulls that move", "nulls that stand still"}

// newWorld invents a pair; the same seed gives the same.
func newWorld(kind string, s scatterKind, seed uint64) *world {
	rng := rand.New(rand.NewPCG(seed, 0xc0ffee))
	between := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	sign := func(x float64) float64 { return math.Copysign(x, rng.Float64()-0.5) }
	w := &world{kind: kind, scatter: s, shape: make([]float64, worldPoints), rng: rng}
	var parts []lump
	for range 3 + rng.IntN(3) {
		parts = append(parts, lump{hertz(between(0.5, 7.3)), sign(between(1, 5)), between(0.35, 1.1)})
	}
	for range 2 + rng.IntN(3) {
		parts = append(parts, lump{hertz(between(7, 9.6)), sign(between(1, 4)), between(0.12, 0.35)})
	}
	shelf, corner, slope := sign(between(2, 6)), between(80, 500), between(1.2, 2.5)
	for k := range w.shape {
		w.shape[k] = shelf / (1 + math.Pow(hertz(octaveOf(k))/corner, slope))
		for _, p := range parts {
			w.shape[k] += p.at(octaveOf(k))
		}
	}
	own := []lump{{hertz(between(1, 6)), between(-0.5, 0.5), between(0.5, 1)}, {hertz(between(7, 9)), between(-1, 1), between(0.15, 0.4)}}
	for e := range w.ears {
		w.ears[e] = make([]float64, worldPoints)
		for k := range w.ears[e] {
			for _, p := range own {
				w.ears[e][k] += p.at(octaveOf(k)) * float64(1-2*e)
			}
		}
	}
	nulls := 1 + rng.IntN(2)
	for i := range nulls {
		hz := hertz(between(7.4, 9.0) + 0.2*float64(i))
		switch kind {
		case "nulls that move":
			w.dips = append(w.dips, dip{lump{hz, between(-12, -6), between(0.04, 0.08)}, between(0.07, 0.2)})
		case "nulls that stand still":
			w.dips = append(w.dips, dip{lump{hz, between(-8, -4), between(0.05, 0.1)}, 0})
		}
	}
	return w
}

// wantDB is the truth: reference − new, the mean over all seats there could be; ear 0 or 1, or −1 for their mean.
func (w *world) wantDB(ear int) []float64 {
	out := make([]float64, worldPoints)
	for k := range out {
		out[k] = -w.shape[k]
		for _, d := range w.dips {
			// A Gaussian moved by a Gaussian is a wider and shallower one.
			o := math.Hypot(d.octaves, d.moveOctaves)
			out[k] -= lump{d.hz, d.db * d.octaves / o, o}.at(octaveOf(k))
		}
		if ear >= 0 {
			out[k] -= w.ears[ear][k]
		}
	}
	return out
}

// weights are those of the true scatter of a difference, with a floor of 1 dB; they sum to 1.
func (w *world) weights() []float64 {
	out := make([]float64, worldPoints)
	sum := 0.0
	for k := range out {
		s := w.scatter.sdDB(hertz(octaveOf(k)))
		b := w.scatter.bassDB / (1 + math.Pow(hertz(octaveOf(k))/80, 8))
		v := 2*s*s + 2*b*b + 1
		for _, d := range w.dips { // the variance of a moved Gaussian
			o, square := math.Hypot(d.octaves, d.moveOctaves), math.Hypot(d.octaves/math.Sqrt2, d.moveOctaves)
			m := lump{d.hz, d.db * d.octaves / o, o}.at(octaveOf(k))
			v += lump{d.hz, d.db * d.db * d.octaves / math.Sqrt2 / square, square}.at(octaveOf(k)) - m*m
		}
		out[k] = 1 / v
		sum += out[k]
	}
	for k := range out {
		out[k] /= sum
	}
	return out
}

// noise is Gaussian, of unit variance, and hangs together over about that many octaves: white noise through a Gaussian window.
func (w *world) noise(octaves float64) []float64 {
	step := math.Log2(1000) / (worldPoints - 1)
	sd := octaves / 2 / step
	half := int(4*sd) + 1
	white := make([]float64, worldPoints+2*half)
	for i := range white {
		white[i] = w.rng.NormFloat64()
	}
	win := make([]float64, 2*half+1)
	norm := 0.0
	for i := range win {
		x := float64(i-half) / sd
		win[i] = math.Exp(-x * x / 2)
		norm += win[i] * win[i]
	}
	norm = math.Sqrt(norm)
	out := make([]float64, worldPoints)
	for k := range out {
		for i, g := range win {
			out[k] += g * white[k+i]
		}
		out[k] /= norm
	}
	return out
}

// seat is one seat of the reference (new false) or the new cushion.
func (w *world) seat(ear int, isNew bool) curve.Curve {
	v := make([]float64, worldPoints)
	parts := make([][]float64, 0, len(w.scatter.octaves))
	for _, o := range w.scatter.octaves {
		parts = append(parts, w.noise(o))
	}
	bass, level := w.rng.NormFloat64()*w.scatter.bassDB, w.rng.NormFloat64()*w.scatter.levelDB
	moved := make([]lump, len(w.dips))
	for i, d := range w.dips {
		moved[i] = d.lump
		moved[i].hz *= math.Exp2(w.rng.NormFloat64() * d.moveOctaves)
	}
	for k := range v {
		hz := hertz(octaveOf(k))
		v[k] = 80 + 6*math.Sin(octaveOf(k)) + level + bass/(1+math.Pow(hz/80, 8)) // cancels
		for _, p := range parts {
			v[k] += w.scatter.sdDB(hz) * p[k] / math.Sqrt(float64(len(parts)))
		}
		if isNew {
			v[k] += w.shape[k] + w.ears[ear][k]
			for _, m := range moved {
				v[k] += m.at(octaveOf(k))
			}
		}
	}
	return curve.Curve{LevelDB: v, LowHz: curve.LowHz, HighHz: curve.HighHz}
}

// diff measures n seats of each cushion on one ear.
func (w *world) diff(t testing.TB, ear, n int) curve.Diff {
	t.Helper()
	var ref, new []curve.Curve
	for range n {
		ref, new = append(ref, w.seat(ear, false)), append(new, w.seat(ear, true))
	}
	return curve.Difference(mustMean(t, ref...), mustMean(t, new...))
}

// target is what derive makes of n seats a cushion and ear, on one ear or on both together; truth is what it should be.
func (w *world) target(t testing.TB, ears, n int) (tg Target, truth []float64) {
	t.Helper()
	if ears == 1 {
		return TargetOf(dsp.Both, w.diff(t, 0, n)), w.wantDB(0)
	}
	tg, err := Together(TargetOf(dsp.Left, w.diff(t, 0, n)), TargetOf(dsp.Right, w.diff(t, 1, n)))
	if err != nil {
		t.Fatal(err)
	}
	return tg, w.wantDB(-1)
}

// errorDB is how far a response is from the truth: weighted RMS, level aside.
func errorDB(resp, truth, weight []float64) float64 {
	m, s := 0.0, 0.0
	for i, x := range weight {
		m += x * (resp[i] - truth[i])
	}
	for i, x := range weight {
		d := resp[i] - truth[i] - m
		s += x * d * d
	}
	return math.Sqrt(s)
}
