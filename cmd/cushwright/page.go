package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/rand"
	"crypto/subtle"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"os/exec"
	"runtime"
	"slices"
	"strconv"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"cushwright/config"
	"cushwright/engine/control"
)

// The page is served by this command's own process, which asks the engine over its socket like any other client. The
// engine lends nothing but ten answers a second: fits, drawings, slow browsers and whatever is wrong with a server that
// browsers reach stay outside the process that the sound depends on, and the page is gone when the command ends.

func (a *app) pageCommand() *cobra.Command {
	var open bool
	c := &cobra.Command{Use: "page", Short: "a local page with the cushions, the curves and live meters", Args: cobra.NoArgs,
		Long: `Serves a page to browsers on this computer, and to nobody else, until it is ended (Ctrl-C). The address that it prints opens the
page once: what can read it from the browser's history later is refused. Enter prints another address.`,
		RunE: func(c *cobra.Command, _ []string) error {
			runtime.GOMAXPROCS(1) // a fit or a drawing may take one processor, never all that the engine wakes on
			cl, err := newClient()
			if err != nil {
				return err
			}
			st, err := cl.Status(c.Context())
			if err != nil {
				return answer(err)
			}
			snap, err := config.Load(st.Bench)
			if err != nil {
				return fmt.Errorf("cushwright: page: the bench has to be in order to begin with: %w", err)
			}
			ln, err := net.Listen("tcp4", net.JoinHostPort("127.0.0.1", strconv.Itoa(snap.Settings.Page.Port)))
			if err != nil {
				return fmt.Errorf("cushwright: page: listen on page.port = %d: %w", snap.Settings.Page.Port, err)
			}
			p := newPage(cl, snap)
			address := p.admit(ln.Addr())
			fmt.Fprintln(c.OutOrStdout(), address)
			fmt.Fprintln(c.ErrOrStderr(), "the page is there until this command is ended (Ctrl-C); Enter prints another address")
			if open {
				if err := openBrowser(address); err != nil {
					fmt.Fprintln(c.ErrOrStderr(), err)
				}
			}
			go func() { // a terminal's read cannot be called back: it is left behind
				for in := bufio.NewScanner(c.InOrStdin()); in.Scan(); {
					fmt.Fprintln(c.OutOrStdout(), p.admit(ln.Addr()))
				}
			}()
			return p.serve(c.Context(), ln)
		}}
	c.Flags().BoolVar(&open, "open", false, "open the page in the desktop's browser")
	return c
}

// openBrowser hands the address to the desktop.
func openBrowser(address string) error {
	args := map[string][]string{"windows": {"rundll32", "url.dll,FileProtocolHandler"}, "darwin": {"open"}}[runtime.GOOS]
	if args == nil {
		args = []string{"xdg-open"}
	}
	cmd := exec.Command(args[0], append(args[1:], address)...)
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("cushwright: page: open a browser: %w", err)
	}
	go cmd.Wait()
	return nil
}

// pageServer serves the page. A browser is let in by an address with a token that works once; what it gets for it is a
// cookie for a folder with a name of its own, so that other servers on this computer, which share the host's cookies
// whatever their port, are never sent it. What changes anything takes a second token, which stands in the page.
type pageServer struct {
	ask  asker
	live *liveHub
	view *pageView

	mu     sync.Mutex // guards what follows
	tokens []string   // not used yet; the oldest first
	rooms  []room     // browsers that were let in; the oldest first
}

// room is one browser's folder.
type room struct{ name, cookie, token string }

const (
	pageTokens    = 8  // addresses that may wait to be opened; the oldest lapses
	pageRooms     = 16 // browsers; the oldest is put out
	pageBody      = 4 << 10
	pageCookie    = "room"
	pageGrace     = time.Second // for answers under way at the end
	pageReadLimit = 5 * time.Second
	// for an answer, the drawing included; the stream sets its own
	pageWriteLimit = 30 * time.Second
)

func newPage(ask asker, snap *config.Snapshot) *pageServer {
	p := &pageServer{ask: ask, view: &pageView{snap: snap}}
	p.live = newLiveHub(ask, p.state, p.view.version)
	return p
}

