package engine_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os/exec"
	"strings"
	"sync"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"cushwright/dsp"
	"cushwright/dsp/loudness"
	"cushwright/dsp/testrun"
	"cushwright/engine"
	"cushwright/engine/sim"
)

const matchRate = 48000

// pinkNoise is stereo pink noise at about -23 LUFS, by P. Kellet's filter of white noise (from memory; a fraction of a
// decibel off, which concerns nothing here).
func pinkNoise(frames int) []float32 {
	r := rand.New(rand.NewPCG(1, 2))
	out := make([]float32, 2*frames)
	var st [2][3]float64
	for i := range out {
		s, w := &st[i&1], r.NormFloat64()
		s[0] = 0.99765*s[0] + w*0.0990460
		s[1] = 0.96300*s[1] + w*0.2965164
		s[2] = 0.57000*s[2] + w*1.0526913
		out[i] = float32(0.02 * (s[0] + s[1] + s[2] + w*0.1848))
	}
	return out
}

// bassLoop is a bar of 2 s over and over: a drum that falls from 110 to 45 Hz on each of four beats, a bass line
// between 41 and 62 Hz, and a short noise on the off-beats.
func bassLoop(frames int) []float32 {
	r := rand.New(rand.NewPCG(3, 4))
	bar := make([]float64, 2*matchRate)
	for beat := range 4 {
		phase := 0.0
		for i := range matchRate / 2 {
			t := float64(i) / matchRate
			phase += 2 * math.Pi * (45 + 65*math.Exp(-t/0.03)) / matchRate
			at := beat*matchRate/2 + i
			bar[at] += 0.4 * math.Exp(-t/0.12) * math.Sin(phase) * min(1, t/0.002)
			note := []float64{41.2, 49, 55, 61.7}[beat]
			edge := min(1, t/0.01, (0.5-t)/0.02)
			bar[at] += 0.15 * edge * (math.Sin(2*math.Pi*note*t) + 0.4*math.Sin(4*math.Pi*note*t) + 0.2*math.Sin(6*math.Pi*note*t))
			if t > 0.25 {
				bar[at] += 0.06 * math.Exp(-(t-0.25)/0.03) * r.NormFloat64()
			}
		}
	}
	out := make([]float32, 2*frames)
	for i := range frames {
		out[2*i], out[2*i+1] = float32(bar[i%len(bar)]), float32(bar[i%len(bar)])
	}
	return out
}

// spoken is speech, made by the synthesiser espeak-ng.
func spoken(t *testing.T, frames int) []float32 {
	t.Helper()
	const text = `Ladies and gentlemen, the chair has asked me to begin with the minutes of the last meeting. The delegate of the
second committee wished to have it noted that seventeen papers had reached the booth after the session had opened, and
that nobody can interpret what nobody has read. The motion on the water supply of the upper valley was carried with nine
votes against six. We come to item four, which is the budget for heating, lighting and the repair of the roof. May I ask
those who speak to keep to three minutes, and to speak into the microphone? Thank you. I call upon the delegate from the coast.`
	c := exec.Command("sh", "-c", `espeak-ng -v en -s 150 --stdout | ffmpeg -v error -i - -ar 48000 -ac 2 -f f32le -`)
	c.Stdin = strings.NewReader(text)
	var msg bytes.Buffer
	c.Stderr = &msg
	raw, err := c.Output()
	if err != nil || len(raw) < 8*10*matchRate {
		t.Fatalf("speech from espeak-ng by way of ffmpeg: %d bytes, %v: %s", len(raw), err, msg.String())
	}
	out := make([]float32, 2*frames)
	for i := range out {
		at := 4 * (i % (len(raw) / 4))
		out[i] = 0.5 * math.Float32frombits(binary.LittleEndian.Uint32(raw[at:]))
	}
	return out
}

// deed is something done to a session when its output has come to a frame.
type deed struct {
	frame int
	do    func(context.Context, *engine.Session) error
}

func toggle(frame int) deed {
	return deed{frame, func(ctx context.Context, s *engine.Session) error { _, err := s.Bypass(ctx, nil); return err }}
}

func readMatch(frame int, to *float64) deed {
	return deed{frame, func(_ context.Context, s *engine.Session) error { *to = s.Status().Counters.MatchDB; return nil }}
}

