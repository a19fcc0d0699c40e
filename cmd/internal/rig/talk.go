package rig

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
)

// Talk asks and tells on standard error. Its own goroutine reads standard input, so that Ctrl-C ends a question too.
type Talk struct {
	out   io.Writer
	yes   bool
	tty   bool
	in    io.Reader
	lines chan string // nil until something is asked
	drawn bool
}

// NewTalk asks on in and tells on out; with yes it asks nothing and goes on.
func NewTalk(in io.Reader, out io.Writer, yes bool) *Talk {
	t := &Talk{out: out, in: in, yes: yes}
	if f, ok := t.out.(*os.File); ok {
		if fi, err := f.Stat(); err == nil {
			t.tty = fi.Mode()&os.ModeCharDevice != 0
		}
	}
	return t
}

// Say tells one line.
func (t *Talk) Say(format string, args ...any) { fmt.Fprintf(t.out, format+"\n", args...) }

// line reads one line of standard input.
func (t *Talk) line(ctx context.Context) (string, error) {
	if t.lines == nil {
		lines := make(chan string)
		t.lines = lines
		go func() { // ends with the input, or with the process
			for sc := bufio.NewScanner(t.in); sc.Scan(); {
				lines <- sc.Text()
			}
			close(lines)
		}()
	}
	select {
	case l, ok := <-t.lines:
		if !ok {
			return "", errors.New("cushwright: ask: standard input has ended: --yes asks nothing")
		}
		return strings.TrimSpace(l), nil
	case <-ctx.Done():
		fmt.Fprintln(t.out)
		return "", ctx.Err()
	}
}

// Enter waits for Enter.
func (t *Talk) Enter(ctx context.Context, ask string) error {
	if t.yes {
		return ctx.Err()
	}
	t.Say("%s", ask)
	_, err := t.line(ctx)
	return err
}

// Confirm asks a question whose default is no.
func (t *Talk) Confirm(ctx context.Context, ask string) (bool, error) {
	if t.yes {
		return true, ctx.Err()
	}
	fmt.Fprintf(t.out, "%s [y/N] ", ask)
	l, err := t.line(ctx)
	return strings.EqualFold(l, "y") || strings.EqualFold(l, "yes"), err
}

// Bar returns what draws the progress of a sweep, on terminals only.
func (t *Talk) Bar(label string) func(share float64) {
	if !t.tty {
		return nil
	}
	return func(share float64) {
		const width = 30
		n := int(share*width + 0.5)
		fmt.Fprintf(t.out, "\r%s [%s%s] %3.0f %%", label, strings.Repeat("#", n), strings.Repeat("-", width-n), share*100)
		t.drawn = true
	}
}

// EndBar ends a line of progress.
func (t *Talk) EndBar() {
	if t.drawn {
		fmt.Fprintln(t.out)
	}
	t.drawn = false
}
