//go:build linux

package main

import (
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/jfreymuth/pulse/proto"

	"cushwright/cmd/internal/faultscript"
	"cushwright/dsp"
)

// What must come of it: the scripts' expect commands.

var (
	onArg     = faultscript.Arg{Name: "OUTPUT", Among: sinkArg.Among, Word: "on"}
	withinArg = faultscript.Arg{Name: "WITHIN", Kind: faultscript.Span, Word: "within"}
)

// usualLimit is within what time something is expected where the script says nothing of it.
const usualLimit = 500 * time.Millisecond

func limitOf(v faultValues) time.Duration {
	if v.Has("WITHIN") {
		return v.Span("WITHIN")
	}
	return usualLimit
}

func (r *faultRig) earOf(v faultValues) *listener {
	if v.Has("OUTPUT") {
		return r.ears[v.Text("OUTPUT")]
	}
	return r.ears["phones"]
}

var expectations = faultTable{
	"expect sound": {Usage: "the corrected sound is heard at its level, and lasts",
		Args: []faultscript.Arg{onArg, withinArg},
		Do:   func(r *faultRig, v faultValues) { r.expectHeard(v, r.good) }},
	"expect edited": {Usage: "the same, of the correction that was edited", Args: []faultscript.Arg{onArg, withinArg},
		Do: func(r *faultRig, v faultValues) { r.expectHeard(v, r.good) }},
	"expect raw": {Usage: "the uncorrected sound is heard", Args: []faultscript.Arg{onArg, withinArg},
		Do: func(r *faultRig, v faultValues) {
			r.expectHeard(v, func(h heard) bool { return h.low > 0.4 && math.Abs(h.diff-dsp.DB(highTone/lowTone)) < 1 })
		}},
	"expect silence": {Usage: "nothing is heard, for 60 ms", Args: []faultscript.Arg{onArg}, Do: expectSilence},
	"expect steady": {Usage: "the corrected sound goes on for a while", Do: expectSteady,
		Args: append(slices.Clone(spanArgs), onArg)},
	"expect fade-in": {Usage: "the sound that began last came up over 200 ms",
		Do: func(r *faultRig, _ faultValues) { r.fadeIn() }},
	"expect state": {Usage: "the engine says that it is in a state",
		Args: []faultscript.Arg{{Name: "STATE", Kind: faultscript.Name}, withinArg},
		Do: func(r *faultRig, v faultValues) {
			r.expectSoon(v, func() bool { st, err := r.state(); return err == nil && st.State.String() == v.Text("STATE") })
		}},
	"expect rate": {Usage: "the engine plays at the output's rate, and where that is above 48 kHz, at this one",
		Args: []faultscript.Arg{{Name: "HZ", Kind: faultscript.Count}, withinArg}, Do: expectRate},
	"expect default": {Usage: "an output is default",
		Args: []faultscript.Arg{{Name: "OUTPUT", Kind: faultscript.Name}, withinArg},
		Do: func(r *faultRig, v faultValues) {
			r.expectSoon(v, func() bool {
				var i proto.GetServerInfoReply
				return r.Try(&proto.GetServerInfo{}, &i) == nil && i.DefaultSinkName == v.Text("OUTPUT")
			})
		}},
	"expect problem": {Usage: "the engine's status tells of one", Args: []faultscript.Arg{withinArg},
		Do: func(r *faultRig, v faultValues) { r.expectProblems(v, true) }},
	"expect no-problem": {Usage: "it tells of none", Args: []faultscript.Arg{withinArg},
		Do: func(r *faultRig, v faultValues) { r.expectProblems(v, false) }},
	"expect remembered": {Usage: "the cushion is remembered for the next start",
		Args: []faultscript.Arg{wornArg, withinArg},
		Do: func(r *faultRig, v faultValues) {
			r.until(v.Line(), time.Now(), limitOf(v), func() bool {
				b, _ := os.ReadFile(filepath.Join(r.disk, "state", "cushwright", "fitted"))
				return strings.TrimSpace(string(b)) == v.Text("CUSHION")
			})
		}},
	"expect report": {Usage: "the engine's log holds a text so often since the start",
		Args: []faultscript.Arg{{Name: "TEXT"},
			{Name: "TIMES", Among: []string{"never", "once", "at-most-once", "twice"}}, withinArg},
		Do: expectReport},
}

