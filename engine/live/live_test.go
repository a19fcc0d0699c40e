package live

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"cushwright/dsp"
	"cushwright/dsp/drift"
	"cushwright/dsp/guard"
)

// testPath is a path as the supervisor makes it, driven by hand: each look at its clock finds it 40 ms on.
func testPath(t testing.TB, byProgramme bool, bands ...dsp.Band) (*Meters, *Path) {
	t.Helper()
	var clock int64
	m := &Meters{}
	p, err := New(Config{RateHz: 48000, CaptureFrames: 480, OutputFrames: 1920, LeaveFrames: 960, Guard: true,
		CeilingDB: -1, LookAheadS: guard.DefaultLookAheadS, InputGain: func() float32 { return 1 },
		NowNs: func() int64 { clock += 40e6; return clock }}, m, testProgram(t, byProgramme, bands...), Wishes{})
	if err != nil {
		t.Fatal(err)
	}
	return m, p
}

func testProgram(t testing.TB, byProgramme bool, bands ...dsp.Band) *Program {
	t.Helper()
	chain := func(bands []dsp.Band) *dsp.Chain {
		c, err := dsp.NewCorrection(bands, dsp.AutoHeadroom)
		if err != nil {
			t.Fatal(err)
		}
		ch, err := c.Compile(48000, dsp.Options{NoLag: true})
		if err != nil {
			t.Fatal(err)
		}
		return ch
	}
	p, err := NewProgram(chain(bands), chain(nil), 48000, Sides{Matched: true, ByProgramme: byProgramme})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

var tenBands = func() (b []dsp.Band) {
	for i := range 10 {
		f := 40 * math.Pow(1.8, float64(i))
		b = append(b, dsp.Band{Shape: dsp.Bell, FreqHz: f, GainDB: float64(i%5) - 2, Q: 1.2})
	}
	return b
}()

// A callback is late by the measure of the period in force: the output's may have become longer since the streams
// were opened.
func TestLateByThePeriodInForce(t *testing.T) {
	m, p := testPath(t, false)
	clock := int64(1)
	p.now = func() int64 { return clock }
	for _, c := range []struct {
		afterMS float64
		frames  int
		late    uint64 // so far
	}{
		{0, 1920, 0}, {40, 1920, 0}, {59, 1920, 0}, {61, 1920, 1},
		{40, 3840, 1}, {80, 3840, 1}, {119, 3840, 1}, {121, 3840, 2}, // twice as long
		{80, 480, 2}, {10, 480, 2}, {59, 480, 2}, {61, 480, 3}, // shorter: what it began with is allowed
	} {
		clock += int64(c.afterMS * 1e6)
		p.Render(make([]float32, 2*c.frames))
		if got := m.playback.late.Load(); got != c.late {
			t.Fatalf("a callback of %d frames after %.0f ms: %d were late, want %d", c.frames, c.afterMS, got, c.late)
		}
	}
}

func TestAudioPathAllocatesNothing(t *testing.T) {
	m, p := testPath(t, true, tenBands...)
	in, out := make([]float32, 2*480), make([]float32, 2*1920)
	n := 0
	programs := make([]*Program, 0, 200)
	for range 200 {
		programs = append(programs, testProgram(t, true, tenBands...))
	}
	got := testing.AllocsPerRun(150, func() {
		for range 4 {
			for i := range in {
				n++
				in[i] = float32(math.Sin(float64(n) * 0.05))
			}
			p.Capture(in)
		}
		p.Publish(programs[len(programs)-1])
		programs = programs[:len(programs)-1]
		p.Wish(Wishes{Bypass: n%3 == 0})
		p.Render(out)
	})
	if got != 0 {
		t.Errorf("%v allocations per callback", got)
	}
	if m.playback.callbacks.Load() == 0 || m.playback.underruns.Load() != 0 {
		t.Errorf("callbacks %d, underruns %d: the path measured is not the live one",
			m.playback.callbacks.Load(), m.playback.underruns.Load())
	}
}

func TestBadInputIsSilencedAndCounted(t *testing.T) {
	m, p := testPath(t, false, tenBands...)
	in, out := make([]float32, 2*1920), make([]float32, 2*1920)
	for range 40 {
		for i := range in {
			in[i] = float32(0.1 * math.Sin(float64(i/2)*0.1))
		}
		in[77] = float32(math.NaN())
		in[501] = float32(math.Inf(-1))
		p.Capture(in)
		p.Render(out)
		for i, x := range out {
			if x != x || math.Abs(float64(x)) > 1 {
				t.Fatalf("sample %d is %v", i, x)
			}
		}
	}
	if m.playback.bad.Load() == 0 {
		t.Error("nothing was counted")
	}
}

func TestUnderrunDiesAwayAndResumes(t *testing.T) {
	m, p := testPath(t, false)
	in, out := make([]float32, 2*1920), make([]float32, 2*1920)
	phase := 0.0
	var all []float32
	for k := range 120 {
		for i := 0; i < len(in); i += 2 {
			phase += 2 * math.Pi * 200 / 48000
			in[i], in[i+1] = float32(0.5*math.Sin(phase)), float32(0.5*math.Sin(phase))
		}
		if k != 60 && k != 61 { // nothing comes for 80 ms
			p.Capture(in)
		}
		p.Render(out)
		all = append(all, out...)
	}
	if got := m.playback.underruns.Load(); got != 1 {
		t.Errorf("%d underruns counted for one gap", got)
	}
	worst := 0.0
	for i := 4; i+4 < len(all); i += 2 { // second difference: of a 200 Hz sine at 0.5 3.4e-4, of a cut up to 0.5
		worst = max(worst, math.Abs(float64(all[i+2]-2*all[i]+all[i-2])))
	}
	if worst > 0.02 {
		t.Errorf("a step of %.3f: the break clicks", worst)
	}
	if rms := math.Abs(float64(slices.Max(all[len(all)-3840:]))); rms < 0.4 {
		t.Errorf("the sound did not come back: %.3f", rms)
	}
}

// A device with a buffer of its own is owed what the ring has not got, and gets it unbroken when the capture is back;
// one that cannot wait has a break. The delay is the same before and after.
func TestOutletWaitsForTheCapture(t *testing.T) {
	for _, c := range []struct {
		waits  bool
		leave  int // frames in the ring
		late   int // capture periods that come late, together with the next
		breaks uint64
	}{
		{true, 960, 0, 0}, {true, 960, 3, 0}, {true, 960, 8, 0}, {false, 960, 8, 1}, {true, 0, 8, 0}, {true, -700, 8, 0},
	} {
		m, p := testPath(t, false)
		p.feed.least, p.feed.target = c.leave, c.leave
		p.feed.steering.servo = drift.NewServo(p.feed.rateHz, float64(c.leave+p.feed.period/2))
		frame, owed, most, before := 0, 0, 0, 0
		var clock int64
		p.now = func() int64 { return clock }
		var all []float32
		settle := func() {
			n := owed
			if c.waits {
				n = p.Due()
			}
			out := make([]float32, 2*n)
			if n > 0 {
				p.Render(out)
			}
			all = append(all, out...)
			owed -= n
			most = max(most, owed)
			if p.Owed() != owed {
				t.Fatalf("%d frames are owed, it counts %d", owed, p.Owed())
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
					p.Capture(in)
				}
				if owed > 0 {
					settle()
				}
			}
			owed += 480
			if c.waits {
				p.Ask(480)
			}
			settle()
			if k == at-1 {
				before = p.feed.fill()
			}
		}
		if got := m.playback.underruns.Load(); got != c.breaks {
			t.Errorf("%+v: %d breaks, want %d", c, got, c.breaks)
		}
		if want := max(-c.leave, c.late*480-c.leave-960); c.waits && most < want || !c.waits && most > 0 {
			t.Errorf("%+v: %d frames were owed at most, want %d", c, most, want)
		}
		if len(all) != 2*(480*asked-owed) {
			t.Errorf("%+v: %d of %d frames came, %d are owed", c, len(all)/2, 480*asked, owed)
		}
		if most := max(0, -c.leave); owed > most { // what the output's buffer is never filled with
			t.Errorf("%+v: %d frames are owed in the end, at most %d should be", c, owed, most)
		}
		if fill := p.feed.fill(); c.waits && (fill < c.leave-480 || fill > c.leave+960) {
			t.Errorf("%+v: the fill is %d", c, fill)
		}
		if c.breaks > 0 {
			continue
		}
		if fill := p.feed.fill(); fill < before-96 || fill > before+96 {
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
	m, p := testPath(t, false)
	in, out := make([]float32, 2*1920), make([]float32, 2*1920)
	for k := range 150 {
		p.Capture(in)
		if k == 30 {
			for range 3 { // a stall's worth arrives at once: 120 ms
				p.Capture(in)
			}
		}
		p.Render(out)
	}
	if got := m.playback.trims.Load(); got == 0 || got > 3 {
		t.Errorf("%d trims", got)
	}
	if fill := m.playback.ringFill.Load(); fill > int64(p.feed.target+48000/100+2000) {
		t.Errorf("%d frames are still in the ring", fill)
	}
}

// BenchmarkLivePath is one callback of the whole path with twenty bands, reported per frame: with clocks in step, and
// with a capture clock 200 ppm fast, so that the resampler works.
func BenchmarkLivePath(b *testing.B) {
	for i, match := range []string{"pink", "programme"} {
		byProgramme := i == 1
		for _, ppm := range []float64{0, 200} {
			b.Run(fmt.Sprintf("%s/%g-ppm", match, ppm), func(b *testing.B) {
				_, p := testPath(b, byProgramme, append(slices.Clone(tenBands), tenBands...)...)
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
					p.Capture(in[:2*n])
					p.Render(out)
				}
				for range 3000 { // two minutes: the servo has settled
					callback()
				}
				if r := p.feed.res.Ratio(); math.Abs(r-1-ppm*1e-6) > 50e-6 {
					b.Fatalf("ratio %g", r)
				}
				b.ReportAllocs()
				least := time.Duration(math.MaxInt64)
				for b.Loop() {
					t := time.Now()
					callback()
					least = min(least, time.Since(t))
				}
				// the least: a busy machine disturbs it little
				b.ReportMetric(float64(least.Nanoseconds())/1920, "ns/frame")
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/1920, "mean-ns/frame")
			})
		}
	}
}
