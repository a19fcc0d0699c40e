package sweep

import (
	"errors"
	"math"
	"testing"
)

func has(r *Response, k Kind) bool {
	for _, f := range r.Findings {
		if f.Kind == k {
			return true
		}
	}
	return false
}

// Everything that can go wrong on the bench, each by its name and no other refusal beside it.
func TestFindings(t *testing.T) {
	const rate = 24000 // enough for every one of them, and quick
	s := Default(rate)
	s.Seconds = seconds(2)
	s.LevelDB = -20
	p := booth()
	good := addNoise(p.play(s.Signal(), rate, rate/2), 60, newRand(5))
	at := func(freqHz float64) int {
		return int(rate * (p.delay + s.LeadSeconds + s.atSeconds(freqHz)))
	}
	peak := 0.0
	for _, v := range good {
		peak = max(peak, math.Abs(v))
	}
	edit := func(change func(x []float64) []float64) []float64 { return change(append([]float64(nil), good...)) }
	clip := func(gain, limit float64) func(x []float64) []float64 {
		return func(x []float64) []float64 {
			for i := range x {
				x[i] = max(-limit, min(limit, x[i]*gain))
			}
			return x
		}
	}
	burst := func(freqHz, levelDB, seconds float64) func(x []float64) []float64 {
		return func(x []float64) []float64 {
			rng := newRand(6)
			for i := range int(seconds * rate) {
				x[at(freqHz)+i] += peak * math.Pow(10, levelDB/20) * rng.NormFloat64()
			}
			return x
		}
	}
	for i, c := range []struct {
		name string
		rec  []float64
		want Kind // "" for none
	}{
		{"good", good, ""},
		{"no microphone", make([]float64, len(good)), Silent},
		{"constant offset", edit(func(x []float64) []float64 { return fill(x, 0.25) }), Silent},
		{"empty recording", nil, Silent},
		{"output muted, room noise", noiseOnly(len(good), 0.001), NoSweep},
		{"output muted, a click", edit(func(x []float64) []float64 {
			x = noiseOnly(len(x), 1e-5)
			x[len(x)/2] = 0.5
			return x
		}), NoSweep},
		{"output muted, hum", edit(func(x []float64) []float64 {
			x = noiseOnly(len(x), 1e-5)
			for i := range x {
				x[i] += 0.1 * math.Sin(2*math.Pi*50/rate*float64(i))
			}
			return x
		}), NoSweep},
		{"trail silence cut off", good[:at(s.EndHz)+rate/50], Interrupted},
		{"overload at full scale", edit(clip(1.5/peak, 1)), Clipped},
		{"overload, 16 bit", edit(func(x []float64) []float64 {
			for i, v := range x {
				x[i] = max(-32768, min(32767, math.Round(v/peak*1.3*32768))) / 32768
			}
			return x
		}), Clipped},
		{"overload ahead of a gain", edit(clip(2/peak, 0.4)), Clipped},
		{"knock at 300 Hz", edit(burst(300, -10, 0.1)), Burst},
		{"cough at 2 kHz", edit(burst(2000, -20, 0.3)), Burst},
		{"cough at 6 kHz", edit(burst(6000, -20, 0.2)), Burst},
		{"input stops at 700 Hz", edit(func(x []float64) []float64 { return append(x[:at(700)], make([]float64, len(x)-at(700))...) }), Interrupted},
		{"output stops at 700 Hz", edit(func(x []float64) []float64 {
			return append(x[:at(700)], noiseOnly(len(x)-at(700), 1e-5)...)
		}), Interrupted},
		{"recording ends at 5 kHz", good[:at(5000)], Interrupted},
		{"recording begins at 100 Hz", good[at(100):], Interrupted},
		{"gap of 20 ms", edit(func(x []float64) []float64 { fill(x[at(900):at(900)+rate/50], 0); return x }), Interrupted},
		{"10 ms lost at 1.2 kHz", edit(func(x []float64) []float64 { return append(x[:at(1200)], x[at(1200)+rate/100:]...) }), Interrupted},
		{"20 ms lost at 300 Hz", edit(func(x []float64) []float64 { return append(x[:at(300)], x[at(300)+rate/50:]...) }), Interrupted},
		{"10 ms twice at 2 kHz", edit(func(x []float64) []float64 {
			return append(append(append([]float64(nil), x[:at(2000)]...), x[at(2000)-rate/100:at(2000)]...), x[at(2000):]...)
		}), Interrupted},
		{"fan", addNoise(good, -8, newRand(8)), Noisy},
	} {
		if i%count(3, 1, 1) != 0 {
			continue
		}
		r, err := Deconvolve(c.rec, s)
		var got []Kind
		var f *Finding
		switch {
		case errors.As(err, &f):
			got = append(got, f.Kind)
			t.Logf("%s: %s", c.name, f.Text)
		case err != nil:
			t.Fatal(err)
		default:
			for _, f := range r.Refused() {
				got = append(got, f.Kind)
				t.Logf("%s: %s (%.1f)", c.name, f.Text, f.Amount)
			}
		}
		if c.want == "" && len(got) > 0 || c.want != "" && (len(got) != 1 || got[0] != c.want) {
			t.Errorf("%s: got %q, want %q", c.name, got, c.want)
		}
	}
}

func fill(x []float64, v float64) []float64 {
	for i := range x {
		x[i] = v
	}
	return x
}

func noiseOnly(n int, rms float64) []float64 {
	rng := newRand(9)
	x := make([]float64, n)
	for i := range x {
		x[i] = rms * rng.NormFloat64()
	}
	return x
}

func TestCheckEar(t *testing.T) {
	s := Short(48000)
	p := booth()
	there := addNoise(p.play(s.Signal(), 48000, 24000), 50, newRand(10))
	faint := make([]float64, len(there))
	for i := range faint {
		faint[i] = 0.02*there[i] + 1e-6*float64(i%7)
	}
	none := noiseOnly(len(there), 1e-4)
	for _, c := range []struct {
		name          string
		wanted, other []float64
		wrong         bool
	}{
		{"right ear", there, none, false}, {"right ear, leakage", there, faint, false}, {"other ear", none, there, true},
		{"other ear, leakage", faint, there, true}, {"other ear, digital silence", make([]float64, len(there)), there, true},
		{"neither", none, none, false}, {"both", there, there, false},
	} {
		if f := CheckEar(c.wanted, c.other, s); (f != nil) != c.wrong {
			t.Errorf("%s: %v", c.name, f)
		}
	}
}