// listen plays material to a session of its own, as fast as it goes, and returns what comes out.
func listen(t *testing.T, material []float32, match engine.Match, c *dsp.Correction, bypass bool, deeds ...deed) []float64 {
	t.Helper()
	var mu sync.Mutex
	var out []float64
	full := make(chan struct{})
	var s *engine.Session
	ready := make(chan struct{})
	d := &sim.Driver{
		Source: func(frame uint64, in []float32) {
			if at := 2 * int(frame); at < len(material) {
				copy(in, material[at:])
			}
		},
		Sink: func(frame uint64, buf []float32) {
			<-ready
			mu.Lock()
			defer mu.Unlock()
			if len(out) >= len(material) {
				return
			}
			for _, x := range buf {
				out = append(out, float64(x))
			}
			for len(deeds) > 0 && len(out)/2 >= deeds[0].frame {
				if err := deeds[0].do(context.Background(), s); err != nil {
					t.Error(err)
				}
				deeds = deeds[1:]
			}
			if len(out) >= len(material) {
				close(full)
			}
		},
	}
	set := settings()
	set.Match = match
	s, cancel, done := start(t, d, nil, set, engine.Selection{Correction: c})
	if bypass {
		on := true
		if _, err := s.Bypass(t.Context(), &on); err != nil {
			t.Fatal(err)
		}
	}
	close(ready)
	<-full
	cancel()
	<-done
	return out
}

// shortTerm is the loudness of the last 3 s (ITU-R BS.1770-5, EBU Tech 3341) every 100 ms; reading i ends at (i+1)/10
// s.
func shortTerm(t *testing.T, y []float64) (lufs []float64) {
	t.Helper()
	m, err := loudness.New(matchRate)
	if err != nil {
		t.Fatal(err)
	}
	const n = 2 * matchRate / 10
	for at := 0; at+n <= len(y); at += n {
		m.Process(y[at : at+n])
		lufs = append(lufs, m.ShortTermLUFS())
	}
	return lufs
}

// levelOf frames from to to, dB.
func levelOf(y []float64, from, to int) float64 {
	sum := 0.0
	for _, x := range y[2*from : 2*to] {
		sum += x * x
	}
	return 10 * math.Log10(sum/float64(2*(to-from)))
}

// levelDB is the level of b over that of a, frames from to to, dB.
func levelDB(a, b []float64, from, to int) float64 {
	return levelOf(b, from, to) - levelOf(a, from, to)
}

// alignedDB is levelDB with a moved to where it fits best: two sessions may differ by some frames of delay.
func alignedDB(t *testing.T, a, b []float64, from, to int) float64 {
	t.Helper()
	const reach = 2000
	size := 1
	for size < to-from+2*reach {
		size *= 2
	}
	x, y := make([]float64, size), make([]float64, size)
	for i := range to - from + 2*reach {
		x[i] = a[2*(from-reach+i)]
	}
	for i := range to - from {
		y[i] = b[2*(from+i)]
	}
	fft := fourier.NewFFT(size)
	cx, cy := fft.Coefficients(nil, x), fft.Coefficients(nil, y)
	for i := range cx {
		cx[i] *= cmplx.Conj(cy[i])
	}
	c := fft.Sequence(nil, cx)
	px, py := 0.0, 0.0 // powers of the left ear
	for i := range to - from {
		px += x[i] * x[i]
		py += y[i] * y[i]
	}
	best, fit := 0, 0.0
	for i := range 2 * reach {
		if f := c[i] / float64(size) / math.Sqrt(px*py); px > py/1000 && f > fit {
			best, fit = i, f
		}
		px += x[i+to-from]*x[i+to-from] - x[i]*x[i]
	}
	if fit < 0.9 {
		t.Fatalf("the two sessions do not fit at frame %d: %.3f", from, fit)
	}
	return levelOf(b, from, to) - levelOf(a, from-reach+best, to-reach+best)
}

// loudnessOf frames from to to, which are 3 s, dB.
func loudnessOf(t *testing.T, y []float64, from int) float64 {
	t.Helper()
	l := shortTerm(t, y[2*from:2*(from+3*matchRate)])
	return l[len(l)-1]
}

