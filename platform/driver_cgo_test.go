//go:build linux && cgo

package platform

import (
	"fmt"
	"testing"

	"cushwright/platform/internal/live"
	"cushwright/platform/soundtest"
)

// The server decides the device layer, and the setting for malgo overrules it.
func TestDriverIsChosen(t *testing.T) {
	live.OnEach(t, func(t *testing.T, s *soundtest.Server) {
		want := map[string]string{soundtest.PulseAudio: "*pulse.Driver", soundtest.PipeWire: "*graph.Driver"}[s.Kind]
		for _, c := range []struct {
			open func(string) (d any, err error)
			want string
		}{
			{func(s string) (any, error) { return NewDriver(s) }, want},
			{func(s string) (any, error) { return NewMalgoDriver(s) }, "*mini.Driver"},
		} {
			if d, err := c.open(""); err != nil || fmt.Sprintf("%T", d) != c.want {
				t.Errorf("on %s: %T, %v; want %s", s.Kind, d, err, c.want)
			}
		}
	})
}
