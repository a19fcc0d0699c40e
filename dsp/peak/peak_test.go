package peak

import (
	"math"
	"math/rand/v2"
	"testing"
)

func meter(t testing.TB, rateHz float64) *Meter {
	t.Helper()
	m, err := New(rateHz)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func stereo(frames int, f func(i int) (l, r float64)) []float64 {
	x := make([]float64, 2*frames)
	for i := range frames {
		x[2*i], x[2*i+1] = f(i)
	}
	return x
}

// TestTruePeak: the true-peak signals of EBU Tech 3341 at 48 kHz, with 10 ms fades; allowed: +0.2/−0.4 dB.
func TestTruePeak(t *testing.T) {
	for _, c := range []struct {
		part, degrees, peak, want float64
	}{{4, 0, .5, -6}, {4, 45, .5, -6}, {6, 60, .5, -6}, {8, 67.5, .5, -6}, {4, 45, 1.41, 3}} {
		for ear := range 2 {
			const n = 48000
			m := meter(t, 48000)
			m.Process(stereo(n, func(i int) (float64, float64) {
				fade := min(1, float64(i)/480, float64(n-i)/480)
				x := fade * c.peak * math.Sin(2*math.Pi*float64(i)/c.part+c.degrees*math.Pi/180)
				if ear == 1 {
					return 0, x
				}
				return x, 0
			}))
			got := 20 * math.Log10(m.Largest())
			if got > c.want+.2 || got < c.want-.4 {
				t.Errorf("fs/%g at %g degrees, ear %d: %.3f dBTP, want %g", c.part, c.degrees, ear, got, c.want)
			}
		}
	}
}

func noise(frames int) []float64 {
	r := rand.New(rand.NewPCG(4, 4))
	return stereo(frames, func(i int) (float64, float64) {
		g := []float64{.5, .02, .3, 0}[i/7000%4]
		return g * (2*r.Float64() - 1), g * (2*r.Float64() - 1)
	})
}

// TestSplits: however the signal comes in, the readings are the same, and Reset begins anew.
func TestSplits(t *testing.T) {
	x := noise(60000)
	whole := meter(t, 48000)
	whole.Process(x)
	r := rand.New(rand.NewPCG(5, 5))
	m := meter(t, 48000)
	for range 3 {
		for rest := x; len(rest) > 0; {
			n := min(len(rest), 2*(1+r.IntN(700)))
			m.Process(rest[:n])
			rest = rest[n:]
		}
		if m.Recent() != whole.Recent() || m.Largest() != whole.Largest() {
			t.Fatalf("in pieces %v %v, at once %v %v", m.Recent(), m.Largest(), whole.Recent(), whole.Largest())
		}
		m.Reset()
	}
}

// TestWhatIsPassedOver: interpolating everything gives the same.
func TestWhatIsPassedOver(t *testing.T) {
	x := noise(60000)
	m, all := meter(t, 48000), meter(t, 48000)
	m.Process(x)
	most := 0.0
	for at := 0; at+64 <= len(x); at += 64 {
		all.now = 0 // nothing is below it
		all.Process(x[at : at+64])
		most = max(most, float64(all.now))
	}
	if m.Largest() != most {
		t.Errorf("%v, with all interpolated %v", m.Largest(), most)
	}
}

// TestRecent: a peak is shown for 0.25 to 0.5 s; the largest stays.
func TestRecent(t *testing.T) {
	m := meter(t, 48000)
	quiet := stereo(480, func(int) (float64, float64) { return .01, -.01 })
	loud := stereo(480, func(i int) (float64, float64) { return .8 * math.Sin(float64(i)/20), 0 })
	for range 7 {
		m.Process(quiet)
	}
	m.Process(loud)
	shown := 0
	for ; m.Recent() > .5; shown++ {
		m.Process(quiet)
	}
	if s := float64(shown) / 100; s < .24 || s > .51 {
		t.Errorf("shown for %.2f s", s)
	}
	if m.Recent() > .02 || m.Largest() < .79 || m.Largest() > .9 {
		t.Errorf("recent %v, largest %v", m.Recent(), m.Largest())
	}
}

func TestBadSamples(t *testing.T) {
	m := meter(t, 48000)
	x := stereo(4096, func(i int) (float64, float64) {
		switch i % 97 {
		case 0:
			return math.NaN(), .1
		case 1:
			return .1, math.Inf(1)
		case 2:
			return -1e9, 0
		}
		return .1, -.1
	})
	m.Process(x)
	if got := m.Largest(); !(got >= .1 && got < .3) {
		t.Errorf("largest %v", got)
	}
	if n := testing.AllocsPerRun(20, func() { m.Process(x) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
	for _, rate := range []float64{0, 44099, 384001, math.NaN()} {
		if _, err := New(rate); err == nil {
			t.Errorf("%g Hz was taken", rate)
		}
	}
}

func BenchmarkMeter(b *testing.B) {
	r := rand.New(rand.NewPCG(6, 6))
	x := stereo(512, func(int) (float64, float64) { return .2 * r.NormFloat64(), .2 * r.NormFloat64() })
	m := meter(b, 48000)
	for b.Loop() {
		m.Process(x)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/512, "ns/frame")
}