// TestProgrammeMatch plays three kinds of material through two corrections that pull in opposite ways, on the side
// with the correction and on the one without. What the sessions with the fixed difference give tells the levels that
// the match by programme sets: both run the same filters on the same samples.
func TestProgrammeMatch(t *testing.T) {
	const seconds = 10
	switches := []int{6 * matchRate, 6*matchRate + 20000}
	if testrun.Long() {
		switches = nil
		for at := 6 * matchRate; at < 6*matchRate+matchRate*3/4; at += matchRate/20 + 777 {
			switches = append(switches, at)
		}
	}
	up := []dsp.Band{{Shape: dsp.LowShelf, FreqHz: 105, GainDB: 5.5, Q: 0.7}, {Shape: dsp.Bell, FreqHz: 240, GainDB: -4, Q: 0.85},
		{Shape: dsp.Bell, FreqHz: 1050, GainDB: 3.5, Q: 1.4}, {Shape: dsp.Bell, FreqHz: 4100, GainDB: 4, Q: 2.5}, {Shape: dsp.HighShelf, FreqHz: 9000, GainDB: -3, Q: 0.7}}
	var down []dsp.Band
	for _, b := range up {
		b.GainDB = -b.GainDB
		down = append(down, b)
	}
	for _, m := range []struct {
		name   string
		play   []float32
		steady bool // the next seconds sound like the last
	}{{"pink noise", pinkNoise(seconds * matchRate), true}, {"bass loop", bassLoop(seconds * matchRate), true}, {"speech", spoken(t, seconds*matchRate), false}} {
		for name, bands := range map[string][]dsp.Band{"up": up, "down": down} {
			if m.name == "pink noise" && name == "down" {
				continue // its answer is known
			}
			c := correction(t, dsp.AutoHeadroom, bands...)
			var pink, prog [2][]float64 // by side: the correction, bypass
			pinkMatchDB := 0.0
			for b := range 2 {
				pink[b] = listen(t, m.play, engine.MatchPink, c, b == 1, readMatch(matchRate, &pinkMatchDB))
				prog[b] = listen(t, m.play, engine.MatchProgramme, c, b == 1)
			}
			// Levels against the start's, every half second.
			const half = matchRate / 2
			rises, quickest := 0.0, 0.0
			for b := range 2 {
				var levels []float64
				for at := matchRate; at+half <= len(prog[b])/2; at += half {
					l := levelDB(pink[b], prog[b], at, at+half)
					levels = append(levels, l)
					rises = max(rises, l)
					if n := len(levels); n > 2 {
						quickest = max(quickest, math.Abs(l-levels[n-3]))
					}
				}
			}
			// The switch itself, both ways, several times from 6 s on.
			const gap = matchRate / 20 // the fade
			apart, ahead, jump := 0.0, 0.0, 0.0
			for k, at := range switches {
				from, to := k%2, 1-k%2
				at -= at % 1920 // when a callback ends
				const piece = matchRate / 10
				for levelOf(pink[0], at-piece, at) < -60 || levelOf(pink[0], at+gap, at+gap+piece) < -60 { // a pause
					at += 1920
				}
				matchDB := 0.0
				y := listen(t, m.play, engine.MatchProgramme, c, from == 1, readMatch(at, &matchDB), toggle(at))
				before := alignedDB(t, pink[from], y, at-piece, at)
				after := alignedDB(t, pink[to], y, at+gap, at+gap+piece)
				// Both sides' last 3 s at the levels at the switch, and the 3 s after it. A reading is 0 to 0.1 s old.
				d := math.Inf(1)
				for age := 0; age <= matchRate/10; age += matchRate / 40 {
					last := at - age - 3*matchRate
					k := loudnessOf(t, pink[1], last) - loudnessOf(t, pink[0], last) + matchDB - pinkMatchDB
					if math.Abs(k) < math.Abs(d) {
						d = k
					}
				}
				if counted := (matchDB - pinkMatchDB) * float64(to-from); math.Abs(after-before-counted) > 0.25 { // what is heard moves on
					t.Errorf("%s, correction %s: the levels heard before and after the switch differ by %.2f dB, by the counter %.2f", m.name, name, after-before, counted)
				}
				next := loudnessOf(t, y, at+gap) - loudnessOf(t, prog[from], at+gap)
				apart, ahead, jump = max(apart, math.Abs(d)), max(ahead, math.Abs(next)), max(jump, next)
			}
			was := loudnessOf(t, pink[1], 6*matchRate) - loudnessOf(t, pink[0], 6*matchRate)
			t.Logf("%s, correction %s: by the pink difference the sides are %+.2f LU apart; matched %.3f LU apart on the last 3 s at each switch, %.3f LU on the next 3 s (rise %.3f); loudest %+.3f dB over the start, fastest move of what is heard %.2f dB in 1 s",
				m.name, name, was, apart, ahead, jump, rises, quickest)
			if m.name == "pink noise" && math.Abs(was) > 0.2 {
				t.Errorf("on pink noise itself the fixed difference is %.2f dB off, allowed: 0.2", was)
			}
			if apart > 0.1 {
				t.Errorf("%s, correction %s: matched to %.3f LU after 6 s, allowed: 0.1", m.name, name, apart)
			}
			if rises > 0.2 {
				t.Errorf("%s, correction %s: %.2f dB louder than at the start, allowed: 0.2", m.name, name, rises)
			}
			if m.steady && (ahead > 0.1 || jump > 0.2) {
				t.Errorf("%s, correction %s: the switch changes the loudness by %.3f LU (up: %.3f), allowed: 0.1", m.name, name, ahead, jump)
			}
			if quickest > 1.1 { // read from pieces of half a second
				t.Errorf("%s, correction %s: what is heard moves by %.2f dB in 1 s, allowed: 1", m.name, name, quickest)
			}
		}
	}
}

