package loudness

import (
	"math"
	"math/rand/v2"
	"testing"
)

// What this processor runs, against plain Go and against the sections as they are, block by block.
func TestWeighingAgrees(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 6))
	for _, rate := range []float64{44100, 48000, 384000} {
		w, g := newWeighting(rate), newWeighting(rate)
		k := kWeighting(rate)
		var st [2][2][2]float64
		want := 0.0
		for range 200 {
			x := make([]float64, 2*(1+r.IntN(100)))
			for i := range x {
				x[i] = 2*r.Float64() - 1
				v := x[i]
				for j, s := range k {
					q := &st[i&1][j]
					y := s.b0*v + q[0]
					q[0], q[1] = s.b1*v-s.a1*y+q[1], s.b2*v-s.a2*y
					v = y
				}
				want += v * v
			}
			weigh(x, &w)
			weighGo(x, &g)
			for e := range 2 {
				if w.peak != g.peak || math.Abs(w.energy[e]-g.energy[e]) > 1e-9*g.energy[e] {
					t.Fatalf("%g Hz: energy %v, peak %v; plain Go %v, %v", rate, w.energy, w.peak, g.energy, g.peak)
				}
			}
			if got := (w.energy[0] + w.energy[1]) * w.scale; math.Abs(got-want) > 1e-9*want {
				t.Fatalf("%g Hz: energy %g, of the sections %g", rate, got, want)
			}
		}
	}
}

// Without true peak the loudness is the same, whatever is in the signal.
func TestWithoutTruePeak(t *testing.T) {
	x := programme(48000)
	x[70000], x[70003], x[90001], x[120000] = math.NaN(), math.Inf(1), 2e6, -math.MaxFloat64
	m := must(t, 48000)
	q, err := New(48000, WithoutTruePeak())
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		m.Process(x)
		q.Process(x)
		for _, f := range []func(*Meter) float64{(*Meter).MomentaryLUFS, (*Meter).ShortTermLUFS, (*Meter).IntegratedLUFS} {
			if a, b := f(m), f(q); !(math.Abs(a-b) < 1e-9) {
				t.Errorf("%g LUFS, without true peak %g", a, b)
			}
		}
		if m.BadFrames() != 4 || q.BadFrames() != 4 {
			t.Errorf("%d and %d bad frames, wanted 4", m.BadFrames(), q.BadFrames())
		}
		if !math.IsNaN(q.TruePeakDB()) || math.IsNaN(m.TruePeakDB()) {
			t.Errorf("true peaks %g and %g", m.TruePeakDB(), q.TruePeakDB())
		}
		m.Reset()
		q.Reset()
	}
	if n := testing.AllocsPerRun(50, func() { q.Process(x[:2*4801]) }); n != 0 {
		t.Errorf("%g allocations", n)
	}
}
