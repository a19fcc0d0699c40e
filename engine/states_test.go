package engine

import (
	"context"
	"errors"
	"fmt"
	"go/parser"
	"go/token"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"cushwright/dsp"
)

type row struct {
	from   State
	event  event
	to     State
	action action
}

func (r row) String() string { return fmt.Sprintf("%v %v %v %v", r.from, r.event, r.to, r.action) }

var (
	allStates = []State{Stopped, Opening, Running, Recovering, Failed}
	allEvents = []event{begun, sounding, troubled, hopeless, disturbed, ended}
)

// documented is the table in State's doc comment.
func documented(t *testing.T) map[string]bool {
	t.Helper()
	f, err := parser.ParseFile(token.NewFileSet(), "states.go", nil, parser.ParseComments)
	if err != nil {
		t.Fatal(err)
	}
	rows := map[string]bool{}
	for _, g := range f.Comments {
		if !strings.HasPrefix(g.Text(), "State is where") {
			continue
		}
		for _, line := range strings.Split(g.Text(), "\n") {
			if w := strings.Fields(line); strings.HasPrefix(line, "\t") && len(w) == 4 && w[0] != "from" {
				rows[strings.Join(w, " ")] = true
			}
		}
	}
	if len(rows) < 8 {
		t.Fatalf("only %d rows were found in the comment: %v", len(rows), rows)
	}
	return rows
}

// The table in the doc comment is the transition function, pair by pair: what it does not hold fails the session.
func TestTableIsTheFunction(t *testing.T) {
	rows := documented(t)
	seen := 0
	for _, s := range allStates {
		for _, e := range allEvents {
			to, do := next(s, e)
			r := row{s, e, to, do}
			if rows[r.String()] {
				seen++
			} else if to != Failed || do != fail {
				t.Errorf("%v is not in the table", r)
			}
		}
	}
	if seen != len(rows) {
		t.Errorf("the table has %d rows, the function gives %d of them", len(rows), seen)
	}
}

// endings are the events in which the supervisor's actions can end, as open.go and watch.go return them.
var endings = map[action][]event{
	open:   {sounding, troubled, hopeless, ended},
	reopen: {sounding, troubled, hopeless, ended},
	again:  {sounding, troubled, hopeless, ended},
	watch:  {disturbed, ended},
	fail:   nil,
	leave:  nil,
}

// Every way through the function keeps what a user counts on, whatever happens in whatever order.
func TestEveryWayThroughTheStates(t *testing.T) {
	type place struct {
		state  State
		action action
		sound  bool // there was sound once
	}
	first, do := next(Stopped, begun)
	todo, seen := []place{{first, do, false}}, map[place]bool{}
	for len(todo) > 0 {
		p := todo[0]
		todo = todo[1:]
		if seen[p] {
			continue
		}
		seen[p] = true
		if (p.action == watch) != (p.state == Running) {
			t.Errorf("in state %v it does %v: streams are watched while they run, and only then", p.state, p.action)
		}
		for _, e := range endings[p.action] {
			to, do := next(p.state, e)
			at := fmt.Sprintf("%v after %v, %v", e, p.action, p.state)
			switch {
			case e == ended && (to != Stopped || do != leave):
				t.Errorf("%s: the end of the context leads to %v, %v", at, to, do)
			case e == hopeless && (to != Failed || do != fail):
				t.Errorf("%s: what time does not mend leads to %v, %v", at, to, do)
			case e == sounding && to != Running:
				t.Errorf("%s: sound leads to %v", at, to)
			case (e == troubled || e == disturbed) && p.sound && len(endings[do]) == 0:
				t.Errorf("%s: it gives up what time may mend", at)
			case e == troubled && !p.sound && do != fail:
				t.Errorf("%s: a start that fails does not say so", at)
			case e == disturbed && do != reopen:
				t.Errorf("%s: running streams are left by %v, not softly", at, do)
			case e == troubled && do == reopen || do == open:
				t.Errorf("%s: it tries again without a pause", at)
			}
			todo = append(todo, place{to, do, p.sound || e == sounding})
		}
	}
	for _, s := range allStates {
		found := s == Stopped
		for p := range seen {
			found = found || p.state == s
		}
		if !found {
			t.Errorf("no way leads to %v", s)
		}
	}
}

// transitions collects what a session does, from its log.
type transitions struct {
	slog.Handler
	mu   *sync.Mutex
	rows map[string]bool
}

func (h transitions) Enabled(context.Context, slog.Level) bool { return true }

func (h transitions) Handle(_ context.Context, r slog.Record) error {
	if r.Message != "state" {
		return nil
	}
	var words []string
	r.Attrs(func(a slog.Attr) bool { words = append(words, a.Value.String()); return true })
	h.mu.Lock()
	h.rows[strings.Join(words, " ")] = true
	h.mu.Unlock()
	return nil
}

