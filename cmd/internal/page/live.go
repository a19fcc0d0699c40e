package page

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"cushwright/cmd/internal/service"
	"cushwright/cmd/internal/words"
	"cushwright/engine"
	"cushwright/engine/control"
)

// The live part of the page: one goroutine asks the engine ten times a second while anybody looks, and hands what it
// hears to the browsers. A browser that does not take what it is sent is dropped, not waited for.

const (
	askEvery     = 100 * time.Millisecond
	queue        = 8 // messages a browser may be behind
	mostBrowsers = 24
	writeMessage = 2 * time.Second // for one message to leave
)

// message is one server-sent event.
type message struct{ event, data string }

// meterReading is what moves all the time.
type meterReading struct {
	InDB      float64 `json:"in_db"`
	OutDB     float64 `json:"out_db"`
	InTrueDB  float64 `json:"in_true_db"`
	OutTrueDB float64 `json:"out_true_db"`
	InHoldDB  float64 `json:"in_hold_db"`
	OutHoldDB float64 `json:"out_hold_db"`
	GuardDB   float64 `json:"guard_db"`
	Figures   string  `json:"figures"` // the counters in a line
}

// state is what changes now and then.
type state struct {
	Summary  string   `json:"summary"`
	State    string   `json:"state"`
	Running  bool     `json:"running"`
	Cushion  string   `json:"cushion"`
	Heard    string   `json:"heard"`
	Bypass   bool     `json:"bypass"`
	Trial    bool     `json:"trial"`
	Muted    bool     `json:"muted"`
	Problems []string `json:"problems"`
	Lost     string   `json:"lost"`  // why the engine does not answer
	Start    bool     `json:"start"` // the page can start the engine
	Output   string   `json:"output"`
	Bench    string   `json:"bench"` // another one: the page's lower part is out of date
}

// meters reads the status' counters. What a trial hides is hidden by the engine already; it is left out here, not shown
// as silence.
func meters(st control.Status) meterReading {
	c := st.Counters
	m := meterReading{InDB: c.InPeakDB, OutDB: c.OutPeakDB, InTrueDB: c.InTrueDB, OutTrueDB: c.OutTrueDB,
		InHoldDB: c.InHoldDB, OutHoldDB: c.OutHoldDB, GuardDB: math.Abs(c.GuardDB)}
	m.Figures = fmt.Sprintf("%s, %s, %s at full scale in the programme; %s", words.Plural(c.Overs, "over"),
		words.Plural(c.Underruns, "break"),
		words.Plural(c.ClippedRuns, "run"), service.Delay(st))
	return m
}

func stateOf(st control.Status, err error) state {
	if err != nil {
		s := state{State: "no engine", Heard: "uncorrected sound: no engine is running",
			Summary: "No engine is running.", Lost: words.Plain(err.Error()), Problems: []string{}}
		if !errors.Is(err, control.ErrNoEngine) {
			s.State, s.Heard, s.Summary = "lost", "not known: the engine does not answer", "The engine does not answer."
		}
		return s
	}
	s := state{Summary: plainSummary(st), State: st.State.String(), Running: st.State == engine.Running,
		Cushion: st.Cushion, Output: st.Output, Heard: service.Heard(st),
		Bypass: st.Bypass, Trial: st.Trial, Muted: st.Muted, Problems: append([]string{}, st.Problems...)}
	if st.LastError != "" {
		s.Problems = append(s.Problems, st.LastError)
	}
	for _, k := range st.KeysTaken {
		s.Problems = append(s.Problems, "This global key is not available: "+k)
	}
	return s
}

// plainSummary is the status' sentence without the figures that move all the time, which would be read out again and
// again.
func plainSummary(st control.Status) string {
	p := strings.Split(st.Summary, ", ")
	p = slices.DeleteFunc(p, func(s string) bool {
		return strings.Contains(s, " ms delay") || strings.HasSuffix(s, " over") || strings.HasSuffix(s, " overs")
	})
	return strings.Join(p, ", ")
}

// Rests reports that there is nothing to switch.
func (s state) Rests() bool { return !s.Running || s.Trial || s.Lost != "" }

// hub hands the engine's state to browsers.
type hub struct {
	ask      service.Asker
	describe func(control.Status, error) state
	version  func() string // of the bench
	every    time.Duration
	wake     chan struct{} // somebody looks, or something was changed

	mu      sync.Mutex // guards what follows
	clients map[chan message]bool
	last    string // the last state sent
	dropped int    // browsers that were too slow
}

func newHub(ask service.Asker, describe func(control.Status, error) state, version func() string) *hub {
	return &hub{ask: ask, describe: describe, version: version, every: askEvery, wake: make(chan struct{}, 1),
		clients: map[chan message]bool{}}
}

// soon asks at once, without waiting for the next turn.
func (h *hub) soon() {
	select {
	case h.wake <- struct{}{}:
	default:
	}
}

// run asks while anybody looks, until the context ends.
func (h *hub) run(ctx context.Context) {
	t := time.NewTicker(h.every)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-h.wake:
		case <-t.C:
		}
		h.mu.Lock()
		n := len(h.clients)
		h.mu.Unlock()
		if n == 0 {
			continue
		}
		q, cancel := context.WithTimeout(ctx, 2*time.Second)
		st, err := h.ask.Status(q)
		cancel()
		if ctx.Err() != nil {
			return
		}
		h.tell(st, err)
	}
}

// tell sends a state to everybody: the readings always, the rest when it changed.
func (h *hub) tell(st control.Status, err error) {
	s := h.describe(st, err)
	if err == nil {
		s.Bench = h.version() + " " + st.Cushion
	}
	state := encode(s)
	h.mu.Lock()
	defer h.mu.Unlock()
	if state != h.last {
		h.last = state
		h.send(message{"state", state})
	}
	if err == nil {
		h.send(message{"meters", encode(meters(st))})
	}
}

func encode(v any) string {
	b, err := json.Marshal(v)
	if err != nil { // no such value is made here
		return "{}"
	}
	return string(b)
}

// send never waits; mu is held.
func (h *hub) send(m message) {
	for c := range h.clients {
		select {
		case c <- m:
		default:
			delete(h.clients, c)
			close(c)
			h.dropped++
		}
	}
}

// join adds a browser; nil when there are too many.
func (h *hub) join() chan message {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.clients) >= mostBrowsers {
		return nil
	}
	c := make(chan message, queue)
	h.clients[c] = true
	if h.last != "" {
		c <- message{"state", h.last}
	}
	h.soon()
	return c
}

func (h *hub) leave(c chan message) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.clients[c] {
		delete(h.clients, c)
		close(c)
	}
	if len(h.clients) == 0 {
		h.last = "" // it will be old when somebody looks again
	}
}

// events is the stream of one browser.
func (p *Server) events(w http.ResponseWriter, r *http.Request, _ room) {
	c := p.live.join()
	if c == nil {
		http.Error(w, "Too many browsers look at once.", http.StatusServiceUnavailable)
		return
	}
	defer p.live.leave(c)
	w.Header().Set("Content-Type", "text/event-stream")
	out := http.NewResponseController(w)
	out.SetReadDeadline(time.Time{}) // the stream lives longer than a request may take
	for {
		select {
		case <-r.Context().Done():
			return
		case m, ok := <-c:
			if !ok {
				return
			}
			if out.SetWriteDeadline(time.Now().Add(writeMessage)) != nil {
				return
			}
			if _, err := fmt.Fprintf(w, "event: %s\ndata: %s\n\n", m.event, m.data); err != nil {
				return
			}
			if out.Flush() != nil {
				return
			}
		}
	}
}
