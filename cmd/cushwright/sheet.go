package main

import (
	"fmt"
	"slices"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/service"
	"cushwright/cmd/internal/sheet"
	"cushwright/cmd/internal/written"
	"cushwright/config"
)

func (a *app) sheetCommand() *cobra.Command {
	var w bench.Goal
	var out string
	var asJSON, force bool
	c := &cobra.Command{Use: "sheet NEW", Short: "Write a page to hand on: records, plots and settings for each " +
		"equaliser.",
		Args: cobra.ExactArgs(1),
		Long: `Writes one self-contained HTML page that needs no network and prints well: what both cushions are, what
the change does, the settings to type in for parametric equalisers, for each described in equalisers/ and for rows of
sliders, the sections' coefficients, how it was measured; and beside it the impulse response as WAV and CSV. The
correction is that of corrections/NEW.toml, as the engine plays it. All files are written or none.`,
		RunE: func(c *cobra.Command, args []string) error { return a.sheet(c, args[0], w, out, force, asJSON) }}
	goalFlags(c, &w)
	c.Flags().Lookup("reference").Usage = "the cushion whose sound is wanted (default: the reference of the " +
		"correction, then that of settings.toml)"
	c.Flags().StringVar(&out, "out", ".", "an existing folder, or the page's file name, ending in .html; the other "+
		"files get its name and more")
	c.Flags().BoolVar(&force, "force", false, forceUsage)
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

func (a *app) sheet(c *cobra.Command, name string, w bench.Goal, out string, force, asJSON bool) error {
	snap, err := a.open()
	if err != nil {
		return err
	}
	call(snap, &name, &w.Reference)
	if err := service.Known(snap, "sheet of", name); err != nil {
		return err
	}
	page, files, err := sheet.Make(snap, name, &w, out)
	if err != nil {
		return err
	}
	var names []string
	for _, f := range slices.Backward(files) {
		names = append(names, f.Path)
	}
	if err := written.Check(force, names...); err != nil {
		return err
	}
	if err := config.WriteAtomicSet(files); err != nil {
		return err
	}
	written.Note(names...)
	warn(c, page.Notes)
	if page.BoostDB > 0.05 && !asJSON {
		careful(c.ErrOrStderr())
	}
	if asJSON {
		return writeJSON(c, struct {
			Cushion   string   `json:"cushion"`
			Reference string   `json:"reference"`
			Files     []string `json:"files"` // the page first
			Notes     []string `json:"notes,omitempty"`
			Caution   string   `json:"caution,omitempty"`
		}{name, w.Name(), names, page.Notes, careOf(page.BoostDB)})
	}
	for _, n := range names {
		fmt.Fprintln(c.OutOrStdout(), n)
	}
	return nil
}
