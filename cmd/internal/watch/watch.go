// Package watch is the live view of the engine in a terminal.
package watch

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	tea "charm.land/bubbletea/v2"

	"cushwright/cmd/internal/service"
	"cushwright/cmd/internal/words"
	"cushwright/engine/control"
)

// Run shows the view until the user leaves it or ctx ends. It says on w what stays as it is.
func Run(ctx context.Context, engine service.Asker, w io.Writer) error {
	v := &view{ask: engine, now: time.Now, width: 80, height: 24}
	_, err := tea.NewProgram(v, tea.WithContext(ctx)).Run()
	fmt.Fprint(w, v.parting())
	if errors.Is(err, tea.ErrProgramKilled) || errors.Is(err, tea.ErrInterrupted) {
		return nil
	}
	return err
}

const (
	every = 100 * time.Millisecond
	hold  = 2 * time.Second // how long a peak stays marked
)

// peak is a level's mark, held for a while.
type peak struct {
	db float64
	at time.Time
}

func (p *peak) take(db float64, now time.Time) {
	if p.at.IsZero() || db >= p.db || now.Sub(p.at) > hold {
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

// view is the model of the live view. bubbletea calls its methods one at a time.
type view struct {
	ask           service.Asker
	now           func() time.Time
	width, height int

	st      control.Status
	seen    time.Time // when st came; zero: never
	lost    error     // why there is no newer one
	in, out peak
	overs   tally
	breaks  tally
	help    bool   // the keys are explained
	said    string // what the last key came to, if that was an error
}

type (
	tick   struct{}
	answer struct {
		st  control.Status
		err error
	}
	done struct{ err error }
)

func (v *view) Init() tea.Cmd { return v.poll() }

// poll asks for the state; a slow engine is waited for, so that questions never pile up.
func (v *view) poll() tea.Cmd {
	ask := v.ask
	return func() tea.Msg {
		ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
		defer cancel()
		st, err := ask.Status(ctx)
		return answer{st, err}
	}
}

func (v *view) do(f func(context.Context) error) tea.Cmd {
	return func() tea.Msg {
		ctx, cancel := context.WithTimeout(context.Background(), 4*time.Second)
		defer cancel()
		return done{f(ctx)}
	}
}

func (v *view) Update(msg tea.Msg) (tea.Model, tea.Cmd) {
	switch m := msg.(type) {
	case tea.WindowSizeMsg:
		v.width, v.height = m.Width, m.Height
		return v, tea.ClearScreen
	case tick:
		return v, v.poll()
	case answer:
		was := v.lost != nil
		v.take(m)
		next := tea.Tick(every, func(time.Time) tea.Msg { return tick{} })
		if was != (v.lost != nil) {
			// A terminal that goes to another size and back at once cuts the picture and tells nobody: all of it is
			// drawn anew where much changes, and by ctrl+l.
			return v, tea.Batch(next, tea.ClearScreen)
		}
		return v, next
	case done:
		v.said = ""
		if m.err != nil {
			v.said = words.Plain(m.err.Error())
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
		case "?":
			v.help = !v.help
		case "ctrl+l":
			return v, tea.ClearScreen
		case "r":
			v.in, v.out, v.overs.last, v.breaks.last = peak{}, peak{}, time.Time{}, time.Time{}
		}
	}
	return v, nil
}

// wear fits the cushion so many places further.
func (v *view) wear(by int) tea.Cmd {
	names := v.st.Cushions
	if len(names) == 0 {
		return nil
	}
	at := slices.Index(names, v.st.Cushion)
	name := names[((at+by)%len(names)+len(names))%len(names)]
	return v.do(func(ctx context.Context) error { _, err := v.ask.Wear(ctx, name); return err })
}

// take notes a new state.
func (v *view) take(m answer) {
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

// parting is what whoever leaves the view should know: what is heard goes on as it is.
func (v *view) parting() string {
	switch {
	case v.seen.IsZero() || v.lost != nil || v.st.Trial:
		return ""
	case v.st.Bypass && v.st.Other != "":
		return fmt.Sprintf("You hear the correction of %s for comparison. \"cushwright bypass off\" ends that.\n",
			v.st.Other)
	case v.st.Bypass:
		return "Bypass is still on: you hear no correction. \"cushwright bypass off\" brings it back.\n"
	}
	return ""
}

func (v *view) View() tea.View {
	w := tea.NewView(v.text())
	w.AltScreen = true
	w.WindowTitle = "cushwright"
	return w
}
