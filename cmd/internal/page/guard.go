package page

import (
	"crypto/rand"
	"crypto/subtle"
	"net/http"
	"slices"
)

// equalSecrets compares secrets in a time that tells nothing of them.
func equalSecrets(a, b string) bool { return subtle.ConstantTimeCompare([]byte(a), []byte(b)) == 1 }

// policy lets the page load what this server gives and nothing else, and lets nobody frame it.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; form-action 'self'; " +
	"base-uri 'none'; frame-ancestors 'none'"

// handler guards every request: by the host it names (a foreign name that leads here is refused), by where the browser
// says it comes from, by the cookie, and for changes by the origin and the page's token.
func (p *Server) handler(host string) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /open", p.open)
	mux.Handle("GET /{room}/{$}", p.inside(p.page))
	mux.Handle("GET /{room}/bench", p.inside(p.bench))
	mux.Handle("GET /{room}/live", p.inside(p.events))
	for name, kind := range files {
		mux.Handle("GET /{room}/"+name, p.inside(func(w http.ResponseWriter, r *http.Request, _ room) {
			w.Header().Set("Content-Type", kind)
			w.Write(file(name))
		}))
	}
	mux.Handle("POST /{room}/wear", p.inside(p.wear))
	mux.Handle("POST /{room}/bypass", p.inside(p.bypass))
	mux.Handle("POST /{room}/start", p.inside(p.start))
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
			r.Body = http.MaxBytesReader(w, r.Body, mostBody)
			mux.ServeHTTP(w, r)
		}
	})
}

// open exchanges the address' token for a room.
func (p *Server) open(w http.ResponseWriter, r *http.Request) {
	token := r.URL.Query().Get("token")
	p.mu.Lock()
	at := slices.IndexFunc(p.tokens, func(t string) bool { return equalSecrets(t, token) })
	var in room
	if at >= 0 {
		p.tokens = slices.Delete(p.tokens, at, at+1)
		in = room{rand.Text(), rand.Text(), rand.Text()}
		p.rooms = append(p.rooms, in)
		p.rooms = p.rooms[max(0, len(p.rooms)-mostRooms):]
	}
	p.mu.Unlock()
	if at < 0 {
		http.Error(w, "This address has been used or was never given. Press Enter where \"cushwright page\" runs, "+
			"or start it again, for another.", http.StatusForbidden)
		return
	}
	path := "/" + in.name + "/"
	http.SetCookie(w, &http.Cookie{Name: cookieName, Value: in.cookie, Path: path, HttpOnly: true,
		SameSite: http.SameSiteStrictMode})
	http.Redirect(w, r, path, http.StatusSeeOther)
}

// inside lets a request through to f if it carries its room's cookie, and, to change anything, the room's token.
func (p *Server) inside(f func(http.ResponseWriter, *http.Request, room)) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		c, err := r.Cookie(cookieName)
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