// TestMatchSurvivesAnEdit: a correction that is saved again keeps what was learnt of the programme; nothing jumps.
func TestMatchSurvivesAnEdit(t *testing.T) {
	shelf := func(gain float64) *dsp.Correction {
		return correction(t, -9, dsp.Band{Shape: dsp.LowShelf, FreqHz: 105, GainDB: gain, Q: 0.7})
	}
	play := bassLoop(15 * matchRate)
	const edit, piece = 10 * matchRate, matchRate / 2 // a beat
	y := listen(t, play, engine.MatchProgramme, shelf(5), false, deed{edit, func(ctx context.Context, s *engine.Session) error {
		return s.Select(ctx, engine.Selection{Correction: shelf(5.2)})
	}}, toggle(edit+matchRate))
	// Beats four apart are alike.
	bar := 4 * piece
	before, after := y[2*(edit-bar):2*edit], y[2*edit:2*(edit+piece)]
	if d := levelDB(before, after, piece/4, piece); math.Abs(d) > 0.5 {
		t.Errorf("the edit moved the level by %.2f dB", d)
	}
	if d := loudnessOf(t, y, edit+matchRate+matchRate/20) - loudnessOf(t, y, edit+matchRate+matchRate/20-3*bar); math.Abs(d) > 0.5 {
		t.Errorf("a switch 1 s after the edit changed the loudness by %.2f LU", d)
	} else {
		t.Logf("a switch 1 s after the edit changed the loudness by %.2f LU", d)
	}
}

// TestTruePeaksAreShown: a sine of a quarter of the rate at 45 degrees stands 3 dB above its samples (EBU Tech 3341;
// allowed +0.2/−0.4 dB), before the engine and behind it.
func TestTruePeaksAreShown(t *testing.T) {
	src := func(frame uint64, in []float32) {
		for i := range in {
			in[i] = float32(0.5 * math.Sin(math.Pi/2*float64(frame+uint64(i/2))+math.Pi/4))
		}
	}
	rec := &recorder{}
	s, _, _ := start(t, &sim.Driver{Source: src, Sink: rec.sink, Speed: 20}, nil, settings(), engine.Selection{Correction: correction(t, 0)})
	rec.last(t, 2*matchRate, 1)
	c := s.Status().Counters
	if math.Abs(c.InPeakDB+9.03) > 0.05 {
		t.Errorf("the samples reach %.2f dBFS", c.InPeakDB)
	}
	for what, db := range map[string]float64{"input": c.InTrueDB, "output": c.OutTrueDB, "input since the start": c.InHoldDB, "output since the start": c.OutHoldDB} {
		if db > -5.82 || db < -6.42 {
			t.Errorf("%s: %.2f dBTP, want -6.02", what, db)
		}
	}
}