// timely notes how long something took, and doubts where it took too long.
func (r *faultRig) timely(v faultValues, took time.Duration) {
	r.t.Helper()
	r.note("%s: %.0f ms", v.Line(), took.Seconds()*1e3)
	if took > limitOf(v) {
		r.doubt("it took %.0f ms\n%s", took.Seconds()*1e3, r.log.from(r.turn.mark))
	}
}

// expectSoon waits for something that what befell brings about.
func (r *faultRig) expectSoon(v faultValues, ok func() bool) {
	r.t.Helper()
	r.timely(v, r.until(v.Line(), r.turn.after, limitOf(v), ok))
}

func (r *faultRig) expectProblems(v faultValues, some bool) {
	r.t.Helper()
	r.expectSoon(v, func() bool {
		st, err := r.state()
		return err == nil && (len(st.Problems) > 0) == some
	})
}

// expectHeard waits for five windows of 10 ms in a row that are as wanted.
func (r *faultRig) expectHeard(v faultValues, wanted func(heard) bool) {
	r.t.Helper()
	const lasts = 5
	var found time.Time
	r.until(v.Line(), r.turn.after, limitOf(v), func() bool {
		inARow := 0
		for _, h := range r.earOf(v).since(r.turn.after) {
			if inARow++; !wanted(h) {
				inARow = 0
			}
			if inARow == lasts {
				found = h.at.Add(-(lasts - 1) * 10 * time.Millisecond)
				return true
			}
		}
		return false
	})
	r.timely(v, found.Sub(r.turn.after))
}

func expectSilence(r *faultRig, v faultValues) {
	const length = 60 * time.Millisecond
	time.Sleep(length)
	for _, h := range r.earOf(v).since(time.Now().Add(-length)) {
		if h.low > 0.01 {
			r.t.Errorf("the tone is at %.1f dBFS", dsp.DB(h.low))
			return
		}
	}
}

func expectSteady(r *faultRig, v faultValues) {
	from, d, broke := time.Now(), spanOf(v), r.breaks()
	time.Sleep(d)
	bad, n := 0, 0
	for _, h := range r.earOf(v).since(from) {
		if n++; !r.good(h) {
			bad++
		}
	}
	if bad > n/50+5*int(r.breaks()-broke) || n < int(d/time.Millisecond/10)/2 {
		r.doubt("%d of %d windows of 10 ms are not the corrected sound", bad, n)
	}
}

func expectRate(r *faultRig, v faultValues) {
	// PulseAudio may turn an idle output from 44.1 to 48 kHz for whoever comes first, such as this test's player.
	r.until(v.Line(), r.turn.after, limitOf(v), func() bool {
		var sink proto.GetSinkInfoReply
		st, err := r.state()
		return err == nil && r.Try(&proto.GetSinkInfo{SinkIndex: proto.Undefined, SinkName: "phones"}, &sink) == nil &&
			st.RateHz == int(sink.Rate) && (v.Count("HZ") <= faultRate || st.RateHz == v.Count("HZ"))
	})
}

func expectReport(r *faultRig, v faultValues) {
	seen := func() int { return strings.Count(r.log.from(r.turn.mark), v.Text("TEXT")) }
	most := map[string]int{"never": 0, "once": 1, "at-most-once": 1, "twice": 2}[v.Text("TIMES")]
	if v.Text("TIMES") != "at-most-once" {
		r.until(v.Line(), time.Now(), limitOf(v), func() bool { return seen() >= most })
	}
	if n := seen(); n > most {
		r.t.Errorf("%d times\n%s", n, r.log.from(r.turn.mark))
	}
}
