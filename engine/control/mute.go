package control

import (
	"context"
	"errors"
	"net/http"
)

// Muter is a Backend that can be silenced at once.
type Muter interface {
	// Mute silences ("on"), lifts the silence ("off") or does the other of both ("toggle"), and returns the new state.
	Mute(ctx context.Context, mode string) (bool, error)
}

type muteRequest struct {
	Mode string `json:"mode"`
}

type muteReply struct {
	Muted bool `json:"muted"`
}

func muteHandler(b Backend) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		var q muteRequest
		if !read(w, r, &q) {
			return
		}
		m, ok := b.(Muter)
		if !ok {
			reply(w, nil, errors.New("control: mute: this engine cannot be muted"))
			return
		}
		on, err := m.Mute(r.Context(), q.Mode)
		reply(w, muteReply{on}, err)
	}
}

// Mute silences the engine, lifts the silence, or toggles it, and returns the new state.
func (c *Client) Mute(ctx context.Context, mode string) (bool, error) {
	var r muteReply
	err := c.call(ctx, "POST", "/mute", muteRequest{mode}, &r)
	return r.Muted, err
}
