package guard_test

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"
	"time"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/dsp/window"

	"cushwright/dsp"
	"cushwright/dsp/guard"
	"cushwright/dsp/internal/conform"
)

var _ dsp.Processor = (*guard.Guard)(nil)

var (
	rates      = []float64{44100, 48000, 96000, 192000, 384000}
	lookAheads = []float64{guard.DefaultLookAheadS, guard.LeastLookAheadS}
)

// eachLookAhead runs f for all of them.
func eachLookAhead(t *testing.T, f func(t *testing.T, ahead guard.Option, seconds float64)) {
	for _, s := range lookAheads {
		t.Run(fmt.Sprintf("%g ms", 1000*s), func(t *testing.T) { f(t, guard.WithLookAhead(s), s) })
	}
}

func TestConform(t *testing.T) {
	eachLookAhead(t, func(t *testing.T, ahead guard.Option, _ float64) {
		for _, rate := range rates {
			for _, level := range []float64{0.2, 0.5, 3} { // idle, now and then, always at work
				if level != 3 && rate != 48000 {
					continue
				}
				conform.Run(t, fmt.Sprintf("%g Hz level %g", rate, level),
					func() dsp.Processor { return must(t, rate, -1, ahead) }, conform.Level(level))
			}
		}
	})
}

func must(t testing.TB, rate, ceiling float64, opts ...guard.Option) *guard.Guard {
	t.Helper()
	g, err := guard.New(rate, ceiling, opts...)
	if err != nil {
		t.Fatal(err)
	}
	return g
}

func TestNewRefuses(t *testing.T) {
	for _, c := range [][2]float64{{44000, -1}, {400e3, -1}, {math.NaN(), -1}, {48e3, 0.1}, {48e3, -21}, {48e3, math.NaN()}} {
		if _, err := guard.New(c[0], c[1]); err == nil {
			t.Errorf("rate %g, ceiling %g accepted", c[0], c[1])
		}
	}
	for _, s := range []float64{0, -0.001, 0.0009, 0.0021, math.NaN(), math.Inf(1)} {
		if _, err := guard.New(48e3, -1, guard.WithLookAhead(s)); err == nil {
			t.Errorf("look-ahead of %g s accepted", s)
		}
	}
}

func TestLookAhead(t *testing.T) {
	for _, rate := range rates {
		if ms := 1000 * float64(must(t, rate, -1).LagFrames()) / rate; ms > 2 || ms < 1.9 {
			t.Errorf("%g Hz: look-ahead %.3f ms", rate, ms)
		}
		if ms := 1000 * float64(must(t, rate, -1, guard.WithLookAhead(0.001)).LagFrames()) / rate; ms > 1 || ms < 0.9 {
			t.Errorf("%g Hz: look-ahead %.3f ms where 1 was asked for", rate, ms)
		}
	}
}

// Below the ceiling the guard is a bit-exact delay, also for a signal whose true peak comes close to it.
func TestIdleIsExact(t *testing.T) {
	eachLookAhead(t, func(t *testing.T, ahead guard.Option, _ float64) {
		for _, rate := range rates {
			g := must(t, rate, -1, ahead)
			x := make([]float64, 2*20000)
			for i := range 20000 {
				s := 0.875 * math.Sin(2*math.Pi*0.0371*float64(i)) // −1.16 dB
				x[2*i], x[2*i+1] = s, -0.7*s
			}
			y := append([]float64(nil), x...)
			g.Process(y)
			d := 2 * g.LagFrames()
			for i := d; i < len(y); i++ {
				if y[i] != x[i-d] {
					t.Fatalf("%g Hz: frame %d changed", rate, i/2)
				}
			}
			if r := g.ReductionDB(); r != 0 {
				t.Errorf("%g Hz: reduction %g dB while idle", rate, r)
			}
		}
	})
}

// Gain comes back to exactly one: after limiting, the guard is bit-exact again.
func TestBecomesExactAgain(t *testing.T) {
	eachLookAhead(t, func(t *testing.T, ahead guard.Option, _ float64) {
		g := must(t, 48000, -1, ahead)
		loud := sine(48000, 1000, 8, 4800)
		g.Process(loud)
		for range 4 {
			g.Process(make([]float64, 2*48000))
		}
		x := sine(48000, 997, 0.5, 4800)
		y := append([]float64(nil), x...)
		g.Process(y)
		for i := 2 * g.LagFrames(); i < len(y); i++ {
			if y[i] != x[i-2*g.LagFrames()] {
				t.Fatalf("frame %d differs", i/2)
			}
		}
	})
}

