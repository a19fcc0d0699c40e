package loudness

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"
	"time"

	"gonum.org/v1/gonum/dsp/fourier"

	"cushwright/dsp/testrun"
)

var rates = []float64{44100, 48000, 96000}

// ITU-R BS.1770-5, Tables 1 and 2.
func TestCoefficients(t *testing.T) {
	k := kWeighting(48000)
	for _, c := range []struct {
		name      string
		got, want biquad
	}{
		{"stage 1", k[0], biquad{1.53512485958697, -2.69169618940638, 1.19839281085285, -1.69065929318241, 0.73248077421585}},
		{"stage 2", k[1], biquad{1, -2, 1, -1.99004745483398, 0.99007225036621}},
	} {
		g := [5]float64{c.got.b0, c.got.b1, c.got.b2, c.got.a1, c.got.a2}
		w := [5]float64{c.want.b0, c.want.b1, c.want.b2, c.want.a1, c.want.a2}
		for i := range g {
			if math.Abs(g[i]-w[i]) > 1e-8 {
				t.Errorf("%s coefficient %d is %.14f, wanted %.14f", c.name, i, g[i], w[i])
			}
		}
	}
}

// K gain at 48 kHz, computed with scipy from the Recommendation's coefficients.
func TestKGain(t *testing.T) {
	for _, c := range [][2]float64{{20, -13.275}, {38, -6.003}, {100, -1.134}, {500, 0.042}, {997, 0.691}, {2000, 3.071}, {10000, 4.042}} {
		if g := KGainDB(c[0]); math.Abs(g-c[1]) > 0.0006 {
			t.Errorf("%g Hz: %.4f dB, wanted %.3f", c[0], g, c[1])
		}
		// The same curve at every rate, as far as the bilinear transform allows.
		for _, rate := range []float64{44100, 96000, 192000, 384000} {
			k := kWeighting(rate)
			g := 20 * math.Log10(cmplx.Abs(k[0].response(c[0], rate)*k[1].response(c[0], rate)))
			if math.Abs(g-c[1]) > 0.012 {
				t.Errorf("%g Hz at %g Hz: %.4f dB, wanted %.3f", c[0], rate, g, c[1])
			}
		}
	}
}

type part struct{ db, seconds float64 }

// tone is a 1 kHz sine on both ears whose level goes through parts.
func tone(rate float64, parts ...part) []float64 {
	period := make([]float64, int(rate)/100) // ten periods, whole at every rate here
	for i := range period {
		period[i] = math.Sin(2 * math.Pi * 1000 * float64(i) / rate)
	}
	n := 0
	for _, p := range parts {
		n += int(math.Round(p.seconds * rate))
	}
	x := make([]float64, 0, 2*n)
	at := 0
	for _, p := range parts {
		a := math.Pow(10, p.db/20)
		for range int(math.Round(p.seconds * rate)) {
			s := a * period[at]
			x = append(x, s, s)
			if at++; at == len(period) {
				at = 0
			}
		}
	}
	return x
}

