// Package control is the engine's local interface: HTTP and JSON on a socket that only its owner can open. The handlers
// own nothing: they read snapshots and send requests to whoever does.
package control

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"syscall"
	"time"

	"cushwright/engine"
)

// Status is what the engine answers.
type Status struct {
	engine.Status
	Summary  string   `json:"summary"`         // one plain sentence
	Lower    string   `json:"lower,omitempty"` // why it plays lower than it has to, and how to have it otherwise
	PID      int      `json:"pid"`
	Bench    string   `json:"bench"`
	Reading  string   `json:"reading"`         // the hash of the reading of the bench that plays
	Doubt    string   `json:"doubt,omitempty"` // why the correction that is fitted is not proven
	Cushions []string `json:"cushions"`
	Problems []string `json:"problems,omitempty"` // why the bench on disk is not what is heard

	KeysTaken  []string `json:"keys_taken,omitempty"` // global keys that could not be had
	Goroutines int      `json:"goroutines"`           // of the engine's process, for tests of growth
	Match      string   `json:"match"`                // of bypass, by the settings: programme, pink or off
	Trial      bool     `json:"trial,omitempty"`      // a listening trial hides which side is heard
}

// Backend is what the handlers serve. Its methods may be called from any goroutine.
type Backend interface {
	// Status returns the present state; it must not wait.
	Status() Status
	// Wear makes a cushion the fitted one. The error of an unknown cushion wraps ErrUnknown.
	Wear(ctx context.Context, cushion string) error
	// Bypass sets ("on", "off") or toggles ("toggle") and returns the new state; with names a correction to compare
	// with.
	Bypass(ctx context.Context, mode, with string) (bool, error)
	// Trial begins, keeps up, moves or ends a hidden comparison. While one is under way, Status tells nothing that
	// differs between its sides, and Wear and Bypass are refused.
	Trial(ctx context.Context, q TrialRequest) error
	// Stop asks the engine to end.
	Stop()
}

// TrialRequest is a step of a hidden comparison. A comparison whose token is not heard of for TrialLease ends by
// itself.
type TrialRequest struct {
	Token  string `json:"token"`            // chosen by whoever begins: nobody else can move or end it
	Hidden bool   `json:"hidden"`           // false ends the comparison and brings back what was before
	First  string `json:"first,omitempty"`  // to begin: a cushion whose correction is heard, or "none"
	Second string `json:"second,omitempty"` // to begin: the same for the other side
	Side   string `json:"side,omitempty"`   // to move: "first" or "second"
}

// TrialLease is how long a comparison stays hidden without a request.
const TrialLease = 30 * time.Second

// ErrUnknown marks a name the bench does not hold.
var ErrUnknown = errors.New("unknown")

// ErrNoEngine is returned by Client calls when nobody listens.
var ErrNoEngine = errors.New(`control: no engine is running: start it with "cushwright run"`)

type wearRequest struct {
	Cushion string `json:"cushion"`
}

type bypassRequest struct {
	Mode string `json:"mode"`
	With string `json:"with,omitempty"`
}

type bypassReply struct {
	Bypass bool `json:"bypass"`
}

type failure struct {
	Error string `json:"error"`
}

// Handler serves the interface.
func Handler(b Backend) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /status", func(w http.ResponseWriter, r *http.Request) { reply(w, b.Status(), nil) })
	mux.HandleFunc("POST /wear", func(w http.ResponseWriter, r *http.Request) {
		var q wearRequest
		if !read(w, r, &q) {
			return
		}
		err := b.Wear(r.Context(), q.Cushion)
		reply(w, b.Status(), err)
	})
	mux.HandleFunc("POST /bypass", func(w http.ResponseWriter, r *http.Request) {
		var q bypassRequest
		if !read(w, r, &q) {
			return
		}
		on, err := b.Bypass(r.Context(), q.Mode, q.With)
		reply(w, bypassReply{on}, err)
	})
	mux.HandleFunc("POST /trial", func(w http.ResponseWriter, r *http.Request) {
		var q TrialRequest
		if !read(w, r, &q) {
			return
		}
		reply(w, struct{}{}, b.Trial(r.Context(), q))
	})
	mux.HandleFunc("POST /mute", muteHandler(b))
	mux.HandleFunc("POST /aside", asideHandler(b))
	mux.HandleFunc("POST /stop", func(w http.ResponseWriter, r *http.Request) { b.Stop(); reply(w, b.Status(), nil) })
	return http.TimeoutHandler(mux, 5*time.Second, `{"error":"control: serve: the engine did not answer in 5 s"}`)
}

func read(w http.ResponseWriter, r *http.Request, v any) bool {
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxBody))
	d.DisallowUnknownFields()
	if err := d.Decode(v); err != nil {
		w.WriteHeader(http.StatusBadRequest)
		json.NewEncoder(w).Encode(failure{fmt.Sprintf("control: read request: %v", err)})
		return false
	}
	return true
}

