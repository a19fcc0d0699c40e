package platform

import (
	"context"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// A server's socket that has only just come is left alone for a while; one that is older, in the future or not there is not waited for,
// and whoever does not want to wait need not.
func TestLetStart(t *testing.T) {
	socket := filepath.Join(t.TempDir(), "native")
	l, err := net.Listen("unix", socket)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	ended, end := context.WithCancel(t.Context())
	end()
	const all = startingTime
	for _, c := range []struct {
		name        string
		ctx         context.Context
		server      string
		age         time.Duration
		least, most time.Duration
	}{
		{"new", t.Context(), "unix:" + socket, 0, all * 3 / 4, all},
		{"half", t.Context(), "tcp:host:4713 " + socket, all / 2, all / 4, all / 2},
		{"old", t.Context(), "unix:" + socket, 2 * all, 0, 0},
		{"the clock was set back", t.Context(), "unix:" + socket, -time.Hour, 0, 0},
		{"missing", t.Context(), "unix:" + socket + "x", 0, 0, 0},
		{"ended", ended, "unix:" + socket, 0, 0, 0},
	} {
		born := time.Now().Add(-c.age)
		if err := os.Chtimes(socket, born, born); err != nil {
			t.Fatal(err)
		}
		from := time.Now()
		letStart(c.ctx, c.server)
		if took := time.Since(from); took < c.least || took > c.most+all/4 {
			t.Errorf("%s: waited %v, want %v to %v", c.name, took, c.least, c.most)
		}
	}
}