// The ears are linked: what one ear needs, both get, so the image stays.
func TestLinkedEars(t *testing.T) {
	eachLookAhead(t, func(t *testing.T, ahead guard.Option, _ float64) {
		g := must(t, 48000, -1, ahead)
		x := sine(48000, 440, 4, 48000)
		for i := 1; i < len(x); i += 2 {
			x[i] *= 0.25
		}
		g.Process(x)
		for i := 0; i < len(x); i += 2 {
			if math.Abs(x[i+1]-0.25*x[i]) > 1e-15 {
				t.Fatalf("frame %d: %g beside %g", i/2, x[i+1], x[i])
			}
		}
	})
}

// A steady bass sine 6 dB too loud is turned down and not distorted, because the gain stands still.
func TestSteadyBassIsClean(t *testing.T) {
	eachLookAhead(t, func(t *testing.T, ahead guard.Option, _ float64) {
		g := must(t, 48000, -1, ahead)
		const f = 60.0
		x := sine(48000, f, 2*dsp.Ratio(-1), 4*48000)
		g.Process(x)
		y := x[2*2*48000:]
		re, im, p := 0.0, 0.0, 0.0
		n := len(y) / 2
		for i := range n {
			w := 2 * math.Pi * f * float64(i) / 48000
			re += y[2*i] * math.Cos(w)
			im += y[2*i] * math.Sin(w)
			p += y[2*i] * y[2*i]
		}
		fund := (re*re + im*im) * 2 / float64(n)
		rest := 10 * math.Log10(math.Max(p-fund, 1e-30)/fund)
		t.Logf("THD+N %.1f dB, level %.4f dB", rest, 10*math.Log10(2*fund/float64(n)))
		if rest > -100 {
			t.Errorf("THD+N %.1f dB", rest)
		}
		if l := 10 * math.Log10(2*fund/float64(n)); math.Abs(l+1) > 0.15 {
			t.Errorf("level %.3f dB, wanted −1", l)
		}
		if r := g.ReductionDB(); math.Abs(r-6.02) > 0.15 {
			t.Errorf("reduction %.2f dB, wanted 6.02", r)
		}
	})
}

// signals that are hard for a limiter.
func hard(rate float64) map[string][]float64 {
	n := int(min(rate, 100e3) * 0.6)
	r := rand.New(rand.NewPCG(5, 6))
	m := map[string][]float64{}
	gen := func(name string, f func(i int) (float64, float64)) {
		x := make([]float64, 2*n)
		for i := range n {
			x[2*i], x[2*i+1] = f(i)
		}
		m[name] = x
	}
	gen("white noise +12 dB", func(int) (float64, float64) { return 4 * (2*r.Float64() - 1), 4 * (2*r.Float64() - 1) })
	gen("a quarter of the rate, 45°, +9 dB", func(i int) (float64, float64) {
		s := 2.8 * math.Sin(math.Pi/2*float64(i)+math.Pi/4)
		return s, s
	})
	gen("square wave +6 dB", func(i int) (float64, float64) {
		return math.Copysign(2, math.Sin(2*math.Pi*441.3*float64(i)/rate)), 0.3
	})
	gen("clicks", func(i int) (float64, float64) {
		if i%977 == 0 {
			return 8, -8
		}
		return 0, 0.01
	})
	gen("tone bursts +20 dB", func(i int) (float64, float64) {
		a := 0.5
		if i/int(rate/37)%3 == 1 {
			a = 10
		}
		return a * math.Sin(2*math.Pi*3111*float64(i)/rate), a * math.Cos(2*math.Pi*113*float64(i)/rate)
	})
	low := [2]float64{}
	gen("noise of 3 kHz width, +20 dB", func(int) (float64, float64) {
		for e := range low {
			low[e] += (60*(2*r.Float64()-1) - low[e]) * 0.02
		}
		return low[0], low[1]
	})
	return m
}

