package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"cushwright/cmd/internal/words"
	"cushwright/config"
)

// What the command line says of itself: help, and what a wrong command line is told.

const caution = `Mind your ears: start with the volume low and raise it slowly. A correction can lift the bass by several decibels
without sounding louder. Follow the safe-listening rules that apply where you are, and ask a professional if in doubt.`

// careful prints the caution. Whoever has read it at a terminal today is spared it until tomorrow; what goes into a
// file or to a program always has it.
func careful(w io.Writer) {
	terminal := false
	if f, ok := w.(*os.File); ok {
		fi, err := f.Stat()
		terminal = err == nil && fi.Mode()&os.ModeCharDevice != 0
	}
	dir, err := config.StateDir()
	if err != nil {
		terminal = false
	}
	cautionOnce(w, terminal, filepath.Join(dir, "cautioned"), time.Now())
}

// careOf is the caution for what lifts.
func careOf(boostDB float64) string {
	if boostDB > 0.05 {
		return caution
	}
	return ""
}

// cautionOnce is careful with its note of the day in a file.
func cautionOnce(w io.Writer, terminal bool, file string, now time.Time) {
	today := now.Format(time.DateOnly)
	if terminal {
		if b, err := os.ReadFile(file); err == nil && strings.TrimSpace(string(b)) == today {
			return
		}
		config.WriteAtomic(file, []byte(today+"\n")) // where it cannot be noted, it is read again
	}
	fmt.Fprintln(w, caution)
}

// cautious are the commands whose help ends with the caution.
var cautious = []string{"cushwright", "run", "autostart", "derive", "sliders", "sheet", "demo", "earlier", "mute"}

// dress gives every command below root our own texts in place of the library's.
func (a *app) dress(root *cobra.Command) {
	root.SetUsageTemplate(usageText)
	root.SetFlagErrorFunc(badOption)
	root.SetHelpFunc(func(c *cobra.Command, _ []string) {
		w := c.OutOrStdout()
		text := c.Long
		if text == "" {
			text = c.Short
		}
		if text = strings.TrimSpace(text); !c.Runnable() && c.HasParent() && !c.HasSubCommands() {
			fmt.Fprintln(w, text) // a topic
			return
		}
		fmt.Fprintf(w, "%s\n\n%s", text, c.UsageString())
		if slices.Contains(cautious, c.Name()) {
			fmt.Fprintln(w)
			careful(w)
		}
	})
	root.PersistentPreRunE = func(c *cobra.Command, _ []string) error {
		a.messages = c.ErrOrStderr()
		return together(c)
	}
	all := append(root.Commands(), root)
	for _, c := range root.Commands() {
		all = append(all, c.Commands()...)
	}
	for _, c := range all {
		c.DisableFlagsInUseLine = true
		c.InitDefaultHelpFlag()
		c.Flags().Lookup("help").Usage = "explain this command"
		for _, set := range []*pflag.FlagSet{c.Flags(), c.PersistentFlags()} {
			set.VisitAll(sentence)
		}
		if fits := c.Args; fits != nil && c != root {
			c.Args = func(c *cobra.Command, args []string) error {
				if fits(c, args) != nil {
					return wrongNames(c, args)
				}
				return nil
			}
		}
	}
	root.Args = func(c *cobra.Command, args []string) error {
		if len(args) == 0 {
			return nil
		}
		var names []string
		for _, k := range c.Commands() {
			names = append(names, k.Name())
		}
		return words.Sentence("There is no command %q.%s \"cushwright help\" lists them.", args[0],
			words.DidYouMean(args[0], names))
	}
}

const usageText = `Usage:
{{- if .HasParent}}
  {{.UseLine}} [options]{{else}}
  cushwright COMMAND [options]{{end}}
{{- range $group := .Groups}}

{{.Title}}{{range $.Commands}}{{if and (eq .GroupID $group.ID) (or .IsAvailableCommand (eq .Name "json"))}}
  {{rpad .Name .NamePadding}} {{.Short}}{{end}}{{end}}{{end}}
{{- if and .HasParent .HasAvailableSubCommands}}

Shells:{{range .Commands}}{{if .IsAvailableCommand}}
  {{rpad .Name .NamePadding}} {{.Short}}{{end}}{{end}}{{end}}

Options:
{{.LocalFlags.FlagUsagesWrapped 110 | trimTrailingWhitespaces}}
{{- if .HasAvailableInheritedFlags}}

Options of every command:
{{.InheritedFlags.FlagUsagesWrapped 110 | trimTrailingWhitespaces}}{{end}}
{{- if not .HasParent}}

"cushwright COMMAND --help" says more about a command.{{end}}
`

