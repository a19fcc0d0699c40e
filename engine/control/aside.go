package control

import (
	"context"
	"crypto/rand"
	"errors"
	"net/http"
	"sync"
	"time"
)

// AsideLease is how long the engine stands aside without hearing from whoever asked for it. A command that dies costs
// its user no more silence than that.
const AsideLease = 3 * time.Second

// Asider is a Backend that can stand aside: fall silent on its own output, so that somebody else can measure on it.
type Asider interface {
	// Aside begins, keeps up or ends standing aside, by q.Aside. It returns when the sound has faded out. Several may
	// ask at once, each by its token; the sound comes back when the last has ended or was not heard of for
	// AsideLease. With q.Steady the sound goes on, and the drift resampler's ratio is kept still instead, on the same
	// terms.
	Aside(ctx context.Context, q AsideRequest) error
}

// AsideRequest asks the engine to stand aside, or to stay there, or to come back.
type AsideRequest struct {
	Token string `json:"token"` // chosen by whoever asks: nobody else can end it
	Aside bool   `json:"aside"`

	Steady bool `json:"steady,omitempty"` // play on, but keep the drift resampler's ratio still
}

func asideHandler(b Backend) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		var q AsideRequest
		if !read(w, r, &q) {
			return
		}
		a, ok := b.(Asider)
		switch {
		case !ok:
			reply(w, nil, errors.New("control: stand aside: this engine cannot"))
		case len(q.Token) < 16:
			reply(w, nil, errors.New("control: stand aside: the token is shorter than 16 characters"))
		default:
			reply(w, struct{}{}, a.Aside(r.Context(), q))
		}
	}
}

// StandAside asks the engine to fall silent until release is called, and keeps asking. The error is ErrNoEngine where
// there is none: then there is nothing to silence. lost is closed, should the engine not answer any more.
func (c *Client) StandAside(ctx context.Context) (release func(), lost <-chan struct{}, err error) {
	return c.hold(ctx, false)
}

// HoldSteady asks the engine to keep its drift resampler's ratio still until release is called, as StandAside does.
func (c *Client) HoldSteady(ctx context.Context) (release func(), lost <-chan struct{}, err error) {
	return c.hold(ctx, true)
}

func (c *Client) hold(ctx context.Context, steady bool) (release func(), lost <-chan struct{}, err error) {
	token := rand.Text()
	ask := func(ctx context.Context, on bool) error {
		ctx, cancel := context.WithTimeout(ctx, AsideLease)
		defer cancel()
		return c.call(ctx, "POST", "/aside", AsideRequest{token, on, steady}, &struct{}{})
	}
	if err := ask(ctx, true); err != nil {
		return func() {}, nil, err
	}
	gone, stop := make(chan struct{}), make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		for heard := time.Now(); ; {
			select {
			case <-stop:
				return
			case <-time.After(AsideLease / 4):
			}
			// Not the caller's context: what is interrupted still fades out, and the engine is to be silent until then.
			if err := ask(context.Background(), true); err == nil {
				heard = time.Now()
			} else if errors.Is(err, ErrNoEngine) || time.Since(heard) > AsideLease {
				close(gone)
				return
			}
		}
	})
	return sync.OnceFunc(func() {
		close(stop)
		wg.Wait()
		ask(context.Background(), false) // should it fail, the lease ends
	}), gone, nil
}

// Asides keeps the leases of an Asider.
type Asides struct {
	mu     sync.Mutex // guards leases
	leases map[string]*time.Timer
}

// Held tells whether any lease holds.
func (a *Asides) Held() bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	return len(a.leases) > 0
}

// Set begins, renews or ends a lease and tells whether any holds then; ended is called when this one runs out.
func (a *Asides) Set(q AsideRequest, ended func()) (held bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.leases == nil {
		a.leases = map[string]*time.Timer{}
	}
	t := a.leases[q.Token]
	switch {
	case !q.Aside && t != nil:
		t.Stop()
		delete(a.leases, q.Token)
	case !q.Aside:
	case t != nil && t.Stop():
		t.Reset(AsideLease)
	default: // new, or run out at this moment
		var mine *time.Timer
		mine = time.AfterFunc(AsideLease, func() {
			a.mu.Lock()
			if a.leases[q.Token] != mine {
				a.mu.Unlock()
				return
			}
			delete(a.leases, q.Token)
			a.mu.Unlock()
			ended()
		})
		a.leases[q.Token] = mine
	}
	return len(a.leases) > 0
}
