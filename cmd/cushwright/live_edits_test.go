//go:build linux

package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"cushwright/dsp"
	"cushwright/dsp/testrun"
	"cushwright/engine/control"
	"cushwright/platform/soundtest"
)

// tone is a correction that changes the level at 1 kHz alone.
func tone(gainDB float64) string {
	return fmt.Sprintf("headroom_db = -6.0\n\n[[band]]\nshape = \"bell\"\nfreq_hz = 1000\ngain_db = %.2f\nq = 1.0\n", gainDB)
}

// sounding is a recording, and when each of its frames was heard.
type sounding interface {
	Samples() []float32
	At(frame int) time.Time
}

// changeAfter finds when the level of a 1 kHz sine in the recording first is nearer to level b than to a, after the
// moment.
func changeAfter(rec sounding, rate int, since time.Time, a, b float64) (time.Duration, bool) {
	return changeIn(rec.Samples(), rec.At, rate, since, a, b)
}

func changeIn(y []float32, heardAt func(int) time.Time, rate int, since time.Time, a, b float64) (time.Duration, bool) {
	n := rate / 500 // two periods
	first := int(since.Sub(heardAt(0)).Seconds() * float64(rate))
	for at := max(0, first); at+n <= len(y)/2; at += n / 4 {
		sum := 0.0
		for i := range n {
			sum += float64(y[2*(at+i)]) * float64(y[2*(at+i)])
		}
		level := 10 * math.Log10(2*sum/float64(n))
		if math.Abs(level-b) < math.Abs(level-a) {
			return heardAt(at + n/2).Sub(since), true
		}
	}
	return 0, false
}

// change is an edit of the level at 1 kHz: when it was saved, and the level before and after it, dBFS.
type change struct {
	at   time.Time
	a, b float64
}

// editSpacing is the least time between two edits. Levels alternate, so one that was dropped seems to be heard with the
// one after the next, at least two spacings late.
const editSpacing = 220 * time.Millisecond

// editsHeard gives how long each edit took to be heard, ms, and what is wrong: every one must be heard within most.
func editsHeard(rec sounding, rate int, edits []change, most time.Duration) (took []float64, wrong []string) {
	y := rec.Samples()
	begin := rec.At(0)
	for i, e := range edits {
		d, ok := changeIn(y, rec.At, rate, e.at, e.a, e.b)
		what := fmt.Sprintf("edit %d of %d, saved at %.2f s,", i+1, len(edits), e.at.Sub(begin).Seconds())
		switch {
		case !ok:
			wrong = append(wrong, what+" was never heard")
			continue
		case d > most:
			wrong = append(wrong,
				fmt.Sprintf("%s was heard after %.0f ms, allowed: %.0f", what, d.Seconds()*1e3, most.Seconds()*1e3))
		}
		took = append(took, d.Seconds()*1e3)
	}
	return took, wrong
}

// invented is a recording that nobody made.
type invented struct {
	y     []float32
	begin time.Time
	rate  int
}

func (r invented) Samples() []float32 { return r.y }
func (r invented) At(frame int) time.Time {
	return r.begin.Add(time.Duration(float64(frame) / float64(r.rate) * float64(time.Second)))
}

