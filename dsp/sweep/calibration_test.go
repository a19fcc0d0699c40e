package sweep

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// calibrationSeat is a seat of a flat cushion: a level of its own and scatter that hangs together over a sixth of an octave,
// two octaves, or half an octave with a spread that grows from 0.3 dB at 100 Hz by 1.5 dB a decade. Invented.
func calibrationSeat(rng *rand.Rand, kind string, levelSD float64) []float64 {
	perOctave := map[string]float64{"short": 6, "long": 0.5, "growing": 2}[kind]
	knots := make([]float64, int(10*perOctave)+4)
	for i := range knots {
		knots[i] = rng.NormFloat64()
	}
	start, level := rng.Float64(), levelSD*rng.NormFloat64()
	out := make([]float64, gridPoints)
	for i, f := range Grid() {
		u := math.Log2(f/20)*perOctave + start
		k := int(u)
		w := 0.5 - 0.5*math.Cos(math.Pi*(u-float64(k)))
		sd := 1.0
		if kind == "growing" {
			sd = max(0.3, 0.3+1.5*math.Log10(f/100))
		}
		out[i] = level + sd*(knots[k]*(1-w)+knots[k+1]*w)/math.Hypot(1-w, w)
	}
	return out
}

// TestProveIsCalibrated: where a correction leaves nothing, or a cushion has not aged, 93 to 97 % of the octaves' intervals hold
// that; an octave is called missed, or what is left more than scatter, in at most 7 of 100 cases each; and the chance that
// judges both together, by which a cushion has drifted or not, is below 5 % in at most 7 of 100. With CUSHWRIGHT_LONG=1 a row
// is 3,000 pairs.
func TestProveIsCalibrated(t *testing.T) {
	trials := count(40, 100, 3000)
	t.Log("seats  level  scatter | intervals held, least of the octaves | missed | beyond scatter | together")
	for _, n := range []int{3, 5, 10} {
		for _, levelSD := range []float64{0, 0.8, 2} {
			for _, kind := range []string{"short", "long", "growing"} {
				rng := rand.New(rand.NewPCG(uint64(n), uint64(10*levelSD)+300))
				held, missed, beyond, together := map[float64]int{}, 0, 0, 0
				for range trials {
					var a, b [][]float64
					for range n {
						a, b = append(a, calibrationSeat(rng, kind, levelSD)), append(b, calibrationSeat(rng, kind, levelSD))
					}
					p, err := Prove(Grid(), a, nil, b)
					if err != nil {
						t.Fatal(err)
					}
					for _, o := range p.Octaves {
						if math.Abs(o.AfterDB) <= o.AfterHalfDB {
							held[o.MidHz]++
						}
					}
					if p.Outcome == Missed {
						missed++
					}
					if !p.WithinScatter {
						beyond++
					}
					if p.P < 0.05 {
						together++
					}
				}
				least, most := 1.0, 0.0
				pc := func(k int) float64 { return float64(k) / float64(trials) }
				for _, k := range held {
					least, most = min(least, pc(k)), max(most, pc(k))
				}
				t.Logf("%5d  %5.1f  %-8s | %4.1f %4.1f | %4.1f | %4.1f | %4.1f", n, levelSD, kind, 100*least, 100*most, 100*pc(missed), 100*pc(beyond), 100*pc(together))
				slack := 0.0
				if trials < 3000 {
					slack = 4 * math.Sqrt(0.05*0.95/float64(trials))
				}
				what := fmt.Sprintf("%d seats, level %g dB, %s scatter", n, levelSD, kind)
				if least < 0.93-slack || most > 0.97+slack {
					t.Errorf("%s: %.3f to %.3f of an octave's intervals hold", what, least, most)
				}
				if pc(missed) > 0.07+slack || pc(beyond) > 0.07+slack || pc(together) > 0.07+slack {
					t.Errorf("%s: missed %.3f, beyond scatter %.3f, together %.3f", what, pc(missed), pc(beyond), pc(together))
				}
			}
		}
	}
}
