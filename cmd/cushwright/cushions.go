package main

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/service"
	"cushwright/config"
	"cushwright/dsp"
)

func (a *app) cushionsCommand() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{Use: "cushions", Short: "List the cushions; begin, rename or remove one.", Args: cobra.NoArgs,
		Long: `Lists the cushions of the bench: their seats, what their correction is towards, which one is the reference
and which is fitted. Its subcommands begin, rename and remove cushions. What is removed is kept in the bench folder,
the last 50 removals of it, and "cushions undo" puts the last one back.`,
		RunE: func(c *cobra.Command, _ []string) error { return a.listCushions(c, asJSON) }}
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")

	var label string
	begin := &cobra.Command{Use: "new NAME", Short: "Begin a cushion: write its record.", Args: cobra.ExactArgs(1),
		Long: `Writes cushions/NAME.toml with its label and every other key commented out, each with an example. Where there is
no bench yet, it begins one, and the cushion is its reference.`,
		RunE: func(c *cobra.Command, args []string) error { return a.newCushion(c, args[0], label) }}
	begin.Flags().StringVar(&label, "label", "", "the label, as people call it (default: NAME)")

	rename := &cobra.Command{Use: "rename OLD NEW", Short: "Give a cushion another name.", Args: cobra.ExactArgs(2),
		Long: `Renames a cushion with its seats and its corrections, and where the settings or other corrections name it as
their reference.`,
		RunE: func(c *cobra.Command, args []string) error { return a.renameCushion(c, args[0], args[1]) }}

	var seat string
	var demo bool
	remove := &cobra.Command{Use: "remove [NAME]", Short: "Remove a cushion, one of its seats, or the demonstration.",
		Args: func(c *cobra.Command, args []string) error {
			if demo {
				return cobra.NoArgs(c, args)
			}
			return cobra.ExactArgs(1)(c, args)
		},
		Long: `Removes a cushion with its seats and its corrections; with --seat, one seat, such as left-03; with --demo, the
demonstration, save cushions whose seats have become your own. "cushions undo" puts it back.`,
		RunE: func(c *cobra.Command, args []string) error {
			return a.removeCushion(c, append(args, "")[0], seat, demo)
		}}
	remove.Flags().StringVar(&seat, "seat", "", "remove this seat alone, such as left-03")
	remove.Flags().BoolVar(&demo, "demo", false, "remove the demonstration")
	remove.MarkFlagsMutuallyExclusive("seat", "demo")

	undo := &cobra.Command{Use: "undo", Short: "Put back what was removed last.", Args: cobra.NoArgs,
		Long: `Puts back what "cushions remove" took away last; given again, what it took away before. Nothing that stands there
now is replaced.`,
		RunE: func(c *cobra.Command, _ []string) error {
			dir, err := a.dir()
			if err != nil {
				return err
			}
			files, err := config.UndoRemoval(dir)
			if err != nil {
				return err
			}
			for _, f := range files {
				fmt.Fprintln(c.OutOrStdout(), "put back:", f)
			}
			return nil
		}}
	c.AddCommand(begin, rename, remove, undo)
	return c
}

// listed is one cushion of the list.
type listed struct {
	Name      string `json:"name"`
	Label     string `json:"label,omitempty"`
	Left      int    `json:"left_seats"`
	Right     int    `json:"right_seats"`
	Corrected bool   `json:"corrected"`
	Towards   string `json:"towards,omitempty"` // the reference of its correction
	Reference bool   `json:"reference"`         // of the settings
	Fitted    bool   `json:"fitted"`
	Recorded  bool   `json:"recorded"`
}

func (a *app) listCushions(c *cobra.Command, asJSON bool) error {
	snap, err := a.open()
	if err != nil {
		return err
	}
	all, fitted := []listed{}, config.LoadFitted()
	names := snap.CushionNames()
	bare, err := snap.SeatsWithoutRecord()
	if err != nil {
		return err
	}
	for _, name := range append(names, bare...) {
		k, _ := snap.Cushion(name)
		l := listed{Name: name, Label: k.Label, Reference: name == snap.Settings.Reference, Fitted: name == fitted,
			Recorded: k.Recorded}
		refs, err := snap.Seats(name)
		if err != nil {
			return err
		}
		for _, r := range refs {
			if r.Ear == dsp.Left {
				l.Left++
			} else {
				l.Right++
			}
		}
		corr, ok := snap.Correction(name)
		l.Corrected, l.Towards = ok, corr.Reference
		all = append(all, l)
	}
	if asJSON {
		return writeJSON(c, all)
	}
	if len(all) == 0 {
		warn(c, []string{emptyBench})
		return nil
	}
	return printTo(c, func(w io.Writer) {
		for _, l := range all {
			fmt.Fprintf(w, "%-16s %s\n", l.Name, strings.Join(l.words(), ", "))
		}
	})
}

