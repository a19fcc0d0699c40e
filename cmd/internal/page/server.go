// Package page is a local page with the cushions, the curves and live meters. It is served by a process of its own,
// which asks the engine over its socket like any other client. It costs the engine ten answers a second and nothing
// else: fits, drawings, slow browsers and whatever is wrong with a server that browsers reach stay outside the process
// that the sound depends on, and the page is gone when that process ends.
package page

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"sync"
	"time"

	"cushwright/cmd/internal/service"
	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/engine/control"
)

// Server serves the page. A browser is let in by an address with a token that works once; what it gets for it is a
// cookie for a folder with a name of its own, so that other servers on this computer, which share the host's cookies
// whatever their port, are never sent it. What changes anything takes a second token, which stands in the page.
type Server struct {
	ask  service.Asker
	boot func(context.Context) error // starts the engine; nil: the page cannot
	live *hub
	view *view

	mu     sync.Mutex // guards what follows
	tokens []string   // not used yet; the oldest first
	rooms  []room     // browsers that were let in; the oldest first
}

// room is one browser's folder.
type room struct{ name, cookie, token string }

const (
	mostTokens = 8  // addresses that may wait to be opened; the oldest lapses
	mostRooms  = 16 // browsers; the oldest is put out
	mostBody   = 4 << 10
	cookieName = "room"
	grace      = time.Second // for answers under way at the end
	readLimit  = 5 * time.Second
	// for an answer, the drawing included; the stream sets its own
	writeLimit = 30 * time.Second
)

// New makes the server of the page of an engine; snap is the first reading of its bench, boot starts the engine where
// none runs (nil: the page has no button for that).
func New(ask service.Asker, snap *config.Snapshot, boot func(context.Context) error) *Server {
	p := &Server{ask: ask, boot: boot, view: &view{snap: snap}}
	p.live = newHub(ask, p.state, p.view.version)
	return p
}

// Listen opens the port of the settings to this computer alone.
func Listen(s config.Settings) (net.Listener, error) {
	ln, err := net.Listen("tcp4", net.JoinHostPort("127.0.0.1", strconv.Itoa(s.Page.Port)))
	if err != nil {
		return nil, fmt.Errorf("cushwright: page: listen on page.port = %d: %w", s.Page.Port, err)
	}
	return ln, nil
}

// Admit makes another address that opens the page once.
func (p *Server) Admit(at net.Addr) string {
	t := rand.Text()
	p.mu.Lock()
	p.tokens = append(p.tokens, t)
	p.tokens = p.tokens[max(0, len(p.tokens)-mostTokens):]
	p.mu.Unlock()
	return "http://" + at.String() + "/open?token=" + t
}

// Serve answers until the context ends.
func (p *Server) Serve(ctx context.Context, ln net.Listener) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var wg sync.WaitGroup
	defer wg.Wait()
	defer cancel()
	wg.Go(func() { p.live.run(ctx) })
	wg.Go(func() {
		config.Watch(ctx, p.view.dir(), p.view.loaded) // an edit that is not noticed is shown with the next cushion
	})
	srv := &http.Server{Handler: p.handler(ln.Addr().String()), ReadTimeout: readLimit, ReadHeaderTimeout: readLimit,
		IdleTimeout:  time.Minute,
		WriteTimeout: writeLimit, MaxHeaderBytes: 16 << 10,
		BaseContext: func(net.Listener) context.Context { return ctx }}
	stop := context.AfterFunc(ctx, func() {
		quit, cancel := context.WithTimeout(context.Background(), grace)
		defer cancel()
		if srv.Shutdown(quit) != nil {
			srv.Close()
		}
	})
	defer stop()
	if err := srv.Serve(ln); err != nil && !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("cushwright: page: serve: %w", err)
	}
	return nil
}

// page writes the whole page as it stands now; its script only keeps it up to date.
func (p *Server) page(w http.ResponseWriter, r *http.Request, in room) {
	st, err := p.ask.Status(r.Context())
	v := content{Token: in.token, Status: st, Live: p.state(st, err), Bench: p.view.bench(st.Cushion)}
	v.Said = r.URL.Query().Get("said")
	if len(v.Said) > 300 {
		v.Said = ""
	}
	p.write(w, "page", v)
}

// state is what the page tells of the engine. An engine that was started anew may have another bench than the page.
func (p *Server) state(st control.Status, err error) state {
	s := stateOf(st, err)
	s.Start = p.boot != nil && errors.Is(err, control.ErrNoEngine)
	if dir := p.view.dir(); err == nil && st.Bench != "" && st.Bench != dir {
		s.Problems = append(s.Problems, fmt.Sprintf("The engine now has another bench, %s. Start \"cushwright "+
			"page\" again.", st.Bench))
	}
	return s
}

// bench writes the part of the page that the bench decides.
func (p *Server) bench(w http.ResponseWriter, r *http.Request, in room) {
	st, err := p.ask.Status(r.Context())
	if err != nil {
		http.Error(w, words.Plain(err.Error()), http.StatusServiceUnavailable)
		return
	}
	p.write(w, "bench", content{Token: in.token, Status: st, Live: p.state(st, nil), Bench: p.view.bench(st.Cushion)})
}

func (p *Server) write(w http.ResponseWriter, part string, v content) {
	var b bytes.Buffer
	if err := parts.ExecuteTemplate(&b, part, v); err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Write(b.Bytes())
}

func (p *Server) wear(w http.ResponseWriter, r *http.Request, _ room) {
	_, err := p.ask.Wear(r.Context(), r.PostForm.Get("cushion"))
	p.done(w, r, err)
}

func (p *Server) bypass(w http.ResponseWriter, r *http.Request, _ room) {
	_, err := p.ask.Bypass(r.Context(), r.PostForm.Get("mode"), "")
	p.done(w, r, err)
}

// start starts the engine.
func (p *Server) start(w http.ResponseWriter, r *http.Request, _ room) {
	if p.boot == nil {
		http.Error(w, "This page cannot start the engine.", http.StatusNotFound)
		return
	}
	p.done(w, r, p.boot(r.Context()))
}

// done answers a change: the script with what happened, a form without script with the page.
func (p *Server) done(w http.ResponseWriter, r *http.Request, err error) {
	p.live.soon()
	if r.Header.Get("X-Page-Script") == "" {
		to := "./"
		if err != nil {
			to += "?said=" + url.QueryEscape(words.Plain(err.Error()))
		}
		w.Header().Set("Location", to)
		w.WriteHeader(http.StatusSeeOther)
		return
	}
	switch {
	case err == nil:
		w.WriteHeader(http.StatusNoContent)
	case errors.Is(err, control.ErrUnknown):
		http.Error(w, words.Plain(err.Error()), http.StatusNotFound)
	default:
		http.Error(w, words.Plain(err.Error()), http.StatusConflict)
	}
}