// admit makes another address that opens the page once.
func (p *pageServer) admit(at net.Addr) string {
	t := rand.Text()
	p.mu.Lock()
	p.tokens = append(p.tokens, t)
	p.tokens = p.tokens[max(0, len(p.tokens)-pageTokens):]
	p.mu.Unlock()
	return "http://" + at.String() + "/open?token=" + t
}

// serve answers until the context ends.
func (p *pageServer) serve(ctx context.Context, ln net.Listener) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var wg sync.WaitGroup
	defer wg.Wait()
	defer cancel()
	wg.Go(func() { p.live.run(ctx) })
	wg.Go(func() {
		config.Watch(ctx, p.view.dir(), p.view.loaded) // an edit that is not noticed is shown with the next cushion
	})
	srv := &http.Server{Handler: p.handler(ln.Addr().String()), ReadTimeout: pageReadLimit, ReadHeaderTimeout: pageReadLimit, IdleTimeout: time.Minute,
		WriteTimeout: pageWriteLimit, MaxHeaderBytes: 16 << 10, BaseContext: func(net.Listener) context.Context { return ctx }}
	stop := context.AfterFunc(ctx, func() {
		quit, cancel := context.WithTimeout(context.Background(), pageGrace)
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

// equalSecrets compares secrets in a time that tells nothing of them.
func equalSecrets(a, b string) bool { return subtle.ConstantTimeCompare([]byte(a), []byte(b)) == 1 }

// policy lets the page load what this server gives and nothing else, and lets nobody frame it.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// handler guards every request: by the host it names (a foreign name that leads here is refused), by where the browser
// says it comes from, by the cookie, and for changes by the origin and the page's token.
func (p *pageServer) handler(host string) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /open", p.open)
	mux.Handle("GET /{room}/{$}", p.inside(p.page))
	mux.Handle("GET /{room}/bench", p.inside(p.bench))
	mux.Handle("GET /{room}/live", p.inside(p.events))
	for name, kind := range pageFiles {
		mux.Handle("GET /{room}/"+name, p.inside(func(w http.ResponseWriter, r *http.Request, _ room) {
			w.Header().Set("Content-Type", kind)
			w.Write(pageFile(name))
		}))
	}
	mux.Handle("POST /{room}/wear", p.inside(p.wear))
	mux.Handle("POST /{room}/bypass", p.inside(p.bypass))
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin") // "no-referrer" would take the origin off the forms, too
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		origin := "http://" + host
		from := r.Header.Get("Sec-Fetch-Site")
		switch {
		case r.Host != host:
			http.Error(w, "This server answers to "+host+" only.", http.StatusMisdirectedRequest)
		case from != "" && from != "same-origin" && from != "none":
			http.Error(w, "Not from another site.", http.StatusForbidden)
		case r.Header.Get("Origin") != "" && r.Header.Get("Origin") != origin:
			http.Error(w, "Not from another site.", http.StatusForbidden)
		case r.Method != http.MethodGet && r.Header.Get("Origin") != origin:
			http.Error(w, "Changes are taken from the page only.", http.StatusForbidden)
		default:
			r.Body = http.MaxBytesReader(w, r.Body, pageBody)
			mux.ServeHTTP(w, r)
		}
	})
}

// open exchanges the address' token for a room.
func (p *pageServer) open(w http.ResponseWriter, r *http.Request) {
	token := r.URL.Query().Get("token")
	p.mu.Lock()
	at := slices.IndexFunc(p.tokens, func(t string) bool { return equalSecrets(t, token) })
	var in room
	if at >= 0 {
		p.tokens = slices.Delete(p.tokens, at, at+1)
		in = room{rand.Text(), rand.Text(), rand.Text()}
		p.rooms = append(p.rooms, in)
		p.rooms = p.rooms[max(0, len(p.rooms)-pageRooms):]
	}
	p.mu.Unlock()
	if at < 0 {
		http.Error(w, "This address has been used or was never given. Press Enter where \"cushwright page\" runs, or start it again, for another.", http.StatusForbidden)
		return
	}
	path := "/" + in.name + "/"
	http.SetCookie(w, &http.Cookie{Name: pageCookie, Value: in.cookie, Path: path, HttpOnly: true, SameSite: http.SameSiteStrictMode})
	http.Redirect(w, r, path, http.StatusSeeOther)
}

