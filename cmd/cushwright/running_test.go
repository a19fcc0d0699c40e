package main

import (
	"errors"
	"strings"
	"testing"

	"cushwright/engine/control"
)

// A command that looks at the running engine answers no where there is none, by name of the reason.
func TestNoEngineIsANo(t *testing.T) {
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	for _, command := range []string{"status", "stop"} {
		_, _, err := runIn(t, t.TempDir(), command)
		var no answerNo
		if !errors.As(err, &no) || !errors.Is(no.error, control.ErrNoEngine) {
			t.Errorf("%s without an engine: %v", command, err)
		}
	}
}

// A series that nobody could mean is refused before anything sounds, with what is allowed. A proof may measure none.
func TestSeatsOfASeries(t *testing.T) {
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	for _, c := range []struct{ command, seats, allowed string }{
		{"sweep", "0", "1 to 100"}, {"sweep", "101", "1 to 100"}, {"prove", "-1", "0 to 100"}, {"prove", "101", "0 to 100"},
	} {
		_, _, err := runIn(t, t.TempDir(), c.command, "woven", "--ear", "left", "--seats="+c.seats, "--yes")
		if err == nil || !strings.Contains(err.Error(), "--seats is "+c.seats) || !strings.Contains(err.Error(), c.allowed) {
			t.Errorf("%s with %s seats: %v", c.command, c.seats, err)
		}
	}
}
