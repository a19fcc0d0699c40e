package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"time"
	"unicode"

	tea "charm.land/bubbletea/v2"
	"github.com/charmbracelet/x/ansi"
	"github.com/spf13/cobra"

	"cushwright/cmd/internal/words"
	"cushwright/engine"
	"cushwright/engine/control"
)

func (a *app) watchCommand() *cobra.Command {
	return &cobra.Command{Use: "watch", Short: "a live view of the engine in the terminal", Args: cobra.NoArgs,
		Long: "A live view of the engine in the terminal. It asks the engine ten times a second and needs no colours.",
		RunE: func(c *cobra.Command, _ []string) error {
			if fi, err := os.Stdout.Stat(); err != nil || fi.Mode()&os.ModeCharDevice == 0 {
				return errors.New(`cushwright: watch: the output is not a terminal: "status --json" is made for programs`)
			}
			cl, err := newClient()
			if err != nil {
				return err
			}
			if _, err := cl.Status(c.Context()); err != nil {
				return answer(err)
			}
			_, err = tea.NewProgram(&watchView{ask: cl, now: time.Now, width: 80, height: 24}, tea.WithContext(c.Context())).Run()
			if errors.Is(err, tea.ErrProgramKilled) || errors.Is(err, tea.ErrInterrupted) {
				return nil
			}
			return err
		}}
}

const (
	watchEvery = 100 * time.Millisecond
	watchHold  = 2 * time.Second // how long a peak stays marked
)

// asker is what the view needs of the engine.
type asker interface {
	Status(context.Context) (control.Status, error)
	Wear(context.Context, string) (control.Status, error)
	Bypass(ctx context.Context, mode, with string) (bool, error)
}

// peak is a level's mark, held for a while.
type peak struct {
	db float64
	at time.Time
}

func (p *peak) take(db float64, now time.Time) {
	if p.at.IsZero() || db >= p.db || now.Sub(p.at) > watchHold {
		*p = peak{db, now}
	}
}

// tally is a counter with the time it last rose while it was watched.
type tally struct {
	n    uint64
	last time.Time
}

func (t *tally) take(n uint64, now time.Time, first bool) {
	if !first && n > t.n {
		t.last = now
	}
	t.n = n
}

func (t tally) String() string {
	if t.last.IsZero() {
		return fmt.Sprint(t.n)
	}
	return fmt.Sprintf("%d, last at %s", t.n, t.last.Format("15:04:05"))
}

// watchView is the model of the live view. bubbletea calls its methods one at a time.
type watchView struct {
	ask           asker
	now           func() time.Time
	width, height int

	st      control.Status
	seen    time.Time // when st came; zero: never
	lost    error     // why there is no newer one
	in, out peak
	overs   tally
	breaks  tally
	said    string // what the last key came to, if that was an error
}

type (
	watchTick  struct{}
	watchState struct {
		st  control.Status
		err error
	}
	watchDone struct{ err error }
)

func (v *watchView) Init() tea.Cmd { return v.poll() }

// poll asks for the state; a slow engine is waited for, so that questions never pile up.
func (v *watchView) poll() tea.Cmd {
	ask := v.ask
	return func() tea.Msg {
		ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
		defer cancel()
		st, err := ask.Status(ctx)
		return watchState{st, err}
	}
}

func (v *watchView) do(f func(context.Context) error) tea.Cmd {
	return func() tea.Msg {
		ctx, cancel := context.WithTimeout(context.Background(), 4*time.Second)
		defer cancel()
		return watchDone{f(ctx)}
	}
}

func (v *watchView) Update(msg tea.Msg) (tea.Model, tea.Cmd) {
	switch m := msg.(type) {
	case tea.WindowSizeMsg:
		v.width, v.height = m.Width, m.Height
		return v, tea.ClearScreen
	case watchTick:
		return v, v.poll()
	case watchState:
		was := v.lost != nil
		v.take(m)
		next := tea.Tick(watchEvery, func(time.Time) tea.Msg { return watchTick{} })
		if was != (v.lost != nil) {
			// A terminal that goes to another size and back at once cuts the picture and tells nobody: all of it is drawn anew
			// where much changes, and by ctrl+l.
			return v, tea.Batch(next, tea.ClearScreen)
		}
		return v, next
	case watchDone:
		v.said = ""
		if m.err != nil {
			v.said = m.err.Error()
		}
	case tea.KeyPressMsg:
		switch m.String() {
		case "q", "ctrl+c", "esc":
			return v, tea.Quit
		case "b", "space":
			return v, v.do(func(ctx context.Context) error { _, err := v.ask.Bypass(ctx, "toggle", ""); return err })
		case "n", "right", "down":
			return v, v.wear(1)
		case "p", "left", "up":
			return v, v.wear(-1)
		case "ctrl+l":
			return v, tea.ClearScreen
		case "r":
			v.in, v.out, v.overs.last, v.breaks.last = peak{}, peak{}, time.Time{}, time.Time{}
		}
	}
	return v, nil
}

// wear fits the cushion so many places further.
func (v *watchView) wear(by int) tea.Cmd {
	names := v.st.Cushions
	if len(names) == 0 {
		return nil
	}
	at := slices.Index(names, v.st.Cushion)
	name := names[((at+by)%len(names)+len(names))%len(names)]
	return v.do(func(ctx context.Context) error { _, err := v.ask.Wear(ctx, name); return err })
}