// inside lets a request through to f if it carries its room's cookie, and, to change anything, the room's token.
func (p *pageServer) inside(f func(http.ResponseWriter, *http.Request, room)) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		c, err := r.Cookie(pageCookie)
		p.mu.Lock()
		at := slices.IndexFunc(p.rooms, func(k room) bool {
			return equalSecrets(k.name, r.PathValue("room")) && err == nil && equalSecrets(k.cookie, c.Value)
		})
		var in room
		if at >= 0 {
			in = p.rooms[at]
		}
		p.mu.Unlock()
		if at < 0 {
			http.Error(w, "The page is opened by the address that \"cushwright page\" prints.", http.StatusForbidden)
			return
		}
		if r.Method == http.MethodPost {
			if err := r.ParseForm(); err != nil {
				http.Error(w, "The form cannot be read.", http.StatusBadRequest)
				return
			}
			if !equalSecrets(r.PostForm.Get("token"), in.token) {
				http.Error(w, "Changes are taken from the page only.", http.StatusForbidden)
				return
			}
		}
		f(w, r, in)
	})
}

// page writes the whole page as it stands now; its script only keeps it up to date.
func (p *pageServer) page(w http.ResponseWriter, r *http.Request, in room) {
	st, err := p.ask.Status(r.Context())
	v := pageData{Token: in.token, Status: st, Live: p.state(st, err), Bench: p.view.bench(st.Cushion)}
	v.Said = r.URL.Query().Get("said")
	if len(v.Said) > 300 {
		v.Said = ""
	}
	p.write(w, "page", v)
}

// state is what the page tells of the engine. An engine that was started anew may have another bench than the page.
func (p *pageServer) state(st control.Status, err error) pageState {
	s := liveState(st, err)
	if dir := p.view.dir(); err == nil && st.Bench != "" && st.Bench != dir {
		s.Problems = append(s.Problems, fmt.Sprintf("the engine has another bench now, %s: start \"cushwright page\" again", st.Bench))
	}
	return s
}

// bench writes the part of the page that the bench decides.
func (p *pageServer) bench(w http.ResponseWriter, r *http.Request, in room) {
	st, err := p.ask.Status(r.Context())
	if err != nil {
		http.Error(w, err.Error(), http.StatusServiceUnavailable)
		return
	}
	p.write(w, "bench", pageData{Token: in.token, Status: st, Live: p.state(st, nil), Bench: p.view.bench(st.Cushion)})
}

func (p *pageServer) write(w http.ResponseWriter, part string, v pageData) {
	var b bytes.Buffer
	if err := pageTemplate.ExecuteTemplate(&b, part, v); err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Write(b.Bytes())
}

func (p *pageServer) wear(w http.ResponseWriter, r *http.Request, _ room) {
	_, err := p.ask.Wear(r.Context(), r.PostForm.Get("cushion"))
	p.done(w, r, err)
}

func (p *pageServer) bypass(w http.ResponseWriter, r *http.Request, _ room) {
	_, err := p.ask.Bypass(r.Context(), r.PostForm.Get("mode"), "")
	p.done(w, r, err)
}

// done answers a change: the script with what happened, a form without script with the page.
func (p *pageServer) done(w http.ResponseWriter, r *http.Request, err error) {
	p.live.soon()
	if r.Header.Get("X-Page-Script") == "" {
		to := "./"
		if err != nil {
			to += "?said=" + url.QueryEscape(err.Error())
		}
		w.Header().Set("Location", to)
		w.WriteHeader(http.StatusSeeOther)
		return
	}
	switch {
	case err == nil:
		w.WriteHeader(http.StatusNoContent)
	case errors.Is(err, control.ErrUnknown):
		http.Error(w, err.Error(), http.StatusNotFound)
	default:
		http.Error(w, err.Error(), http.StatusConflict)
	}
}
