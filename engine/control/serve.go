package control

import (
	"bytes"
	"container/list"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// What a client can ask for at most. The audio threads need a free scheduler slot at any moment: what many clients want
// at once is spread over time, and what a client does not send in time is not waited for.
const (
	maxBody      = 4 << 10          // bytes of a request
	maxHeader    = 8 << 10          // bytes of its header, to which net/http adds 4 KiB
	maxReply     = 4 << 20          // bytes of an answer that a client reads
	maxClients   = 1200             // connections at once
	readTimeout  = 2 * time.Second  // for a whole request
	idleTimeout  = 10 * time.Second // between two requests
	writeTimeout = 6 * time.Second  // for an answer, the time to find it included

	requestsPerS = 1000
	requestBurst = 100
	acceptsPerS  = 4000 // connections: each costs less
	acceptBurst  = 400
)

// Serve listens on the socket file, mode 0600, until the context ends. A stale socket is replaced: the caller holds
// the engine's lock. Processes of other users are refused even where they get at the socket. Requests and clients are
// bounded in size, number and time.
func Serve(ctx context.Context, socket string, b Backend) error {
	fail := func(err error) error { return fmt.Errorf("control: listen %q: %w", socket, err) }
	if err := os.MkdirAll(filepath.Dir(socket), 0o700); err != nil {
		return fail(err)
	}
	if err := os.Remove(socket); err != nil && !errors.Is(err, os.ErrNotExist) {
		return fail(err)
	}
	ln, err := listen(socket)
	if err != nil {
		return fail(err)
	}
	c := &crowd{Listener: ln, waiting: list.New(),
		accepts: rate.NewLimiter(acceptsPerS, acceptBurst), requests: rate.NewLimiter(requestsPerS, requestBurst)}
	srv := &http.Server{Handler: c.whole(Handler(b)), ReadTimeout: readTimeout, ReadHeaderTimeout: readTimeout,
		WriteTimeout: writeTimeout, IdleTimeout: idleTimeout, MaxHeaderBytes: maxHeader, ErrorLog: log.New(io.Discard, "", 0),
		ConnContext: func(ctx context.Context, conn net.Conn) context.Context {
			return context.WithValue(ctx, memberKey{}, conn)
		}}
	stop := context.AfterFunc(ctx, func() {
		quit, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		if srv.Shutdown(quit) != nil {
			srv.Close()
		}
	})
	defer stop()
	if err := srv.Serve(c); err != nil && !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("control: serve %q: %w", socket, err)
	}
	return nil
}

// crowd admits connections of this user, so many at once. Where there is no room, a new connection takes the place of
// the one that has waited longest without sending a whole request. So idle clients shut nobody out.
type crowd struct {
	net.Listener
	accepts, requests *rate.Limiter // each lets so many a second pass, after a burst

	mu      sync.Mutex // guards what follows, and the places of the members
	waiting *list.List // members that have not sent a whole request, the longest-waiting first
	members int
}

type memberKey struct{}

// member is an admitted connection.
type member struct {
	net.Conn
	crowd *crowd
	place *list.Element // in waiting; nil while a request is answered
	gone  bool
}

func (c *crowd) Accept() (net.Conn, error) {
	for {
		if err := c.accepts.Wait(context.Background()); err != nil {
			return nil, err
		}
		conn, err := c.Listener.Accept()
		if err != nil {
			return nil, err
		}
		if err := ownPeer(conn); err != nil {
			refuse(conn, http.StatusForbidden, err.Error())
			continue
		}
		m := &member{Conn: conn, crowd: c}
		c.mu.Lock()
		var out *member
		if c.members >= maxClients {
			if e := c.waiting.Front(); e != nil {
				out = e.Value.(*member)
			}
		}
		full := c.members >= maxClients && out == nil
		if !full {
			c.members++
			m.place = c.waiting.PushBack(m)
		}
		c.mu.Unlock()
		if full {
			refuse(conn, http.StatusServiceUnavailable, "too many clients at once")
			continue
		}
		if out != nil {
			out.Close()
		}
		return m, nil
	}
}

// Close ends the connection and gives its place up.
func (m *member) Close() error {
	c := m.crowd
	c.mu.Lock()
	if !m.gone {
		m.gone = true
		c.members--
		if m.place != nil {
			c.waiting.Remove(m.place)
			m.place = nil
		}
	}
	c.mu.Unlock()
	return m.Conn.Close()
}

// answering takes the member out of those that only wait, or puts it back, at the end.
func (m *member) answering(on bool) {
	c := m.crowd
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case on && m.place != nil:
		c.waiting.Remove(m.place)
		m.place = nil
	case !on && !m.gone && m.place == nil:
		m.place = c.waiting.PushBack(m)
	}
}

// whole hands a request on once all of it is there and its turn has come.
func (c *crowd) whole(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxBody))
		if err != nil {
			code := http.StatusBadRequest
			if big := new(http.MaxBytesError); errors.As(err, &big) {
				code = http.StatusRequestEntityTooLarge
			}
			w.Header().Set("Content-Type", "application/json")
			w.WriteHeader(code)
			json.NewEncoder(w).Encode(failure{fmt.Sprintf("control: read request: %v", err)})
			return
		}
		r.Body = io.NopCloser(bytes.NewReader(body))
		if m, ok := r.Context().Value(memberKey{}).(*member); ok {
			m.answering(true)
			defer m.answering(false)
		}
		if c.requests.Wait(r.Context()) != nil {
			return // who asked is gone
		}
		next.ServeHTTP(w, r)
	})
}

// refuse tells a connection why it is not served and ends it. It does not wait.
func refuse(conn net.Conn, code int, why string) {
	body, _ := json.Marshal(failure{"control: connect: " + why})
	conn.SetWriteDeadline(time.Now().Add(10 * time.Millisecond))
	fmt.Fprintf(conn, "HTTP/1.1 %d %s\r\nContent-Type: application/json\r\nContent-Length: %d\r\n"+
		"Connection: close\r\n\r\n%s", code, http.StatusText(code), len(body), body)
	conn.Close()
}