// No sample ever exceeds the ceiling, and no true peak as an independent meter (ffmpeg's ebur128, ITU-R BS.1770)
// reads it, by more than 0.2 dB.
func TestNeverAboveCeiling(t *testing.T) {
	eachLookAhead(t, func(t *testing.T, ahead guard.Option, _ float64) {
		for _, rate := range []float64{44100, 48000, 96000, 192000} {
			for name, x := range hard(rate) {
				for _, ceiling := range []float64{-1, -6} {
					if ceiling != -1 && rate != 48000 {
						continue
					}
					g := must(t, rate, ceiling, ahead)
					y := append([]float64(nil), x...)
					g.Process(y)
					peak := 0.0
					for _, v := range y {
						peak = max(peak, math.Abs(v))
					}
					if peak > dsp.Ratio(ceiling) {
						t.Errorf("%g Hz, %s: sample peak %.6f dB over the ceiling", rate, name, dsp.DB(peak)-ceiling)
					}
					if g.TakeReduction() < 3 {
						t.Errorf("%g Hz, %s: the guard had nothing to do", rate, name)
					}
					tp := ffmpegTruePeak(t, rate, y)
					if ceiling == -1 {
						t.Logf("%6g Hz %-34s sample %+.3f true %+.1f dB", rate, name, dsp.DB(peak), tp)
					}
					if tp > ceiling+0.2 {
						t.Errorf("%g Hz, %s: ffmpeg reads a true peak of %.1f dB, ceiling %g", rate, name, tp, ceiling)
					}
					if tp < ceiling-1 && rate < 176e3 { // above, ffmpeg reads sample peaks
						t.Errorf("%g Hz, %s: %.1f dB is needlessly low", rate, name, tp)
					}
				}
			}
		}
	})
}

var peakLine = regexp.MustCompile(`True peak:\s+Peak:\s+(\S+) dBFS`)