// One edit of sixty that is dropped, or late, or a third of them, is seen; the median sees none of that.
func TestEditsHeard(t *testing.T) {
	const rate, count = 48000, 60
	begin := time.Unix(0, 0)
	const least, most = 40 * time.Millisecond, 200 * time.Millisecond
	lateAt := func(late time.Duration, which func(i int) bool) func(int) time.Duration {
		return func(i int) time.Duration {
			if which(i) {
				return late
			}
			return least
		}
	}
	const dropped = -1
	for name, c := range map[string]struct {
		delay func(i int) time.Duration
		wrong int
	}{
		"all in time":      {func(i int) time.Duration { return least + time.Duration(i)*time.Millisecond }, 0},
		"one dropped":      {lateAt(dropped, func(i int) bool { return i == 30 }), 1},
		"the last dropped": {lateAt(dropped, func(i int) bool { return i == count-1 }), 1},
		"a third dropped":  {lateAt(dropped, func(i int) bool { return i%3 == 1 }), count / 3},
		"one late":         {lateAt(most+12*time.Millisecond, func(i int) bool { return i == 7 }), 1},
	} {
		var edits []change
		y := make([]float32, 2*rate*(count+2)*int(editSpacing/time.Millisecond)/1000)
		levels := [2]float64{-9, -15}
		level, at := 0, 0
		fill := func(to time.Duration) { // with a sine of the level
			for ; at < len(y)/2 && at < int(to.Seconds()*rate); at++ {
				y[2*at] = float32(dsp.Ratio(levels[level]) * math.Sin(2*math.Pi*1000*float64(at)/rate))
			}
		}
		for i := range count {
			saved := time.Duration(i+1) * editSpacing
			edits = append(edits, change{begin.Add(saved), levels[i%2], levels[(i+1)%2]})
			if d := c.delay(i); d >= 0 {
				fill(saved + d)
				level = (i + 1) % 2
			}
		}
		fill(time.Hour)
		took, wrong := editsHeard(invented{y, begin, rate}, rate, edits, most)
		if len(wrong) != c.wrong {
			t.Errorf("%s: %d wrong, want %d: %q", name, len(wrong), c.wrong, wrong)
		}
		if median(took) > 120 {
			t.Errorf("%s: the median is %.0f ms", name, median(took))
		}
	}
}

func TestLiveReload(t *testing.T) {
	onBoth(t, func(t *testing.T, kind string) { judge(t, stillness, func() string { return reload(t, kind) }) })
}

// reload saves edits while a sine plays, and says what is wrong with what is heard of them.
func reload(t *testing.T, kind string) (wrong string) {
	t.Helper()
	const rate = 48000
	r := newRig(t, kind, rate)
	r.write("settings.toml", "[guard]\nenabled = false\n")
	r.write("corrections/wipe-clean.toml", tone(0))
	r.start()
	p := r.PlayFunc("", rate, soundtest.Sine(1000, rate, 1))
	defer p.Stop()
	time.Sleep(1500 * time.Millisecond)
	input := r.Record("cushwright.monitor", rate)
	rec := r.Record("phones.monitor", rate)
	time.Sleep(500 * time.Millisecond)
	added := time.Duration(r.status().DelayMS * float64(time.Millisecond))
	gains := []float64{0, -6}
	var edits []change
	rnd := rand.New(rand.NewPCG(3, 3))
	for i := range testrun.Pick(60, 200) {
		a, b := gains[i%2], gains[(i+1)%2]
		edits = append(edits, change{time.Now(), a - 6, b - 6})
		r.write("corrections/wipe-clean.toml", tone(b))
		time.Sleep(editSpacing + time.Duration(rnd.IntN(80))*time.Millisecond)
	}
	time.Sleep(300 * time.Millisecond)
	fed := input.Stop()
	y := rec.Stop()
	r.stop()
	took, faults := editsHeard(rec, rate, edits, 200*time.Millisecond+added)
	for i, x := range y {
		if x != x {
			t.Fatalf("sample %d is not a number", i)
		}
	}
	sp, loud := splatter(y, rate, 1000)
	spIn, loudIn := splatter(fed, rate, 1000)
	t.Logf("%d edits: save to audible median %.0f ms, largest %.0f (of it %.0f ms added latency by status); "+
		"largest splatter %.1f dBFS (in what was fed to the engine: %.1f dBFS)",
		len(took), median(took), slices.Max(took), added.Seconds()*1e3, sp, spIn)
	lost := 0
	for _, at := range loud {
		if brokenSine(y, rate, 1000, at-2048, at+3*2048) || slices.Contains(loudIn, at) {
			lost++
		} else {
			faults = append(faults, fmt.Sprintf("splatter of the engine's own above -80 dBFS at frame %d: the sine goes on "+
				"without a gap or a jump there", at))
		}
	}
	if lost > 0 {
		t.Logf("%d of %d windows were splattered by breaks in the sound (frames lost by server or device; "+
			"TestLiveContinuity judges those)", lost, 2*len(y)/2/4096)
	}
	if median(took) > 100+added.Seconds()*1e3 {
		faults = append(faults,
			fmt.Sprintf("save to audible took %.0f ms, allowed: 100 + %.0f", median(took), added.Seconds()*1e3))
	}
	return strings.Join(faults, "; ")
}

