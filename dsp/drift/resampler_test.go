package drift

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// sineAt is frames of a stereo sine of amplitude 0.5, starting at frame from; the right ear has the cosine.
func sineAt(freqHz, rateHz float64, from, frames int) []float64 {
	x := make([]float64, 2*frames)
	for i := range frames {
		s, c := math.Sincos(2 * math.Pi * freqHz / rateHz * float64(from+i))
		x[2*i], x[2*i+1] = 0.5*s, 0.5*c
	}
	return x
}

// steady runs a sine through a resampler whose ratio has settled and returns the output from then on.
func steady(r *Resampler, freqHz, rateHz float64, frames int) []float64 {
	settle := glideFrames + 2*taps
	n := r.Need(settle)
	dst := make([]float64, 2*settle)
	r.Process(dst, sineAt(freqHz, rateHz, 0, n))
	m := r.Need(frames)
	dst = make([]float64, 2*frames)
	r.Process(dst, sineAt(freqHz, rateHz, n, m))
	return dst
}

// fit returns the amplitude of the sine of w radians a frame in one ear and the power of the rest relative to it, in dB.
func fit(x []float64, ear int, w float64) (amp, restDB float64) {
	var ss, cc, sc, sx, cx float64
	n := len(x) / 2
	for i := range n {
		s, c := math.Sincos(w * float64(i))
		ss, cc, sc = ss+s*s, cc+c*c, sc+s*c
		sx, cx = sx+s*x[2*i+ear], cx+c*x[2*i+ear]
	}
	det := ss*cc - sc*sc
	a, b := (sx*cc-cx*sc)/det, (cx*ss-sx*sc)/det
	rest := 0.0
	for i := range n {
		s, c := math.Sincos(w * float64(i))
		d := x[2*i+ear] - a*s - b*c
		rest += d * d
	}
	amp = math.Hypot(a, b)
	return amp, 10 * math.Log10(rest/float64(n)/(amp*amp/2))
}

func TestDistortionAndGain(t *testing.T) {
	const rate = 48000
	for _, ppm := range []float64{200, -200, 1000, -37.3} {
		for _, c := range []struct{ freqHz, limitDB float64 }{{20, -120}, {1000, -120}, {5000, -120}, {10000, -115}, {18000, -110}} {
			r := New(4096)
			r.SetRatio(1 + ppm*1e-6)
			y := steady(r, c.freqHz, rate, 30000) // 200 ppm: six input frames of phase, every table row
			for ear := range 2 {
				amp, rest := fit(y, ear, 2*math.Pi*c.freqHz/rate*r.Ratio())
				gain := 20 * math.Log10(amp/0.5)
				if ear == 0 {
					t.Logf("%+6g ppm %6g Hz: THD+N %.1f dB, gain %+.6f dB", ppm, c.freqHz, rest, gain)
				}
				if rest > c.limitDB {
					t.Errorf("%+g ppm %g Hz: THD+N %.1f dB, limit %g", ppm, c.freqHz, rest, c.limitDB)
				}
				if math.Abs(gain) > 0.001 {
					t.Errorf("%+g ppm %g Hz: gain %.5f dB", ppm, c.freqHz, gain)
				}
			}
		}
	}
}

// While the ratio glides, a sine's phase stays smooth: against a sine of the exact instantaneous phase the rest is small.
func TestGlideIsClean(t *testing.T) {
	const freq, rate, frames = 10000.0, 48000.0, 12000
	r := New(1024)
	dst := make([]float64, 0, 2*frames)
	pos, from := 0.0, 0
	var phase []float64
	for i := 0; i < frames; i += 100 {
		switch i {
		case 1000:
			r.SetRatio(1.0003)
		case 4000:
			r.SetRatio(0.9995)
		case 5000: // in mid-glide
			r.SetRatio(1.00001)
		}
		n := r.Need(100)
		out := make([]float64, 200)
		probe := *r
		for range 100 { // the position by its definition, one frame at a time
			before := probe.frac
			used := probe.Need(1)
			one := make([]float64, 2)
			probe.buf = make([]float64, 2*(taps+probe.room))
			probe.Process(one, make([]float64, 2*used))
			pos += float64(used) + float64(probe.frac-before)/float64(unit)
			phase = append(phase, pos)
		}
		if got := r.Process(out, sineAt(freq, rate, from, n)); got != n {
			t.Fatalf("used %d of %d", got, n)
		}
		from += n
		dst = append(dst, out...)
	}
	worst := 0.0
	for i := 2 * taps; i < frames; i++ {
		want := 0.5 * math.Sin(2*math.Pi*freq/rate*(phase[i]-1-taps/2))
		worst = max(worst, math.Abs(dst[2*i]-want))
	}
	t.Logf("largest error %.1f dB", 20*math.Log10(worst/0.5))
	if worst > 0.5*1e-5 {
		t.Errorf("largest error %.1f dB", 20*math.Log10(worst/0.5))
	}
}

// At ratio one the resampler is a bit-exact delay of LagFrames.
func TestUnityIsExact(t *testing.T) {
	r := New(512)
	rnd := rand.New(rand.NewPCG(1, 1))
	x := make([]float64, 2*5000)
	for i := range x {
		x[i] = rnd.Float64() - 0.5
	}
	y := make([]float64, len(x))
	if used := r.Process(y, x); used != 5000 {
		t.Fatalf("used %d frames", used)
	}
	d := 2 * r.LagFrames()
	for i := range y {
		want := 0.0
		if i >= d {
			want = x[i-d]
		}
		if y[i] != want {
			t.Fatalf("frame %d: %g, wanted %g", i/2, y[i], want)
		}
	}
}