func must(t testing.TB, rate float64) *Meter {
	t.Helper()
	m, err := New(rate)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func TestNewRefuses(t *testing.T) {
	for _, r := range []float64{44000, 384001, math.NaN()} {
		if _, err := New(r); err == nil {
			t.Errorf("rate %g accepted", r)
		}
	}
}

// ITU-R BS.1770-5: a 0 dBFS sine of 997 Hz in one channel reads −3.01; libebur128 gives −3.0036 at 1 kHz.
func TestFullScaleSine(t *testing.T) {
	for _, rate := range rates {
		for _, c := range [][2]float64{{997, -3.0103}, {1000, -3.0036}} {
			for ear := range 2 {
				m := must(t, rate)
				x := make([]float64, 2*int(rate)*3)
				for i := range len(x) / 2 {
					x[2*i+ear] = math.Sin(2 * math.Pi * c[0] * float64(i) / rate)
				}
				m.Process(x)
				if l := m.IntegratedLUFS(); math.Abs(l-c[1]) > 0.006 {
					t.Errorf("%g Hz at %g Hz, channel %d: %.4f LUFS, wanted %.4f", c[0], rate, ear, l, c[1])
				}
			}
		}
	}
}

// EBU Tech 3341, the stereo 1 kHz cases for integrated loudness, ±0.1 LU. Beside 48 kHz the parts last a quarter of
// their time, which leaves the gated mean as it is, unless CUSHWRIGHT_LONG is set.
func TestIntegrated(t *testing.T) {
	for _, rate := range rates {
		for i, c := range []struct {
			parts []part
			want  float64
		}{
			{[]part{{-23, 20}}, -23},
			{[]part{{-33, 20}}, -33},
			{[]part{{-36, 10}, {-23, 60}, {-36, 10}}, -23},
			{[]part{{-72, 10}, {-36, 10}, {-23, 60}, {-36, 10}, {-72, 10}}, -23},
			{[]part{{-26, 20}, {-20, 20.1}, {-26, 20}}, -23},
		} {
			m := must(t, rate)
			parts := append([]part(nil), c.parts...)
			if rate != 48000 && !testrun.Long() {
				for i := range parts {
					parts[i].seconds /= 4
				}
			}
			m.Process(tone(rate, parts...))
			if l := m.IntegratedLUFS(); math.Abs(l-c.want) > 0.1 {
				t.Errorf("case %d at %g Hz: %.3f LUFS, wanted %g", i+1, rate, l, c.want)
			}
		}
		m := must(t, rate)
		m.Process(tone(rate, part{-23, 5}))
		for name, l := range map[string]float64{"momentary": m.MomentaryLUFS(), "short-term": m.ShortTermLUFS()} {
			if math.Abs(l+23) > 0.1 {
				t.Errorf("%s at %g Hz: %.3f LUFS, wanted −23", name, rate, l)
			}
		}
	}
}

// EBU Tech 3341: short-term holds −23 after 3 s, momentary after 1 s, ±0.1 LU.
func TestMovingReadings(t *testing.T) {
	for _, rate := range rates {
		var short, moment []part
		for range 5 {
			short = append(short, part{-20, 1.34}, part{-30, 1.66})
		}
		for range 25 {
			moment = append(moment, part{-20, 0.18}, part{-30, 0.22})
		}
		for _, c := range []struct {
			name  string
			parts []part
			after float64
			read  func(*Meter) float64
		}{{"short-term", short, 3, (*Meter).ShortTermLUFS}, {"momentary", moment, 1, (*Meter).MomentaryLUFS}} {
			m, x := must(t, rate), tone(rate, c.parts...)
			step := int(rate / 10)
			seen := 0
			for i := 0; i+2*step <= len(x); i += 2 * step {
				m.Process(x[i : i+2*step])
				if float64(i/2+step)/rate < c.after {
					continue
				}
				seen++
				if l := c.read(m); math.Abs(l+23) > 0.1 {
					t.Errorf("%s at %g Hz, after %.1f s: %.3f LUFS", c.name, rate, float64(i/2+step)/rate, l)
				}
			}
			if seen < 50 {
				t.Errorf("%s: only %d readings", c.name, seen)
			}
		}
	}
}

// EBU Tech 3341, true peak, +0.2/−0.4 dB, 10 ms fades.
func TestTruePeak(t *testing.T) {
	for _, rate := range rates {
		for _, c := range []struct{ part, deg, amp, want float64 }{
			{4, 0, 0.5, -6}, {4, 45, 0.5, -6}, {6, 60, 0.5, -6}, {8, 67.5, 0.5, -6}, {4, 45, 1.41, 3},
		} {
			m := must(t, rate)
			n, fade := int(rate), int(rate/100)
			x := make([]float64, 2*n)
			for i := range n {
				g := min(1, float64(i)/float64(fade), float64(n-1-i)/float64(fade))
				s := g * c.amp * math.Sin(2*math.Pi*float64(i)/c.part+c.deg*math.Pi/180)
				x[2*i], x[2*i+1] = s, s
			}
			m.Process(x)
			if p := m.TruePeakDB(); p > c.want+0.2 || p < c.want-0.4 {
				t.Errorf("fs/%g %g° %g at %g Hz: %.3f dB, wanted %g", c.part, c.deg, c.amp, rate, p, c.want)
			}
		}
	}
}

// pink is noise with 1/f power down to some 10 Hz (a sum of one-pole filters; its exact slope does not matter here,
// except in TestPinkGain, which makes its own).
func pink(r *rand.Rand, frames int, amp float64) []float64 {
	x := make([]float64, 2*frames)
	s := [2][6]float64{}
	var pole, weight [6]float64
	for k := range pole {
		pole[k] = 1 - math.Exp(-2*math.Pi*math.Pow(4, float64(k))*12/48000)
		weight[k] = math.Pow(2, -float64(k)) * 8
	}
	for i := range x {
		w := 2*r.Float64() - 1
		y := 0.0
		for k := range s[i&1] {
			s[i&1][k] += (w - s[i&1][k]) * pole[k]
			y += s[i&1][k] * weight[k]
		}
		x[i] = amp * (y + 0.05*w)
	}
	return x
}

// programme is invented: noise, tones, pauses and a loud end, different on both ears.
func programme(rate float64) []float64 {
	r := rand.New(rand.NewPCG(3, 4))
	x := pink(r, int(rate*7), 0.1)
	for i := range len(x) / 2 {
		s := float64(i) / rate
		g := 0.0
		switch int(s) {
		case 0, 4:
			g = 0.3
		case 1:
			g = 1
		case 2:
			g = 0.001
		case 5:
			g = 0.1
		case 6:
			g = 2
		}
		x[2*i] = g * (x[2*i] + 0.1*math.Sin(2*math.Pi*220*s))
		x[2*i+1] = g * (0.6*x[2*i+1] + 0.1*math.Sin(2*math.Pi*3000*s))
	}
	return x
}

// Beside ffmpeg's ebur128 (libavfilter), on the same samples.
func TestBesideFFmpeg(t *testing.T) {
	for _, rate := range rates {
		r := rand.New(rand.NewPCG(1, 2))
		for name, x := range map[string][]float64{"pink noise": pink(r, int(rate*3), 0.2), "programme": programme(rate)} {
			// Without a second of silence at its end the programme's relative gate lies within a few hundredths of a
			// steady passage, where meters that round levels differ by 0.5 LU; TestGateIsExact has that case.
			x = append(x, make([]float64, 2*int(rate))...)
			m := must(t, rate)
			m.Process(x)
			i, p := ffmpeg(t, rate, x)
			t.Logf("%g Hz %s: %.2f LUFS, true peak %.2f dB; ffmpeg %.1f, %.1f", rate, name, m.IntegratedLUFS(), m.TruePeakDB(), i, p)
			if math.Abs(m.IntegratedLUFS()-i) > 0.1 {
				t.Errorf("%g Hz %s: %.3f LUFS, ffmpeg %.1f", rate, name, m.IntegratedLUFS(), i)
			}
			if math.Abs(m.TruePeakDB()-p) > 0.2 {
				t.Errorf("%g Hz %s: true peak %.3f dB, ffmpeg %.1f", rate, name, m.TruePeakDB(), p)
			}
		}
	}
}

// The gates against their definition (BS.1770-5, equations 3 to 7), over a list of all blocks, on a programme whose
// relative gate lies within 0.1 LU of a steady passage.
func TestGateIsExact(t *testing.T) {
	m, x := must(t, 48000), programme(48000)
	var blocks []float64
	for i := 0; i < len(x); i += 2 * 4800 {
		m.Process(x[i : i+2*4800])
		if l := m.MomentaryLUFS(); l > -70 {
			blocks = append(blocks, l)
		}
	}
	mean := func(gate float64) float64 {
		sum, n := 0.0, 0.0
		for _, l := range blocks {
			if l > gate {
				sum += math.Pow(10, l/10)
				n++
			}
		}
		return 10 * math.Log10(sum/n)
	}
	want := mean(mean(-70) - 10)
	t.Logf("%.4f LUFS, by definition %.4f", m.IntegratedLUFS(), want)
	if math.Abs(m.IntegratedLUFS()-want) > 0.001 {
		t.Errorf("%.4f LUFS, by definition %.4f", m.IntegratedLUFS(), want)
	}
	// The same samples in libebur128 1.2.6 and in scipy with the Recommendation's coefficients: −14.621.
	if math.Abs(want+14.621) > 0.002 {
		t.Errorf("%.4f LUFS, libebur128 −14.621", want)
	}
}

var (
	loudLine = regexp.MustCompile(`Integrated loudness:\s+I:\s+(\S+) LUFS`)
	peakLine = regexp.MustCompile(`True peak:\s+Peak:\s+(\S+) dBFS`)
)

func ffmpeg(t *testing.T, rate float64, x []float64) (lufs, peakDB float64) {
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
	num := func(re *regexp.Regexp) float64 {
		m := re.FindSubmatch(out)
		if m == nil {
			t.Fatalf("ffmpeg gave no reading:\n%s", out)
		}
		v, err := strconv.ParseFloat(string(m[1]), 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	return num(loudLine), num(peakLine)
}

// PinkGainDB against the streaming meter: noise with an exact 1/f power spectrum from 20 Hz to 20 kHz, with and without
// the response.
func TestPinkGain(t *testing.T) {
	const rate, n = 48000.0, 1 << 18
	fft := fourier.NewFFT(n)
	level := func(resp func(float64) float64) float64 {
		r := rand.New(rand.NewPCG(9, 9))
		c := make([]complex128, n/2+1)
		for k := range c {
			if f := float64(k) * rate / n; f >= 20 && f <= 20000 {
				c[k] = cmplx.Rect(0.0005*math.Pow(10, resp(f)/20)/math.Sqrt(f), 2*math.Pi*r.Float64())
			}
		}
		x := make([]float64, 2*n)
		for i, v := range fft.Sequence(nil, c) {
			x[2*i] = v
		}
		m := must(t, rate)
		m.Process(x)
		return m.IntegratedLUFS()
	}
	flat := level(func(float64) float64 { return 0 })
	for name, resp := range map[string]func(float64) float64{
		"level": func(float64) float64 { return -4.5 },
		"bass":  func(f float64) float64 { return 6 / (1 + math.Pow(f/105, 2)) },
		"tilt":  func(f float64) float64 { return -3 * math.Log10(f/1000) },
		"bell":  func(f float64) float64 { return 8 * math.Exp(-math.Pow(math.Log2(f/3000)*2, 2)) },
	} {
		got := PinkGainDB(func(f float64) float64 { return math.Pow(10, resp(f)/10) })
		want := level(resp) - flat
		t.Logf("%s: %.3f LU, meter %.3f", name, got, want)
		if math.Abs(got-want) > 0.05 {
			t.Errorf("%s: %.3f LU, the meter says %.3f", name, got, want)
		}
	}
}

func TestSilence(t *testing.T) {
	m := must(t, 48000)
	check := func() {
		t.Helper()
		for _, v := range []float64{m.MomentaryLUFS(), m.ShortTermLUFS(), m.IntegratedLUFS(), m.TruePeakDB()} {
			if !math.IsInf(v, -1) {
				t.Fatalf("%g in silence", v)
			}
		}
	}
	check()
	m.Process(make([]float64, 2*240000))
	check()
	m.Process(tone(48000, part{-20, 5}))
	m.Reset()
	check()
}

// However the stream is split, the readings are the same; Reset makes a new meter; the input stays as it is; NaN and
// Inf count as silence; nothing is allocated.
func TestStreaming(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	x := programme(48000)[:2*48000*6]
	read := func(m *Meter) [4]float64 {
		return [4]float64{m.MomentaryLUFS(), m.ShortTermLUFS(), m.IntegratedLUFS(), m.TruePeakDB()}
	}
	m := must(t, 48000)
	y := append([]float64(nil), x...)
	m.Process(y)
	want := read(m)
	for i := range x {
		if x[i] != y[i] {
			t.Fatal("Process changed its input")
		}
	}
	for range 5 {
		m.Reset()
		for rest := x; len(rest) > 0; {
			n := min(len(rest), 2*(1+r.IntN(700)))
			m.Process(rest[:n])
			rest = rest[n:]
		}
		for i, g := range read(m) {
			if math.Abs(g-want[i]) > 1e-9 {
				t.Fatalf("split: reading %d is %v, in one block %v", i, g, want[i])
			}
		}
	}
	m.Reset()
	bad := append([]float64(nil), x...)
	bad[1000], bad[1101], bad[5000], bad[6000] = math.NaN(), math.Inf(1), math.Inf(-1), math.MaxFloat64
	m.Process(bad)
	if m.BadFrames() != 4 {
		t.Errorf("%d bad frames, wanted 4", m.BadFrames())
	}
	for i, g := range read(m) {
		if math.Abs(g-want[i]) > 0.1 {
			t.Errorf("after NaN: reading %d is %v, without %v", i, g, want[i])
		}
	}
	if n := testing.AllocsPerRun(100, func() { m.Process(x[:2*4801]); read(m) }); n != 0 {
		t.Errorf("%g allocations", n)
	}
}

// BenchmarkMeter gives the least of many blocks, which a busy machine disturbs little.
func BenchmarkMeter(b *testing.B) {
	for name, o := range map[string][]Option{"with-true-peak": nil, "without": {WithoutTruePeak()}} {
		b.Run(name, func(b *testing.B) {
			m, err := New(48000, o...)
			if err != nil {
				b.Fatal(err)
			}
			x := programme(48000)[2*48000*5:]
			least := time.Duration(math.MaxInt64)
			at := 0
			for b.Loop() {
				t := time.Now()
				for range 8 {
					m.Process(x[at : at+512])
					if at += 512; at+512 > 2*48000 {
						at = 0
					}
				}
				least = min(least, time.Since(t))
			}
			b.ReportMetric(float64(least.Nanoseconds())/8/256, "ns/frame")
		})
	}
}

func BenchmarkReadings(b *testing.B) {
	m := must(b, 48000)
	m.Process(programme(48000))
	for b.Loop() {
		_ = m.IntegratedLUFS() + m.MomentaryLUFS() + m.ShortTermLUFS()
	}
}
