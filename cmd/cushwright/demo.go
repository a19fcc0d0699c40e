package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/demo"
	"cushwright/dsp/plot"
)

func (a *app) demoCommand() *cobra.Command {
	var png string
	c := &cobra.Command{Use: "demo", Short: "the whole live path on a built-in, invented bench, without a sound card", Args: cobra.NoArgs,
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
