// Package faultscript reads the scripts that say what happens to a running engine and what must be heard, and be
// reported, after it. It knows how a script is written. What the commands do stands in a table that the caller makes.
//
// A line is a command and its arguments; # begins a comment. A name is one word or two ("wait", "wait random"); the
// longer one counts. Quotes hold words together: "not remembered". After the arguments in their order may stand named
// ones, each a word and its value: within 2s.
package faultscript

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Kind is what an argument may be.
type Kind int

const (
	Text    Kind = iota // any words, in quotes where they are several
	Name                // letters, digits, - and _
	Count               // a whole number from 1 on
	Span                // a length of time above 0, as in 500ms, 2s, 1m
	Offset              // a length of time that may be negative
	Setting             // KEY=VALUE, both as they stand in a settings file
)

// allowed says what a kind takes.
var allowed = map[Kind]string{
	Text:    `any words, in quotes where they are several`,
	Name:    `letters, digits, - and _`,
	Count:   `a whole number from 1 on`,
	Span:    `a length of time such as 500ms, 2s or 1m`,
	Offset:  `a length of time such as 2s, or -1h for an hour ago`,
	Setting: `KEY=VALUE`,
}

// Arg is one argument of a command.
type Arg struct {
	Name     string   // for the usage
	Kind     Kind     // what it may be
	Among    []string // where not empty: the words it may be
	Optional bool     // it may be missing; those after it are optional too
	Rest     bool     // the last one: it takes all that is left, and needs none
	Word     string   // where not empty, the argument stands after all others, behind this word, and is optional
}

// Command is a row of the table.
type Command[Rig any] struct {
	Usage string // what it does, one line
	Args  []Arg
	Do    func(rig Rig, given Values)
}

// Table holds the commands by their names.
type Table[Rig any] map[string]Command[Rig]

// Values are the arguments of one line, by the names of Arg.
type Values struct {
	line string
	got  map[string][]value
}

type value struct {
	text string
	n    int
	span time.Duration
}

// Line is the line as it stands in the script, without its comment.
func (v Values) Line() string { return v.line }

// Has reports whether an argument was given.
func (v Values) Has(name string) bool { return len(v.got[name]) > 0 }

// Text is an argument's text, without quotes; "" where it was not given.
func (v Values) Text(name string) string { return v.first(name).text }

// Count is a Count's number; 0 where it was not given.
func (v Values) Count(name string) int { return v.first(name).n }

// Span is a Span's or an Offset's length; 0 where it was not given.
func (v Values) Span(name string) time.Duration { return v.first(name).span }

func (v Values) first(name string) (x value) {
	if got := v.got[name]; len(got) > 0 {
		x = got[0]
	}
	return x
}

// All are the texts of an argument that takes the rest.
func (v Values) All(name string) (texts []string) {
	for _, x := range v.got[name] {
		texts = append(texts, x.text)
	}
	return texts
}

// Step is one command of a script.
type Step[Rig any] struct {
	File string
	Line int // from 1
	Name string
	Values
	do func(Rig, Values)
}

// Do carries the step out.
func (s Step[Rig]) Do(rig Rig) { s.do(rig, s.Values) }

// Where names the step for a message: its file, its line, and what stands there.
func (s Step[Rig]) Where() string {
	return fmt.Sprintf("%s line %d: %s", s.File, s.Line, s.Values.line)
}

// Parse reads a script. Its error tells of every line that is wrong, by file and line.
func (t Table[Rig]) Parse(file, text string) (steps []Step[Rig], err error) {
	var wrong []error
	n := 0
	for line := range strings.Lines(text) {
		n++
		step, err := t.step(strings.TrimRight(line, "\r\n"))
		if err != nil {
			wrong = append(wrong, fmt.Errorf("faultscript: read %q line %d: %w", file, n, err))
			continue
		}
		if step.do != nil {
			step.File, step.Line = file, n
			steps = append(steps, step)
		}
	}
	if len(wrong) == 0 && len(steps) == 0 {
		wrong = append(wrong, fmt.Errorf("faultscript: read %q: it holds no command", file))
	}
	if len(wrong) > 0 {
		return nil, errors.Join(wrong...)
	}
	return steps, nil
}

// step reads one line; a step without do is an empty one.
func (t Table[Rig]) step(line string) (s Step[Rig], err error) {
	words, err := split(line)
	if err != nil || len(words) == 0 {
		return s, err
	}
	s.Values.line = strings.Join(words, " ")
	n := min(2, len(words))
	c, ok := t[strings.Join(words[:n], " ")]
	if !ok {
		n = 1
		c, ok = t[words[0]]
	}
	if !ok {
		return s, t.unknown(words)
	}
	s.Name, s.do = strings.Join(words[:n], " "), c.Do
	if s.do == nil {
		return s, fmt.Errorf("%s: it does nothing", s.Name)
	}
	if s.got, err = arguments(c.Args, words[n:]); err != nil {
		return s, fmt.Errorf("%s: %w; usage: %s", s.Name, err, t.Syntax(s.Name))
	}
	return s, nil
}