// take notes a new state.
func (v *watchView) take(m watchState) {
	if v.lost = m.err; m.err != nil {
		return
	}
	now := v.now()
	first := v.seen.IsZero() || m.st.PID != v.st.PID // another engine counts anew
	if first {
		v.in, v.out, v.overs, v.breaks = peak{}, peak{}, tally{}, tally{}
	}
	v.st, v.seen = m.st, now
	v.in.take(m.st.Counters.InTrueDB, now) // two readings overlap: no peak is missed
	v.out.take(m.st.Counters.OutTrueDB, now)
	v.overs.take(m.st.Counters.Overs, now, first)
	v.breaks.take(m.st.Counters.Underruns, now, first)
}

func (v *watchView) View() tea.View {
	w := tea.NewView(v.text())
	w.AltScreen = true
	w.WindowTitle = "cushwright"
	return w
}

// row is a line of the view and how early it goes when there is too little room: the largest rank first.
type row struct {
	rank int
	text string
}

// text lays the view out: at most height lines of at most width columns.
func (v *watchView) text() string {
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

	state := "waiting for the engine"
	switch {
	case v.lost != nil:
		state = "ENGINE LOST"
	case !v.seen.IsZero():
		state = strings.ToUpper(st.State.String())
	}
	add(0, "%s", apart("cushwright", state, v.width))
	if v.lost != nil {
		warn(0, v.lost.Error())
		if !v.seen.IsZero() {
			add(1, "  below stands what was last known, at %s; asking on", v.seen.Format("15:04:05"))
		}
	}
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
	add(2, "heard     %s", side(st))
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
	left := "hidden"
	if !st.Trial {
		left = fmt.Sprintf("%.1f dB", -c.OutHoldDB)
		if c.OutHoldDB <= -120 {
			left = "all"
		}
	}
	add(2, "headroom  %.1f dB taken off; left at the largest peak: %s", math.Abs(st.HeadroomDB), left)
	add(1, "overs     %v", v.overs)
	add(1, "breaks    %v", v.breaks)
	add(6, "clipped   %s at full scale in the programme itself", words.Plural(c.ClippedRuns, "run"))
	add(3, "delay     %.0f ms; drift %+.0f ppm, trims %d, late %d", st.DelayMS, c.DriftPPM, c.Trims, c.LateCallbacks)
	add(4, "sound     %s at %d Hz, reopened %d", st.Output, st.RateHz, st.Reopened)
	if st.LastError != "" {
		warn(2, st.LastError)
	}
	for _, k := range st.KeysTaken {
		warn(4, "key not available: "+k)
	}
	if st.Match == matchOff && !st.Trial {
		warn(6, unmatched)
	}
	for i, p := range st.Problems {
		warn(min(1+i, 7), "not taken over: "+p)
	}
	if v.said != "" {
		warn(0, v.said)
	}
	return v.fit(rows)
}

const watchKeys = "b bypass   n/p other cushion   r reset marks   q quit"

// fit drops the rows of the least rank until the rest and the line of keys have room.
func (v *watchView) fit(rows []row) string {
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
		b.WriteString(strings.Repeat("\n", max(0, v.height-1-len(rows))) + line(watchKeys, v.width))
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

// side says in words what is heard.
func side(st control.Status) string {
	switch {
	case st.Trial:
		return "hidden while a listening trial is under way"
	case st.Muted:
		return "nothing: muted"
	case st.State != engine.Running:
		return "nothing: " + st.State.String()
	case st.Bypass && st.Other != "":
		return "the correction of " + st.Other
	case st.Bypass:
		return "bypass: no correction, " + loudnessOf(st.Match)
	case st.Bands == 0:
		return "no correction"
	case st.Reference != "":
		return fmt.Sprintf("corrected towards %s, %s", st.Reference, words.Plural(uint64(st.Bands), "band"))
	}
	return "corrected, " + words.Plural(uint64(st.Bands), "band")
}

// The bars span 60 dB below full scale.
const (
	meterFloor = -60.0
	meterLead  = 10 // columns before a bar
	meterTail  = 22 // columns after it
)

func barWidth(width int) int { return max(0, width-meterLead-meterTail) }

// column is the place of a level on a bar of n columns, 0 to n.
func column(db float64, n int) int {
	return int(math.Round(max(0, min(1, 1-db/meterFloor)) * float64(n)))
}

// scale10 writes the levels above the bars, each where its column is.
func scale10(width int) string {
	n := barWidth(width)
	b := []byte(strings.Repeat(" ", meterLead+n+meterTail))
	step := 10.0
	if n < 36 {
		step = 20
	}
	for db := meterFloor; db <= 0; db += step {
		s := fmt.Sprintf("%.0f", db)
		copy(b[max(0, meterLead+column(db, n)-len(s)/2-1):], s)
	}
	copy(b[meterLead+n+3:], "dBFS now   dBTP")
	return string(b)
}

// meter draws a level as a bar, the true peak of the last seconds as a mark |, and the level and the largest true peak as
// figures.
func meter(name string, db, mark, largest float64, width int) string {
	n := barWidth(width)
	bar := []byte(strings.Repeat("=", column(db, n)) + strings.Repeat(".", n-column(db, n)))
	if at := column(mark, n); at > 0 {
		bar[at-1] = '|'
	}
	return fmt.Sprintf("%-*s%s  %s  %s", meterLead, name, bar, level(db), level(largest))
}

// level writes a level in dBFS, right-aligned.
func level(db float64) string {
	if db <= -120 {
		return "  silent"
	}
	return fmt.Sprintf("%8.1f", db)
}