func ffmpegTruePeak(t *testing.T, rate float64, x []float64) float64 {
	t.Helper()
	raw := make([]byte, 0, 8*len(x))
	for _, v := range x {
		raw = binary.LittleEndian.AppendUint64(raw, math.Float64bits(v))
	}
	name := filepath.Join(t.TempDir(), "x.raw")
	if err := os.WriteFile(name, raw, 0o600); err != nil {
		t.Fatal(err)
	}
	defer os.Remove(name)
	out, err := exec.Command("ffmpeg", "-nostdin", "-nostats", "-hide_banner", "-f", "f64le", "-ar", fmt.Sprint(rate), "-ac", "2", "-i", name,
		"-af", "ebur128=peak=true:framelog=verbose", "-f", "null", "-").CombinedOutput()
	if err != nil {
		t.Fatalf("ffmpeg: %v\n%s", err, out)
	}
	m := peakLine.FindSubmatch(out)
	if m == nil {
		t.Fatalf("ffmpeg gave no true peak:\n%s", out)
	}
	v, err := strconv.ParseFloat(string(m[1]), 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// The gain never jumps: from frame to frame it moves by less than 1 % even when a burst comes 20 dB too loud.
func TestGainIsSmooth(t *testing.T) {
	eachLookAhead(t, func(t *testing.T, ahead guard.Option, seconds float64) {
		g := must(t, 48000, -1, ahead)
		n := 48000
		x := make([]float64, 2*n)
		for i := range n {
			a := 0.3
			if i > 20000 && i < 24000 {
				a = 10
			}
			x[2*i] = a * math.Sin(2*math.Pi*1000*float64(i)/48000)
			x[2*i+1] = 1e-6 // shows the gain
		}
		g.Process(x)
		last, worst, worstBack := 1.0, 0.0, 0.0
		for i := g.LagFrames(); i < n; i++ {
			gain := x[2*i+1] * 1e6
			worst = max(worst, last-gain)
			worstBack = max(worstBack, gain-last)
			last = gain
		}
		t.Logf("largest step down %.4f, up %.6f of unity", worst, worstBack)
		most := map[float64]float64{guard.DefaultLookAheadS: 0.03, guard.LeastLookAheadS: 0.06}[seconds]
		if worst > most || worstBack > 0.001 {
			t.Errorf("largest step down %.4f, up %.6f", worst, worstBack)
		}
	})
}

// What a limited programme hears of the guard: four tones at -20 dB each under a drum of 60 Hz that comes 3, 6 or 12 dB above the ceiling
// twice a second. All power above 300 Hz farther than 100 Hz from the tones is the gain's movement. Common practice, no source.
func TestLimitedProgramme(t *testing.T) {
	const rate, n = 48000, 1 << 18
	tones := []float64{441, 1013, 2311, 5119}
	eachLookAhead(t, func(t *testing.T, ahead guard.Option, seconds float64) {
		for _, c := range []struct{ overDB, most float64 }{{3, -43}, {6, -37}, {12, -34}} {
			g := must(t, rate, -1, ahead)
			x := make([]float64, 2*n)
			for i := range n {
				at := float64(i%(rate/2)) / rate
				s := dsp.Ratio(-1+c.overDB) * (0.5 - 0.5*math.Cos(math.Pi*min(1, at/0.04))) * math.Exp(-at/0.1) * math.Sin(2*math.Pi*60*at) * (0.5 - 0.5*math.Cos(math.Pi*min(1, (0.5-at)/0.1)))
				for _, f := range tones {
					s += 0.1 * math.Sin(2*math.Pi*f*float64(i)/rate)
				}
				x[2*i], x[2*i+1] = s, s
			}
			spread := func() float64 {
				y := make([]float64, n)
				for i := range y {
					y[i] = x[2*i]
				}
				line, rest := 0.0, 0.0
				for k, v := range fourier.NewFFT(n).Coefficients(nil, window.BlackmanHarris(y)) {
					f, near := float64(k)*rate/n, false
					for _, tone := range tones {
						near = near || math.Abs(f-tone) < 100
					}
					p := real(v)*real(v) + imag(v)*imag(v)
					switch {
					case near:
						line += p
					case f > 300:
						rest += p
					}
				}
				return 10 * math.Log10(rest/line)
			}
			own := spread()
			g.Process(x)
			got := spread()
			t.Logf("%2g dB too loud: beside the tones %.1f dB (%.1f before the guard), reduced by %.1f dB", c.overDB, got, own, g.TakeReduction())
			if seconds < guard.DefaultLookAheadS {
				c.most += 3.5 // the gain moves over half the time
			}
			if got > c.most {
				t.Errorf("%g dB too loud: %.1f dB beside the tones, allowed: %.1f", c.overDB, got, c.most)
			}
		}
	})
}

func TestReadings(t *testing.T) {
	eachLookAhead(t, func(t *testing.T, ahead guard.Option, _ float64) {
		g := must(t, 48000, -1, ahead)
		// Three bursts of a sine at a quarter of the rate and 45°: samples just below full scale, true peak +3 dB (EBU Tech 3341).
		x := make([]float64, 2*30000)
		for i := range 30000 {
			if i/5000%2 == 1 {
				w := math.Sin(math.Pi * float64(i%5000) / 5000)
				x[2*i] = 1.41 * w * w * math.Sin(math.Pi/2*float64(i)+math.Pi/4)
			}
		}
		g.Process(x)
		if p := dsp.DB(g.TruePeakIn()); p < 2.6 || p > 3.2 {
			t.Errorf("true peak in %.2f dB, wanted +3 (+0.2, −0.4)", p)
		}
		if r := g.ReductionDB(); r < 3.6 || r > 4.3 {
			t.Errorf("reduction %.2f dB, wanted 4", r)
		}
		if a, b := g.TakeReduction(), g.TakeReduction(); a < 3.6 || b != 0 || g.TruePeakIn() != 0 {
			t.Errorf("TakeReduction gave %g, then %g, true peak %g", a, b, g.TruePeakIn())
		}
		// The bursts are 100 ms apart.
		if g.Overs() != 3 {
			t.Errorf("%d overs, wanted 3", g.Overs())
		}
	})
}

func TestBadFrames(t *testing.T) {
	g := must(t, 48000, -1)
	x := []float64{math.NaN(), 0.1, 0.2, math.Inf(-1), 0.1, 0.1}
	g.Process(x)
	if g.BadFrames() != 2 {
		t.Errorf("%d bad frames, wanted 2", g.BadFrames())
	}
	g.Reset()
	if g.BadFrames() != 0 || g.Overs() != 0 {
		t.Error("Reset keeps the counters")
	}
}

func sine(rate, freq, amp float64, frames int) []float64 {
	x := make([]float64, 2*frames)
	for i := range frames {
		s := amp * math.Sin(2*math.Pi*freq*float64(i)/rate)
		x[2*i], x[2*i+1] = s, s
	}
	return x
}

func BenchmarkGuard(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 2))
	noise := make([]float64, 2*48000)
	for i := range noise {
		noise[i] = 2*r.Float64() - 1
	}
	sine := make([]float64, len(noise))
	for i := range sine {
		sine[i] = math.Sin(0.05 * float64(i/2))
	}
	for _, c := range []struct {
		name   string
		level  float64
		signal []float64
	}{{"quiet", 0.3, noise}, {"below", 0.85, sine}, {"near", 0.6, noise}, {"limiting", 2, noise}} {
		b.Run(c.name, func(b *testing.B) {
			g := must(b, 48000, -1)
			buf := make([]float64, 2*256)
			at := 0
			least, runs := time.Duration(math.MaxInt64), 0
			var d time.Duration
			for b.Loop() {
				for i := range buf {
					buf[i] = c.level * c.signal[at+i]
				}
				t := time.Now()
				g.Process(buf)
				d += time.Since(t)
				if runs++; runs%8 == 0 { // the least of many: a busy machine disturbs it little
					least, d = min(least, d), 0
				}
				if at += len(buf); at+len(buf) > len(noise) {
					at = 0
				}
			}
			b.ReportMetric(float64(least.Nanoseconds())/8/256, "ns/frame")
		})
	}
}