// emptyBench leads out of an empty bench.
const emptyBench = "the bench has no cushion yet: \"cushwright cushions new NAME\" begins one, and \"cushwright add NAME " +
	"--ear left FILE…\" takes its measurements in"

// words says what is known of a cushion.
func (l listed) words() []string {
	w := []string{fmt.Sprintf("seats: %d left, %d right", l.Left, l.Right)}
	switch {
	case l.Reference:
		w = append(w, "the reference")
	case l.Corrected && l.Towards != "":
		w = append(w, "corrected towards "+l.Towards)
	case l.Corrected:
		w = append(w, "corrected")
	default:
		w = append(w, "no correction")
	}
	if l.Fitted {
		w = append(w, "fitted")
	}
	if !l.Recorded {
		w = append(w, "no record")
	}
	if l.Label != "" && l.Label != l.Name {
		w = append(w, l.Label)
	}
	return w
}

func (a *app) newCushion(c *cobra.Command, name, label string) error {
	dir, err := a.dir()
	if err != nil {
		return err
	}
	if err := config.CheckName(name); err != nil {
		return err
	}
	made, err := config.Begin(dir, name)
	if err != nil {
		return err
	}
	if made {
		fmt.Fprintln(c.OutOrStdout(), "begun:", filepath.Join(dir, "settings.toml"))
	}
	file, err := config.BeginCushion(dir, name, label)
	if err != nil {
		return err
	}
	fmt.Fprintln(c.OutOrStdout(), "begun:", file)
	warn(c, append([]string{"write into it what you know of the cushion; every key is there with an example"},
		nextSteps(dir, name)...))
	return nil
}

// free refuses to take a cushion away from the engine that plays it.
func (a *app) free(c *cobra.Command, dir, name string) error {
	if _, st, err := service.Open(c.Context()); err == nil && st.Cushion == name && service.SameFolder(st.Bench, dir) {
		return fmt.Errorf("cushwright: %q is fitted in the running engine: wear another cushion first", name)
	}
	return nil
}

func (a *app) renameCushion(c *cobra.Command, old, name string) error {
	dir, err := a.dir()
	if err != nil {
		return err
	}
	if err := a.free(c, dir, old); err != nil {
		return err
	}
	if err := config.RenameCushion(dir, old, name); err != nil {
		return err
	}
	if config.LoadFitted() == old {
		if err := config.SaveFitted(name); err != nil {
			return err
		}
	}
	fmt.Fprintf(c.OutOrStdout(), "%s is called %s now\n", old, name)
	return nil
}

func (a *app) removeCushion(c *cobra.Command, name, seat string, demo bool) error {
	dir, err := a.dir()
	if err != nil {
		return err
	}
	var removed, stays []string
	switch {
	case demo:
		if _, st, err := service.Open(c.Context()); err == nil && service.SameFolder(st.Bench, dir) {
			return errors.New(`cushwright: the engine runs on this bench: end it with "cushwright stop" before you remove ` +
				"the demonstration")
		}
		removed, stays, err = config.RemoveDemo(dir)
	case seat != "":
		removed, err = config.RemoveSeat(dir, name, seat)
	default:
		if err = a.free(c, dir, name); err == nil {
			removed, err = config.RemoveCushion(dir, name)
		}
	}
	if err != nil {
		return err
	}
	for _, f := range removed {
		fmt.Fprintln(c.OutOrStdout(), "removed:", f)
	}
	notes := []string{`"cushwright cushions undo" puts it back`}
	for _, s := range stays {
		notes = append(notes, fmt.Sprintf("%s stays: its seats are no longer those of the demonstration alone", s))
	}
	if snap, err := config.LoadGood(dir); err == nil {
		for _, w := range snap.Warnings {
			notes = append(notes, w.Error())
		}
		if len(snap.CushionNames()) == 0 {
			notes = append(notes, emptyBench)
		}
	}
	warn(c, notes)
	return nil
}