// LagFrames holds at other ratios too, to a fraction of a frame: the phase of a low sine tells.
func TestLag(t *testing.T) {
	r := New(512)
	r.SetRatio(1 + 100e-6)
	total := 0
	in, out := sineAt(100, 48000, 0, 6000), make([]float64, 2*5000)
	total = r.Process(out, in)
	last := out[2*4999:]
	got := math.Atan2(last[0], last[1]) / (2 * math.Pi * 100 / 48000)
	want := math.Mod(float64(total-1-r.LagFrames())+float64(r.frac)/float64(unit), 480)
	if d := math.Remainder(got-want, 480); math.Abs(d) > 1e-4 {
		t.Errorf("%.6f frames off", d)
	}
}

func TestRatioIsHeld(t *testing.T) {
	for _, c := range [][2]float64{{2, 1.001}, {0, 0.999}, {math.Inf(1), 1.001}, {1.0002, 1.0002}} {
		r := New(512)
		r.SetRatio(c[0])
		r.Process(make([]float64, 2*glideFrames), make([]float64, 2*3000))
		if math.Abs(r.Ratio()-c[1]) > 1e-14 {
			t.Errorf("SetRatio(%g) came to %.9f, wanted %g", c[0], r.Ratio(), c[1])
		}
		r.SetRatio(math.NaN())
		r.Process(make([]float64, 2*glideFrames), make([]float64, 2*3000))
		if math.Abs(r.Ratio()-c[1]) > 1e-14 {
			t.Errorf("NaN moved the ratio to %g", r.Ratio())
		}
	}
}

// Need is exact, splits make no difference, Reset starts afresh, nothing is allocated.
func TestConform(t *testing.T) {
	rnd := rand.New(rand.NewPCG(3, 3))
	x := make([]float64, 2*20100)
	for i := range x {
		x[i] = rnd.Float64() - 0.5
	}
	ratios := map[int]float64{100: 1.0005, 2500: 1.0001, 3000: 0.9991, 9000: 1, 15000: 1.001}
	run := func(r *Resampler, size func() int) []float64 {
		out := make([]float64, 0, 40000)
		src := x
		for n := 0; n < 20000; {
			if v, ok := ratios[n]; ok {
				r.SetRatio(v)
			}
			k := min(size(), 20000-n)
			for at := range ratios {
				if at > n {
					k = min(k, at-n)
				}
			}
			dst := make([]float64, 2*k)
			need := r.Need(k)
			if used := r.Process(dst, src[:2*need]); used != need {
				t.Fatalf("needed %d, used %d", need, used)
			}
			src = src[2*need:]
			out = append(out, dst...)
			n += k
		}
		return out
	}
	want := run(New(9000), func() int { return 100000 })
	r := New(300)
	for range 10 {
		got := run(r, func() int { return 1 + rnd.IntN(600) })
		for i := range got {
			if got[i] != want[i] {
				t.Fatalf("frame %d is %g, in other blocks %g", i/2, got[i], want[i])
			}
		}
		r.Reset()
	}
	r.SetRatio(1.0004)
	dst := make([]float64, 2*480)
	if n := testing.AllocsPerRun(100, func() { r.Process(dst, x[:2*r.Need(480)]) }); n != 0 {
		t.Errorf("%g allocations", n)
	}
}

// NaN and Inf count as silence; too short a source too.
func TestBadInput(t *testing.T) {
	r := New(512)
	r.SetRatio(1.0005)
	x := sineAt(1000, 48000, 0, 3000)
	x[400], x[601], x[602] = math.NaN(), math.Inf(1), math.Inf(-1)
	y := make([]float64, 2*2500)
	r.Process(y, x)
	for i, v := range y {
		if v-v != 0 {
			t.Fatalf("frame %d is %g", i/2, v)
		}
	}
	used := r.Process(y, x[:2*100])
	if used != 100 {
		t.Errorf("used %d of 100", used)
	}
	for i := 2 * (100 + 2*taps); i < len(y); i++ {
		if y[i] != 0 {
			t.Fatalf("frame %d is %g after the source ended", i/2, y[i])
		}
	}
}

func BenchmarkResampler(b *testing.B) {
	for _, c := range []struct {
		name  string
		ratio float64
	}{{"unity", 1}, {"200 ppm", 1.0002}} {
		b.Run(c.name, func(b *testing.B) {
			r := New(512)
			r.SetRatio(c.ratio)
			x := sineAt(1000, 48000, 0, 300)
			y := make([]float64, 2*256)
			for range 16 { // past the glide
				r.Process(y, x[:2*r.Need(256)])
			}
			least := time.Duration(math.MaxInt64) // a busy machine disturbs it little
			for b.Loop() {
				t := time.Now()
				for range 4 {
					r.Process(y, x[:2*r.Need(256)])
				}
				least = min(least, time.Since(t))
			}
			b.ReportMetric(float64(least.Nanoseconds())/4/256, "ns/frame")
		})
	}
}
