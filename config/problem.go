package config

import (
	"fmt"
	"strconv"
	"strings"
)

// Problem is one fault in a file of the bench.
type Problem struct {
	File    string // relative to the bench folder, with forward slashes
	Line    int    // from 1; 0 where the fault belongs to no line
	Key     string // "guard.ceiling_db", "band 2 freq_hz"; "" where the fault belongs to no key
	Value   string // as written in the file
	Allowed string // what may stand there instead
	Err     error  // the cause where it is not a matter of a value
}

// Error reads `config: read "FILE": line N: KEY is VALUE, allowed: ALLOWED`.
func (p *Problem) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "config: read %s: ", strconv.Quote(p.File))
	if p.Line > 0 {
		fmt.Fprintf(&b, "line %d: ", p.Line)
	}
	switch {
	case p.Key != "" && p.Value != "":
		fmt.Fprintf(&b, "%s is %s", p.Key, p.Value)
	case p.Key != "":
		b.WriteString(p.Key)
	case p.Value != "":
		b.WriteString(p.Value)
	}
	if p.Err != nil {
		if p.Key != "" || p.Value != "" {
			b.WriteString(": ")
		}
		b.WriteString(p.Err.Error())
	}
	if p.Allowed != "" {
		fmt.Fprintf(&b, ", allowed: %s", p.Allowed)
	}
	return b.String()
}

// Unwrap returns the cause.
func (p *Problem) Unwrap() error { return p.Err }

// Problems is every fault found in one reading of the bench, in order of file and line. As an error it is one line per
// problem.
type Problems []*Problem

// Error lists the problems, one a line.
func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap returns the problems, so that errors.As finds a *Problem.
func (ps Problems) Unwrap() []error {
	errs := make([]error, len(ps))
	for i, p := range ps {
		errs[i] = p
	}
	return errs
}

// clip keeps a value from a file short enough for a message, on one line.
func clip(s string) string { return shorten(s, 60) }

func shorten(s string, most int) string {
	r := []rune(s)
	if len(r) > most {
		r = append(r[:most], '…')
	}
	return strings.Map(func(c rune) rune {
		if c < ' ' || c == 0x7f {
			return ' '
		}
		return c
	}, string(r))
}