// values are what stands for an option's value in the help, by the option's name, then by its type.
var values = map[string]string{"png": "FILE", "svg": "FILE", "loop": "FILE", "out": "PATH", "bench": "DIR",
	"since": "DAY", "date": "DAY", "freq": "HZ,HZ", "rate": "HZ", "max-boost": "DB", "step": "DB", "gentle": "DB",
	"level": "DB", "seconds": "SECONDS", "width": "OCTAVES", "q": "Q", "alpha": "P", "ear": "EAR", "ears": "HOW",
	"reference": "CUSHION", "cushion": "CUSHION", "with": "CUSHION", "for": "EQUALISER", "mic": "CHANNEL",
	"bells": "KIND",

	"string": "TEXT", "int": "NUMBER", "float64": "NUMBER"}

// value is an option's value under the name that the help has for it.
type value struct {
	pflag.Value
	what string
}

func (v value) Type() string { return v.what }

// sentence makes a whole sentence of an option's explanation, and names its value.
func sentence(f *pflag.Flag) {
	if f.Usage = words.Capital(f.Usage); !strings.HasSuffix(f.Usage, ".") {
		f.Usage += "."
	}
	if _, done := f.Value.(value); done || f.Value.Type() == "bool" {
		return
	}
	kind := f.Value.Type()
	if f.DefValue == "[]" {
		f.DefValue = ""
	}
	what, ok := values[f.Name]
	if f.Name == "level" && kind == "string" {
		what = "HOW"
	}
	if !ok {
		what, ok = values[kind]
	}
	if !ok {
		what = "VALUE"
	}
	f.Value = value{f.Value, what}
}

// badOption says what is wrong with an option.
func badOption(c *cobra.Command, err error) error {
	help := fmt.Sprintf("%q lists them.", c.CommandPath()+" --help")
	var unknown *pflag.NotExistError
	var bare *pflag.ValueRequiredError
	var wrong *pflag.InvalidValueError
	switch {
	case errors.As(err, &unknown):
		dashes := "--"
		if unknown.GetSpecifiedShortnames() != "" {
			dashes = "-"
		}
		var names []string
		c.Flags().VisitAll(func(f *pflag.Flag) { names = append(names, f.Name) })
		mean := ""
		if n := words.Near(unknown.GetSpecifiedName(), names); n != "" && dashes == "--" {
			mean = fmt.Sprintf(" Did you mean --%s?", n)
		}
		return words.Sentence("There is no option %s%s.%s %s", dashes, unknown.GetSpecifiedName(), mean, help)
	case errors.As(err, &bare):
		return words.Sentence("The option --%s needs a value: --%[1]s %s.", bare.GetSpecifiedName(),
			bare.GetFlag().Value.Type())
	case errors.As(err, &wrong):
		f := wrong.GetFlag()
		needs := "a number"
		if v, ok := f.Value.(value); ok && v.Value.Type() == "int" {
			needs = "a whole number"
		}
		if f.Value.Type() == "bool" {
			needs = "nothing, or true or false"
		}
		return words.Sentence("--%s %s: give %s.", f.Name, wrong.GetValue(), needs)
	}
	return words.Sentence("The options are not understood (%v). %s", err, help)
}

// wrongNames says what a command takes.
func wrongNames(c *cobra.Command, args []string) error {
	write := fmt.Sprintf("Write: %s", c.UseLine())
	if len(args) == 0 {
		return words.Sentence("Something is missing. %s", write)
	}
	given := make([]string, len(args))
	for i, a := range args {
		given[i] = fmt.Sprintf("%q", a)
	}
	return words.Sentence("%s does not fit. %s", words.Capital(strings.Join(given, " ")), write)
}

// together checks which options are needed and which exclude each other.
func together(c *cobra.Command) error {
	var bad error
	c.Flags().VisitAll(func(f *pflag.Flag) {
		if _, needed := f.Annotations[cobra.BashCompOneRequiredFlag]; needed && !f.Changed && bad == nil {
			bad = words.Sentence("The option --%s %s is missing.", f.Name, f.Value.Type())
		}
		for _, group := range f.Annotations["cobra_annotation_mutually_exclusive"] {
			var set []string
			for n := range strings.FieldsSeq(group) {
				if c.Flags().Changed(n) {
					set = append(set, "--"+n)
				}
			}
			if len(set) > 1 && bad == nil {
				bad = words.Sentence("Give only one of %s.", strings.Join(set, " and "))
			}
		}
	})
	return bad
}
