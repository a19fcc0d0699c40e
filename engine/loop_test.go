package engine

import (
	"fmt"
	"log/slog"
	"math"
	"slices"
	"testing"
	"time"

	"cushwright/dsp"
	"cushwright/dsp/drift"
)

// testLoop is a loop as the supervisor makes it, driven by hand.
func testLoop(t testing.TB, match Match, bands ...dsp.Band) (*Session, *loop) {
	t.Helper()
	c, err := dsp.NewCorrection(bands, dsp.AutoHeadroom)
	if err != nil {
		t.Fatal(err)
	}
	s := &Session{log: slog.New(slog.DiscardHandler), set: Settings{Match: match}, sel: Selection{Correction: c}, m: &meters{}}
	s.set.fill()
	s.chains = s.set.Delay.chains()
	p, err := s.program(s.sel, 48000)
	if err != nil {
		t.Fatal(err)
	}
	var clock int64
	l, err := newLoop(loopConfig{rateHz: 48000, captureFrames: 480, outputFrames: 1920, keepFrames: 960, guard: true, ceilingDB: -1, aheadS: s.set.Delay.lookAheadS(),
		inputGain: func() float32 { return 1 }, now: func() int64 { clock += 40e6; return clock }}, s.m, p)
	if err != nil {
		t.Fatal(err)
	}
	return s, l
}

// A callback is late by the measure of the period in force: the output's may have become longer since the streams were opened.
func TestLateByThePeriodInForce(t *testing.T) {
	s, l := testLoop(t, MatchPink)
	clock := int64(1)
	l.now = func() int64 { return clock }
	for _, c := range []struct {
		afterMS float64
		frames  int
		late    uint64 // so far
	}{
		{0, 1920, 0}, {40, 1920, 0}, {59, 1920, 0}, {61, 1920, 1},
		{40, 3840, 1}, {80, 3840, 1}, {119, 3840, 1}, {121, 3840, 2}, // twice as long
		{80, 480, 2}, {10, 480, 2}, {59, 480, 2}, {61, 480, 3}, // shorter: what was asked for in the beginning is allowed
	} {
		clock += int64(c.afterMS * 1e6)
		l.render(make([]float32, 2*c.frames))
		if got := s.m.late.Load(); got != c.late {
			t.Fatalf("a callback of %d frames after %.0f ms: %d were late, want %d", c.frames, c.afterMS, got, c.late)
		}
	}
}

var tenBands = func() (b []dsp.Band) {
	for i := range 10 {
		b = append(b, dsp.Band{Shape: dsp.Bell, FreqHz: 40 * math.Pow(1.8, float64(i)), GainDB: float64(i%5) - 2, Q: 1.2})
	}
	return b
}()

