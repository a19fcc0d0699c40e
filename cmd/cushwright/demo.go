package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/demo"
	"cushwright/dsp/plot"
)

func (a *app) demoCommand() *cobra.Command {
	var png string
	c := &cobra.Command{Use: "demo", Short: "Show the whole live path on invented data, without a sound card.",
		Args: cobra.NoArgs,
		Long: `Runs the engine on a simulated device with an invented bench: it wears each cushion, takes over an edit,
refuses a bad one, bypasses and overloads, and measures each at the engine's output. It writes one plot. Nothing of
yours is read or changed.`,
		RunE: func(c *cobra.Command, _ []string) error {
			w := c.OutOrStdout()
			fmt.Fprintln(w, caution)
			p, err := demo.Run(c.Context(), w)
			if err != nil || p == nil {
				return err
			}
			if err := writePlot(png, p, (*plot.Plot).PNG); err != nil {
				return err
			}
			fmt.Fprintln(w, "plot written to", png)
			return nil
		}}
	c.Flags().StringVar(&png, "png", "cushwright-demo.png", "write the plot here")
	return c
}