// moody is a driver that opens as it is told to, and calls back from then on unless it is mute.
type moody struct {
	mu   sync.Mutex
	err  error
	mute bool
}

func (d *moody) set(err error, mute bool) {
	d.mu.Lock()
	d.err, d.mute = err, mute
	d.mu.Unlock()
}
func (d *moody) Name() string               { return "moody" }
func (d *moody) Devices() ([]Device, error) { return nil, nil }
func (d *moody) Open(r Request) (Stream, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.err != nil {
		return nil, d.err
	}
	s := &moodyStream{stop: make(chan struct{})}
	if !d.mute {
		s.wg.Go(func() {
			in, out := make([]float32, 2*480), make([]float32, 2*480)
			for {
				select {
				case <-s.stop:
					return
				case <-time.After(time.Millisecond):
					r.Capture(in)
					r.Playback(out)
				}
			}
		})
	}
	return s, nil
}

type moodyStream struct {
	stop chan struct{}
	wg   sync.WaitGroup
}

func (s *moodyStream) Close() error     { close(s.stop); s.wg.Wait(); return nil }
func (s *moodyStream) DelayFrames() int { return 0 }

// A real session goes through every row of the table, and through no other.
func TestEveryTransitionHappens(t *testing.T) {
	rows := documented(t)
	h := transitions{slog.DiscardHandler, &sync.Mutex{}, map[string]bool{}}
	flat, err := dsp.NewCorrection(nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	troubles := func(r Reaction) error { return &Error{"open", "it", r, errors.New("a test")} }
	away := func(r Reaction) func(*moody, *Session) error {
		return func(d *moody, s *Session) error {
			d.set(troubles(r), false)
			return s.Reopen(t.Context(), "a test")
		}
	}
	for _, c := range []struct {
		name    string
		before  func(d *moody)
		running bool // wait for it
		then    func(d *moody, s *Session) error
		at      State // to come to after that
		back    bool  // to be running again after that
		cancel  bool
	}{
		{name: "a day like others", running: true, cancel: true},
		{name: "no device at the start", before: func(d *moody) { d.set(troubles(Reopen), false) }},
		{name: "no hope at the start", before: func(d *moody) { d.set(troubles(GiveUp), false) }},
		{name: "ended at the start", before: func(d *moody) { d.set(nil, true) }, at: Opening, cancel: true},
		{name: "away and back", running: true, then: away(Reopen),
			at: Recovering, back: true, cancel: true},
		{name: "away for ever", running: true, then: away(GiveUp)},
		{name: "ended while away", running: true, then: away(Reopen),
			at: Recovering, cancel: true},
	} {
		d := &moody{}
		if c.before != nil {
			c.before(d)
		}
		ctx, cancel := context.WithCancel(t.Context())
		s := New(d, nil, Settings{Capture: "in", Output: "out"}, Selection{Correction: flat}, slog.New(h))
		done := make(chan error, 1)
		go func() { done <- s.Run(ctx) }()
		wait := func(what State) {
			t.Helper()
			for end := time.Now().Add(10 * time.Second); s.Status().State != what; time.Sleep(time.Millisecond) {
				if time.Now().After(end) {
					t.Fatalf("%s: %v is not reached, but %v", c.name, what, s.Status().State)
				}
			}
		}
		if c.running {
			wait(Running)
		}
		if c.then != nil {
			if err := c.then(d, s); err != nil {
				t.Fatal(err)
			}
		}
		if c.at != Stopped {
			wait(c.at)
		}
		if c.at == Recovering {
			end := time.Now().Add(10 * time.Second)
			for ; !strings.Contains(s.Status().LastError, "open"); time.Sleep(time.Millisecond) {
				if time.Now().After(end) {
					t.Fatalf("%s: it does not try", c.name)
				}
			}
		}
		if c.back {
			d.set(nil, false)
			wait(Running)
		}
		if c.cancel {
			cancel()
		}
		select {
		case err := <-done:
			if (err == nil) != c.cancel {
				t.Errorf("%s: it ended with %v", c.name, err)
			}
			if got := s.Status().State; c.cancel && got != Stopped || !c.cancel && got != Failed {
				t.Errorf("%s: it ended %v", c.name, got)
			}
		case <-time.After(10 * time.Second):
			t.Fatalf("%s: it does not end", c.name)
		}
		cancel()
	}
	for r := range h.rows {
		if !rows[r] {
			t.Errorf("%q happened and is not in the table", r)
		}
	}
	for r := range rows {
		if !h.rows[r] {
			t.Errorf("%q is in the table and never happened", r)
		}
	}
}