// The signal processing adds as little as the delay asks for, and all programs of a session the same, so that a crossfade from one
// to another never mixes two delays.
func TestDelayOfTheSignalProcessing(t *testing.T) {
	correction := func(n int) *dsp.Correction {
		c, err := dsp.NewCorrection(append(slices.Clone(tenBands), tenBands...)[:n], dsp.AutoHeadroom)
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	for _, d := range []Delay{DelayLow, DelayNormal, DelaySafe} {
		s := &Session{log: slog.New(slog.DiscardHandler), set: Settings{Delay: d}, m: &meters{}, chains: d.chains()}
		s.set.fill()
		lag := 0
		if s.chains.Lags() {
			lag = 48
		}
		for _, n := range []int{0, 1, 10} {
			for _, other := range []*dsp.Correction{nil, correction(0), correction(10)} {
				p, err := s.program(Selection{Correction: correction(n), Other: other}, 48000)
				if err != nil {
					t.Fatal(err)
				}
				if p.a.LagFrames() != lag || p.b.LagFrames() != lag {
					t.Errorf("%s: %d bands beside %v lag %d and %d frames, want %d", d, n, other, p.a.LagFrames(), p.b.LagFrames(), lag)
				}
				l, err := newLoop(loopConfig{rateHz: 48000, captureFrames: 480, outputFrames: 480, keepFrames: 480, guard: true, aheadS: d.lookAheadS(),
					inputGain: func() float32 { return 1 }, now: func() int64 { return 0 }}, s.m, p)
				if err != nil {
					t.Fatal(err)
				}
				ahead := 96
				if d == DelayLow {
					ahead = 48
				}
				if got, want := int(s.m.lag.Load()), lag+ahead+l.res.LagFrames(); got != want {
					t.Errorf("%s: %d frames of delay, want %d", d, got, want)
				}
			}
		}
	}
}

func TestAudioPathAllocatesNothing(t *testing.T) {
	s, l := testLoop(t, MatchProgramme, tenBands...)
	in, out := make([]float32, 2*480), make([]float32, 2*1920)
	n := 0
	programs := make([]*program, 0, 200)
	for range 200 {
		p, err := s.program(s.sel, 48000)
		if err != nil {
			t.Fatal(err)
		}
		programs = append(programs, p)
	}
	got := testing.AllocsPerRun(150, func() {
		for range 4 {
			for i := range in {
				n++
				in[i] = float32(math.Sin(float64(n) * 0.05))
			}
			l.capture(in)
		}
		l.pending.Store(programs[len(programs)-1])
		programs = programs[:len(programs)-1]
		l.bypass.Store(n%3 == 0)
		l.render(out)
	})
	if got != 0 {
		t.Errorf("%v allocations per callback", got)
	}
	if s.m.callbacks.Load() == 0 || s.m.underruns.Load() != 0 {
		t.Errorf("callbacks %d, underruns %d: the path measured is not the live one", s.m.callbacks.Load(), s.m.underruns.Load())
	}
}

func TestBadInputIsSilencedAndCounted(t *testing.T) {
	s, l := testLoop(t, MatchPink, tenBands...)
	in, out := make([]float32, 2*1920), make([]float32, 2*1920)
	for range 40 {
		for i := range in {
			in[i] = float32(0.1 * math.Sin(float64(i/2)*0.1))
		}
		in[77] = float32(math.NaN())
		in[501] = float32(math.Inf(-1))
		l.capture(in)
		l.render(out)
		for i, x := range out {
			if x != x || math.Abs(float64(x)) > 1 {
				t.Fatalf("sample %d is %v", i, x)
			}
		}
	}
	if s.m.bad.Load() == 0 {
		t.Error("nothing was counted")
	}
}

func TestUnderrunDiesAwayAndResumes(t *testing.T) {
	s, l := testLoop(t, MatchPink)
	in, out := make([]float32, 2*1920), make([]float32, 2*1920)
	phase := 0.0
	var all []float32
	for k := range 120 {
		for i := 0; i < len(in); i += 2 {
			phase += 2 * math.Pi * 200 / 48000
			in[i], in[i+1] = float32(0.5*math.Sin(phase)), float32(0.5*math.Sin(phase))
		}
		if k != 60 && k != 61 { // nothing comes for 80 ms
			l.capture(in)
		}
		l.render(out)
		all = append(all, out...)
	}
	if got := s.m.underruns.Load(); got != 1 {
		t.Errorf("%d underruns counted for one gap", got)
	}
	worst := 0.0
	for i := 4; i+4 < len(all); i += 2 { // second difference of a 200 Hz sine at 0.5 is 3.4e-4; of a cut it is up to 0.5
		worst = max(worst, math.Abs(float64(all[i+2]-2*all[i]+all[i-2])))
	}
	if worst > 0.02 {
		t.Errorf("a step of %.3f: the break clicks", worst)
	}
	if rms := math.Abs(float64(slices.Max(all[len(all)-3840:]))); rms < 0.4 {
		t.Errorf("the sound did not come back: %.3f", rms)
	}
}

// A device with a buffer of its own is owed what the ring has not got, and gets it unbroken when the capture is back; one that cannot
// wait has a break. The delay is the same before and after.
func TestReadyWaitsForTheCapture(t *testing.T) {
	for _, c := range []struct {
		waits  bool
		keep   int
		late   int // capture periods that come late, together with the next
		breaks uint64
	}{{true, 960, 0, 0}, {true, 960, 3, 0}, {true, 960, 8, 0}, {false, 960, 8, 1}, {true, 0, 8, 0}, {true, -700, 8, 0}} {
		s, l := testLoop(t, MatchPink)
		l.keep, l.target = c.keep, c.keep
		l.servo = drift.NewServo(l.rateHz, float64(c.keep+l.period/2))
		frame, owed, most, before := 0, 0, 0, 0
		var clock int64
		l.now = func() int64 { return clock }
		var all []float32
		settle := func() {
			n := owed
			if c.waits {
				n = l.ready(owed)
			}
			out := make([]float32, 2*n)
			if n > 0 {
				l.render(out)
			}
			all = append(all, out...)
			owed -= n
			most = max(most, owed)
			if l.owed != owed {
				t.Fatalf("%d frames are owed, it counts %d", owed, l.owed)
			}
		}
		const asked, at = 400, 200
		for k := range asked {
			clock += 10e6
			if k < at || k >= at+c.late {
				for ; frame < 480*(k+1); frame += 480 {
					in := make([]float32, 2*480)
					for i := range in {
						in[i] = float32(0.5 * math.Sin(2*math.Pi*200/48000*float64(frame+i/2)))
					}
					l.capture(in)
				}
				if owed > 0 {
					settle()
				}
			}
			owed += 480
			settle()
			if k == at-1 {
				before = l.fill()
			}
		}
		if got := s.m.underruns.Load(); got != c.breaks {
			t.Errorf("%+v: %d breaks, want %d", c, got, c.breaks)
		}
		if want := max(-c.keep, c.late*480-c.keep-960); c.waits && most < want || !c.waits && most > 0 {
			t.Errorf("%+v: %d frames were owed at most, want %d", c, most, want)
		}
		if len(all) != 2*(480*asked-owed) {
			t.Errorf("%+v: %d of %d frames came, %d are owed", c, len(all)/2, 480*asked, owed)
		}
		if most := max(0, -c.keep); owed > most { // what the output's buffer is never filled with
			t.Errorf("%+v: %d frames are owed in the end, at most %d should be", c, owed, most)
		}
		if fill := l.fill(); c.waits && (fill < c.keep-480 || fill > c.keep+960) {
			t.Errorf("%+v: the fill is %d", c, fill)
		}
		if c.breaks > 0 {
			continue
		}
		if fill := l.fill(); fill < before-96 || fill > before+96 {
			t.Errorf("%+v: %d frames in the ring before, %d after", c, before, fill)
		}
		worst := 0.0 // of the second difference: 3.4e-4 for the sine itself
		for i := 4; i+4 < len(all); i += 2 {
			worst = max(worst, math.Abs(float64(all[i+2]-2*all[i]+all[i-2])))
		}
		if worst > 4e-4 {
			t.Errorf("%+v: a step of %.5f", c, worst)
		}
	}
}

func TestSurplusDelayIsTrimmed(t *testing.T) {
	s, l := testLoop(t, MatchPink)
	in, out := make([]float32, 2*1920), make([]float32, 2*1920)
	for k := range 150 {
		l.capture(in)
		if k == 30 {
			for range 3 { // a stall's worth arrives at once: 120 ms
				l.capture(in)
			}
		}
		l.render(out)
	}
	if got := s.m.trims.Load(); got == 0 || got > 3 {
		t.Errorf("%d trims", got)
	}
	if fill := s.m.ringFill.Load(); fill > int64(l.target+48000/100+2000) {
		t.Errorf("%d frames are still in the ring", fill)
	}
}

func TestRing(t *testing.T) {
	r := newRing(8)
	w, x := 0, 0
	for k := range 1000 {
		in := make([]float32, 2*(k%7))
		for i := range in {
			in[i] = float32(w*2 + i)
		}
		n := len(in)/2 - r.write(in)
		w += n
		if want := w - x; r.fill() != want {
			t.Fatalf("fill %d, want %d", r.fill(), want)
		}
		if r.fill() > 8 {
			t.Fatal("more than its size")
		}
		k := min(r.fill(), k%5)
		out := make([]float64, 2*k)
		r.peek(out, 0, 1)
		for i, v := range out {
			if v != float64(2*x+i) {
				t.Fatalf("frame %d reads %v", x, out)
			}
		}
		r.consume(k)
		x += k
	}
}

func TestTransitionsAreAsDocumented(t *testing.T) {
	all := []State{Stopped, Opening, Running, Recovering, Failed}
	doc := map[[2]State]bool{{Stopped, Opening}: true, {Opening, Running}: true, {Opening, Failed}: true, {Opening, Stopped}: true,
		{Running, Recovering}: true, {Running, Stopped}: true, {Recovering, Running}: true, {Recovering, Recovering}: true,
		{Recovering, Failed}: true, {Recovering, Stopped}: true, {Failed, Stopped}: true}
	for _, a := range all {
		for _, b := range all {
			s := &Session{driver: nil, log: slog.New(slog.DiscardHandler), m: &meters{}, state: a}
			s.driver = nameOnly{}
			panicked := func() (p bool) {
				defer func() { p = recover() != nil }()
				s.to(b)
				return false
			}()
			if doc[[2]State{a, b}] == panicked {
				t.Errorf("%v -> %v: refused %v", a, b, panicked)
			}
		}
	}
}

type nameOnly struct{ Driver }

func (nameOnly) Name() string { return "none" }

// BenchmarkLivePath is one callback of the whole path with twenty bands, reported per frame: with clocks in step, and with a capture
// clock 200 ppm fast, so that the resampler works.
func BenchmarkLivePath(b *testing.B) {
	for _, m := range []Match{MatchPink, MatchProgramme} {
		for _, ppm := range []float64{0, 200} {
			b.Run(fmt.Sprintf("%s/%g-ppm", m, ppm), func(b *testing.B) {
				_, l := testLoop(b, m, append(slices.Clone(tenBands), tenBands...)...)
				in, out := make([]float32, 2*1921), make([]float32, 2*1920)
				for i := range in {
					in[i] = float32(0.3 * math.Sin(float64(i/2)*0.05))
				}
				ahead := 0.0 // frames the capture clock has gained
				callback := func() {
					n := 1920
					if ahead += 1920 * ppm * 1e-6; ahead >= 1 {
						n, ahead = n+1, ahead-1
					}
					l.capture(in[:2*n])
					l.render(out)
				}
				for range 3000 { // two minutes: the servo has settled
					callback()
				}
				if r := l.res.Ratio(); math.Abs(r-1-ppm*1e-6) > 50e-6 {
					b.Fatalf("ratio %g", r)
				}
				b.ReportAllocs()
				least := time.Duration(math.MaxInt64)
				for b.Loop() {
					t := time.Now()
					callback()
					least = min(least, time.Since(t))
				}
				b.ReportMetric(float64(least.Nanoseconds())/1920, "ns/frame") // the least: a busy machine disturbs it little
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/1920, "mean-ns/frame")
			})
		}
	}
}