func TestLiveBadEdits(t *testing.T) {
	onBoth(t, func(t *testing.T, kind string) { judge(t, stillness, func() string { return badEdits(t, kind) }) })
}

// badEdits saves corrections that cannot be read while a sine plays, and says what is wrong with what is heard meanwhile.
func badEdits(t *testing.T, kind string) (wrong string) {
	t.Helper()
	var faults []string
	const rate = 48000
	bad, err := filepath.Glob(filepath.Join("..", "..", "testdata", "bad", "*.toml"))
	if err != nil || len(bad) < 50 {
		t.Fatalf("%d bad files in testdata (%v)", len(bad), err)
	}
	r := newRig(t, kind, rate)
	r.write("settings.toml", "# all defaults\n")
	r.write("corrections/wipe-clean.toml", tone(-3))
	r.start()
	p := r.PlayFunc("", rate, soundtest.Sine(1000, rate, 0.5))
	defer p.Stop()
	time.Sleep(1500 * time.Millisecond)
	rec := r.Record("phones.monitor", rate)
	done := 0
	for _, file := range bad {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		base := filepath.Base(file)
		if !strings.HasPrefix(base, "correction-") {
			continue
		}
		done++
		r.write("corrections/wipe-clean.toml", string(text))
		var st control.Status
		for end := time.Now().Add(3 * time.Second); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
			if st = r.status(); len(st.Problems) > 0 {
				break
			}
		}
		if len(st.Problems) == 0 || !strings.Contains(st.Problems[0], "corrections/wipe-clean.toml") {
			t.Errorf("%s: status says %q", base, st.Problems)
		}
		r.write("corrections/wipe-clean.toml", tone(-3))
		for end := time.Now().Add(3 * time.Second); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
			if st = r.status(); len(st.Problems) == 0 {
				break
			}
		}
	}
	y := rec.Stop()
	_, loud := splatter(y, rate, 1000)
	for _, at := range loud {
		if !brokenSine(y, rate, 1000, at-2048, at+3*2048) {
			faults = append(faults, fmt.Sprintf("splatter above -80 dBFS at frame %d", at))
		}
	}
	var levels []float64 // of 100 ms each: the median bears a break
	for at := 0; at+rate/10 <= len(y)/2; at += rate / 10 {
		l, _ := soundtest.LevelDB(y[2*at : 2*(at+rate/10)])
		levels = append(levels, l)
	}
	slices.Sort(levels)
	want := dsp.DB(0.5) - 3.0103 - 9
	off := 0
	for _, l := range levels {
		if math.Abs(l-want) > 0.05 {
			off++
		}
	}
	t.Logf("%d bad edits: level %.3f dB (want %.3f); %d of %d pieces of 100 ms differ (breaks)", done, median(levels), want, off, len(levels))
	if math.Abs(median(levels)-want) > 0.01 || off > len(levels)/10 {
		faults = append(faults, fmt.Sprintf("the sound did not go on unchanged: level %.3f dB, want %.3f; %d of %d pieces differ",
			median(levels), want, off, len(levels)))
	}
	if done < 20 {
		t.Errorf("only %d bad corrections in testdata", done)
	}
	r.stop()
	if n := strings.Count(r.log.String(), "corrections/wipe-clean.toml"); n < done {
		t.Errorf("the log names the file %d times for %d bad edits", n, done)
	}
	return strings.Join(faults, "; ")
}
