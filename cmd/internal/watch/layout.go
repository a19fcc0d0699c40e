package watch

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode"

	"github.com/charmbracelet/x/ansi"

	"cushwright/cmd/internal/service"
	"cushwright/cmd/internal/words"
)

// row is a line of the view and how early it goes when there is too little room: the largest rank first.
type row struct {
	rank int
	text string
}

// text lays the view out: at most height lines of at most width columns.
func (v *view) text() string {
	var rows []row
	add := func(rank int, format string, args ...any) {
		rows = append(rows, row{rank, fmt.Sprintf(format, args...)})
	}
	warn := func(rank int, text string) { // over as many lines as it takes: what to do about it stands at the end
		for i, l := range strings.Split(ansi.Wrap(printable(text), max(v.width-2, 1), ""), "\n") {
			add(rank, "%s%s", [...]string{"! ", "  "}[min(i, 1)], l)
		}
	}
	st, c := v.st, v.st.Counters

	v.head(add, warn)
	if v.seen.IsZero() {
		return v.fit(rows)
	}
	add(0, "%s", st.Summary)
	add(9, "")
	var names []string
	for _, n := range st.Cushions {
		if n == st.Cushion {
			n = "[" + n + "]"
		}
		names = append(names, n)
	}
	add(2, "cushion   %s", strings.Join(names, "  "))
	add(2, "heard     %s", service.Heard(st))
	add(8, "")
	add(5, "%s", scale10(v.width))
	add(1, "%s", meter("input", c.InPeakDB, v.in.db, c.InHoldDB, v.width))
	if st.Trial {
		add(1, "output    hidden while a listening trial is under way")
	} else {
		add(1, "%s", meter("output", c.OutPeakDB, v.out.db, c.OutHoldDB, v.width))
		add(2, "guard     %.1f dB now, %.1f dB at most", math.Abs(c.GuardDB), math.Abs(c.GuardMaxDB))
	}
	add(8, "")
	spare := "hidden"
	if !st.Trial {
		spare = fmt.Sprintf("%.1f dB", -c.OutHoldDB)
		if c.OutHoldDB <= -120 {
			spare = "all"
		}
	}
	add(2, "headroom  %.1f dB taken off; left at the largest peak: %s", math.Abs(st.HeadroomDB), spare)
	add(1, "overs     %v", v.overs)
	add(1, "breaks    %v", v.breaks)
	add(6, "clipped   %s at full scale in the programme itself", words.Plural(c.ClippedRuns, "run"))
	add(3, "delay     %.0f ms; drift %+.0f ppm, trims %d, late %d", st.DelayMS, c.DriftPPM, c.Trims, c.LateCallbacks)
	add(4, "sound     %s at %d Hz, reopened %d", st.Output, st.RateHz, st.Reopened)
	if st.LastError != "" {
		warn(2, st.LastError)
	}
	for _, k := range st.KeysTaken {
		warn(4, "This key is not available: "+k)
	}
	if st.Match == service.MatchOff && !st.Trial {
		warn(6, service.Unmatched)
	}
	for i, p := range st.Problems {
		warn(min(1+i, 7), "Not loaded: "+p)
	}
	if v.said != "" {
		warn(0, v.said)
	}
	return v.fit(rows)
}

// head adds the first lines: the engine's state, its loss, and the keys where they are asked for.
func (v *view) head(add func(rank int, format string, args ...any), warn func(rank int, text string)) {
	state := "waiting for the engine"
	switch {
	case v.lost != nil:
		state = "ENGINE LOST"
	case !v.seen.IsZero():
		state = strings.ToUpper(v.st.State.String())
	}
	add(0, "%s", apart("cushwright", state, v.width))
	if v.lost != nil {
		warn(0, words.Plain(v.lost.Error()))
		if !v.seen.IsZero() {
			add(1, "  The figures below are from %s. The engine is asked again and again.", v.seen.Format("15:04:05"))
		}
	}
	if v.help {
		for _, l := range manual {
			add(0, "%s", l)
		}
		add(0, "")
	}
}

const keys = "b bypass   n/p other cushion   ? all keys   q quit"

// manual explains every key.
var manual = []string{
	"  b, space         bypass on or off",
	"  n, right, down   wear the next cushion",
	"  p, left, up      wear the cushion before",
	"  r                forget the marks of peaks and breaks",
	"  ctrl+l           draw the screen again",
	"  ?                show or hide these keys",
	"  q, esc, ctrl+c   leave; the engine goes on",
}

// fit drops the rows of the least rank until the rest and the line of keys have room.
func (v *view) fit(rows []row) string {
	for len(rows) > max(v.height-1, 1) {
		worst := 0
		for i, r := range rows {
			if r.rank >= rows[worst].rank {
				worst = i
			}
		}
		rows = slices.Delete(rows, worst, worst+1)
	}
	var b strings.Builder
	for _, r := range rows {
		b.WriteString(line(r.text, v.width) + "\n")
	}
	if v.height > 1 {
		b.WriteString(strings.Repeat("\n", max(0, v.height-1-len(rows))) + line(keys, v.width))
	}
	return strings.TrimSuffix(b.String(), "\n")
}

// line makes text fit for one line of a terminal.
func line(text string, width int) string {
	return strings.TrimRight(ansi.Truncate(printable(text), width, "…"), " ")
}

// printable replaces what would act on a terminal: names come from files and devices.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return '?'
		}
		return r
	}, text)
}

// apart puts two words at the two ends of a line.
func apart(left, right string, width int) string {
	return left + strings.Repeat(" ", max(1, width-len(left)-len(right))) + right
}