// unknown names the commands that could have been meant: all, or those that begin with the same word.
func (t Table[Rig]) unknown(words []string) error {
	var seconds []string
	for name := range t {
		if first, second, ok := strings.Cut(name, " "); ok && first == words[0] {
			seconds = append(seconds, second)
		}
	}
	slices.Sort(seconds)
	if len(seconds) == 0 {
		return fmt.Errorf("%q is no command; allowed: %s", words[0], strings.Join(slices.Sorted(maps.Keys(t)), ", "))
	}
	if len(words) == 1 {
		return fmt.Errorf("%s: a word is missing; allowed: %s", words[0], strings.Join(seconds, ", "))
	}
	return fmt.Errorf("%s %q is no command; allowed: %s", words[0], words[1], strings.Join(seconds, ", "))
}

// arguments gives words to the arguments of a command.
func arguments(args []Arg, words []string) (got map[string][]value, err error) {
	got = map[string][]value{}
	var named []Arg
	for _, a := range args {
		if a.Word != "" {
			named = append(named, a)
		}
	}
	isNamed := func(word string) int { return slices.IndexFunc(named, func(a Arg) bool { return a.Word == word }) }
	take := func(a Arg, word string) error {
		v, err := a.read(word)
		got[a.Name] = append(got[a.Name], v)
		return err
	}
	for _, a := range args {
		switch {
		case a.Word != "":
			continue
		case a.Rest:
			for len(words) > 0 && isNamed(words[0]) < 0 {
				if err := take(a, words[0]); err != nil {
					return nil, err
				}
				words = words[1:]
			}
			continue
		case len(words) == 0 || isNamed(words[0]) >= 0:
			if a.Optional {
				continue
			}
			return nil, fmt.Errorf("%s is missing", a.Name)
		}
		if err := take(a, words[0]); err != nil {
			return nil, err
		}
		words = words[1:]
	}
	for len(words) > 0 {
		k := isNamed(words[0])
		switch {
		case k < 0:
			return nil, fmt.Errorf("%s is too much", words[0])
		case got[named[k].Name] != nil:
			return nil, fmt.Errorf("%s stands twice", words[0])
		case len(words) == 1:
			return nil, fmt.Errorf("%s is missing after %s", named[k].Name, words[0])
		}
		if err := take(named[k], words[1]); err != nil {
			return nil, err
		}
		words = words[2:]
	}
	return got, nil
}

// longest is more than any script waits: a longer time is a slip of the pen.
const longest = 24 * time.Hour

// read reads one word as an argument.
func (a Arg) read(word string) (v value, err error) {
	wrong := func(may string) error { return fmt.Errorf("%s = %s: allowed: %s", a.Name, word, may) }
	v.text = word
	if len(a.Among) > 0 {
		if !slices.Contains(a.Among, word) {
			return v, wrong(strings.Join(a.Among, ", "))
		}
		return v, nil
	}
	ok := true
	switch a.Kind {
	case Text:
		if strings.HasPrefix(word, `"`) {
			v.text, err = strconv.Unquote(word)
			ok = err == nil
		}
	case Name:
		ok = strings.Trim(word, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_") == ""
	case Count:
		v.n, err = strconv.Atoi(word)
		ok = err == nil && v.n > 0
	case Span, Offset:
		v.span, err = time.ParseDuration(word)
		ok = err == nil && v.span.Abs() <= longest && (a.Kind == Offset || v.span > 0)
	case Setting:
		key, val, found := strings.Cut(word, "=")
		ok = found && key != "" && val != "" && !strings.Contains(key, `"`)
	}
	if !ok {
		return v, wrong(allowed[a.Kind])
	}
	return v, nil
}

// split parts a line into words and drops its comment. Quotes stay.
func split(line string) (words []string, err error) {
	word, quoted, escaped := "", false, false
	for _, c := range line {
		switch {
		case quoted:
			word += string(c)
			quoted, escaped = escaped || c != '"', !escaped && c == '\\'
			continue
		case c == '"':
			quoted = true
		case c == ' ' || c == '\t':
			if word != "" {
				words = append(words, word)
			}
			word = ""
			continue
		case c == '#' && word == "":
			return words, nil
		}
		word += string(c)
	}
	if quoted {
		return nil, fmt.Errorf("the quote %s has no end", word)
	}
	if word != "" {
		words = append(words, word)
	}
	return words, nil
}

// Syntax is how a command is written: its name and its arguments, those in [ ] optional.
func (t Table[Rig]) Syntax(name string) string {
	parts := []string{name}
	for _, a := range t[name].Args {
		s := a.Name
		if len(a.Among) > 0 {
			s = strings.Join(a.Among, "|")
		}
		switch {
		case a.Word != "":
			s = "[" + a.Word + " " + s + "]"
		case a.Rest:
			s = "[" + s + "…]"
		case a.Optional:
			s = "[" + s + "]"
		}
		parts = append(parts, s)
	}
	return strings.Join(parts, " ")
}

// Help is the table in words, a line a command, in the order of their names.
func (t Table[Rig]) Help() string {
	var b strings.Builder
	for _, name := range slices.Sorted(maps.Keys(t)) {
		fmt.Fprintf(&b, "%-55s %s\n", t.Syntax(name), t[name].Usage)
	}
	return b.String()
}
