package main

import (
	"strings"

	"github.com/spf13/cobra"

	"cushwright/config"
)

// The names that a command line gives: what they mean, and what a shell completes.

// call replaces a label that one cushion alone has by that cushion's name. What is neither stays as it is: whoever
// looks it up says so.
func call(snap *config.Snapshot, names ...*string) {
	for _, n := range names {
		if name, ok := snap.Called(*n); ok {
			*n = name
		}
	}
}

// completer lists what may stand at a place of a command line.
type completer = func(c *cobra.Command, args []string, begun string) ([]cobra.Completion, cobra.ShellCompDirective)

// cushions completes so many names of cushions, all different, and what else may stand there.
func (a *app) cushions(most int, also ...string) completer {
	return a.listed(most, func(snap *config.Snapshot) []string {
		all := also
		for _, n := range snap.CushionNames() {
			if k, _ := snap.Cushion(n); k.Label != "" {
				n += "\t" + k.Label
			}
			all = append(all, n)
		}
		return all
	})
}

// listed completes so many names of a list.
func (a *app) listed(most int, list func(*config.Snapshot) []string) completer {
	return func(_ *cobra.Command, args []string, begun string) (out []cobra.Completion,
		_ cobra.ShellCompDirective) {
		if len(args) >= most {
			return nil, cobra.ShellCompDirectiveDefault
		}
		snap, err := a.open()
		if err != nil {
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		for _, n := range list(snap) {
			name, _, _ := strings.Cut(n, "\t")
			given := false
			for _, g := range args {
				given = given || g == name
			}
			if !given && strings.HasPrefix(name, begun) {
				out = append(out, n)
			}
		}
		return out, cobra.ShellCompDirectiveNoFileComp
	}
}

// complete lets every command below root complete names.
func (a *app) complete(root *cobra.Command) {
	for _, c := range root.Commands() {
		switch c.Name() {
		case "wear", "derive", "sliders", "show", "prove", "sweep", "sheet", "add", "balance":
			c.ValidArgsFunction = a.cushions(1)
		case "compare":
			c.ValidArgsFunction = a.cushions(2)
		case "blind":
			c.ValidArgsFunction = a.cushions(2, "none\tno correction")
		}
		for flag, f := range map[string]completer{"reference": a.cushions(1), "cushion": a.cushions(1),
			"with": a.cushions(1),
			"for":  a.listed(1, func(s *config.Snapshot) []string { return s.EqualiserNames() }),
			"wanted": a.listed(1, func(s *config.Snapshot) []string {
				names, _ := s.WantedNames()
				return names
			}),
			"ear":  among("left", "right", "both"),
			"ears": among("together", "apart"), "bells": among("any", "analog", "bilinear")} {
			if c.Flags().Lookup(flag) != nil {
				c.RegisterFlagCompletionFunc(flag, func(c *cobra.Command, _ []string, begun string) (
					[]cobra.Completion, cobra.ShellCompDirective) {
					return f(c, nil, begun)
				})
			}
		}
	}
}

// among completes one of a few words.
func among(list ...string) completer {
	return func(_ *cobra.Command, _ []string, begun string) (out []cobra.Completion, _ cobra.ShellCompDirective) {
		for _, w := range list {
			if strings.HasPrefix(w, begun) {
				out = append(out, w)
			}
		}
		return out, cobra.ShellCompDirectiveNoFileComp
	}
}
