package main

import (
	"fmt"
	"path/filepath"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/demo"
	"cushwright/cmd/internal/written"
	"cushwright/config"
	"cushwright/dsp/plot"
)

func (a *app) demoCommand() *cobra.Command {
	var png string
	var force bool
	c := &cobra.Command{Use: "demo", Short: "Show the whole live path on invented data, without a sound card.",
		Args: cobra.NoArgs,
		Long: `Runs the engine on a simulated device with an invented bench: it wears each cushion, takes over an edit,
refuses a bad one, bypasses and overloads, and measures each at the engine's output. It writes one plot,
cushwright-demo.png, into your pictures folder, or into the state folder (~/.local/state/cushwright) where there is
none. Nothing of yours is read or changed.`,
		RunE: func(c *cobra.Command, _ []string) error {
			w := c.OutOrStdout()
			file := png
			if file == "" {
				dir, err := config.PicturesDir()
				if err != nil {
					return err
				}
				file = filepath.Join(dir, "cushwright-demo.png")
			}
			if err := written.Check(force, file); err != nil {
				return err
			}
			careful(w)
			p, err := demo.Run(c.Context(), w)
			if err != nil || p == nil {
				return err
			}
			if err := writePlot(file, p, (*plot.Plot).PNG); err != nil {
				return err
			}
			written.Note(file)
			fmt.Fprintln(w, "plot written to", file)
			return nil
		}}
	c.Flags().StringVar(&png, "png", "", "write the plot here (default: cushwright-demo.png in the pictures folder)")
	c.Flags().BoolVar(&force, "force", false, forceUsage)
	return c
}