func reply(w http.ResponseWriter, v any, err error) {
	w.Header().Set("Content-Type", "application/json")
	switch {
	case errors.Is(err, ErrUnknown):
		w.WriteHeader(http.StatusNotFound)
	case err != nil:
		w.WriteHeader(http.StatusConflict)
	}
	if err != nil {
		v = failure{err.Error()}
	}
	json.NewEncoder(w).Encode(v) // a client that is gone is no concern of the engine
}

// Client talks to a running engine.
type Client struct{ http http.Client }

// NewClient makes a client for the socket file; nothing is opened yet.
func NewClient(socket string) *Client {
	return &Client{http.Client{Timeout: 6 * time.Second, Transport: &http.Transport{
		DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
			return dialSocket(ctx, socket)
		}}}}
}

// dialSocket connects. Where the engine's queue of newcomers is full, which the system reports at once, it tries
// again for a while.
func dialSocket(ctx context.Context, socket string) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, crowdedFor)
	defer cancel()
	for {
		c, err := (&net.Dialer{}).DialContext(ctx, "unix", socket)
		if err == nil || !errors.Is(err, syscall.EAGAIN) {
			return c, err
		}
		select {
		case <-ctx.Done():
			return nil, fmt.Errorf("too many clients at once: %w", err)
		case <-time.After(2 * time.Millisecond):
		}
	}
}

// crowdedFor is how long a client goes on trying where there are too many at once.
const crowdedFor = 4 * time.Second

// errCrowded is the engine's answer to one client too many: it has not looked at the request.
var errCrowded = errors.New("too many clients at once")

// call makes a request. In a crowd it tries again: where it was not let in, and where it was put out before an answer
// and asking twice does no harm.
func (c *Client) call(ctx context.Context, method, path string, in, out any) error {
	var body []byte
	if in != nil {
		b, err := json.Marshal(in)
		if err != nil {
			return err
		}
		body = b
	}
	for end := time.Now().Add(crowdedFor); ; {
		err := c.once(ctx, method, path, body, out)
		cut := errors.Is(err, syscall.ECONNRESET) || errors.Is(err, syscall.EPIPE) || errors.Is(err, io.EOF)
		putOut := method == http.MethodGet && cut
		if err == nil || !errors.Is(err, errCrowded) && !putOut || time.Now().After(end) {
			return err
		}
		select {
		case <-ctx.Done():
			return err
		case <-time.After(20 * time.Millisecond):
		}
	}
}

func (c *Client) once(ctx context.Context, method, path string, body []byte, out any) error {
	req, err := http.NewRequestWithContext(ctx, method, "http://engine"+path, bytes.NewReader(body))
	if err != nil {
		return err
	}
	res, err := c.http.Do(req)
	if err != nil {
		var op *net.OpError
		if errors.As(err, &op) && op.Op == "dial" && !errors.Is(err, syscall.EAGAIN) {
			return ErrNoEngine
		}
		return fmt.Errorf("control: ask the engine: %w", err)
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusOK {
		var f failure
		if json.NewDecoder(io.LimitReader(res.Body, maxReply)).Decode(&f) != nil || f.Error == "" {
			return fmt.Errorf("control: ask the engine: %s", res.Status)
		}
		switch res.StatusCode {
		case http.StatusNotFound:
			return &remote{f.Error, ErrUnknown}
		case http.StatusServiceUnavailable:
			return &remote{f.Error, errCrowded}
		}
		return &remote{f.Error, nil}
	}
	if err := json.NewDecoder(io.LimitReader(res.Body, maxReply)).Decode(out); err != nil {
		return fmt.Errorf("control: read the engine's answer: %w", err)
	}
	return nil
}

type remote struct {
	text string
	kind error
}

func (r *remote) Error() string { return r.text }
func (r *remote) Unwrap() error { return r.kind }

// Status asks for the present state.
func (c *Client) Status(ctx context.Context) (st Status, err error) {
	err = c.call(ctx, "GET", "/status", nil, &st)
	return st, err
}

// Wear makes a cushion the fitted one.
func (c *Client) Wear(ctx context.Context, cushion string) (st Status, err error) {
	err = c.call(ctx, "POST", "/wear", wearRequest{cushion}, &st)
	return st, err
}

// Bypass sets or toggles bypass and returns the new state.
func (c *Client) Bypass(ctx context.Context, mode, with string) (bool, error) {
	var r bypassReply
	err := c.call(ctx, "POST", "/bypass", bypassRequest{mode, with}, &r)
	return r.Bypass, err
}

// Trial takes a step of a hidden comparison.
func (c *Client) Trial(ctx context.Context, q TrialRequest) error {
	return c.call(ctx, "POST", "/trial", q, &struct{}{})
}

// Stop asks the engine to end.
func (c *Client) Stop(ctx context.Context) error {
	var st Status
	return c.call(ctx, "POST", "/stop", struct{}{}, &st)
}
