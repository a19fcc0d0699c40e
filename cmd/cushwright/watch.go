package main

import (
	"errors"
	"os"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/watch"
)

func (a *app) watchCommand() *cobra.Command {
	return &cobra.Command{Use: "watch", Short: "Watch the engine live in the terminal.", Args: cobra.NoArgs,
		Long: "A live view of the engine in the terminal. It asks the engine ten times a second and needs no colours.",
		RunE: func(c *cobra.Command, _ []string) error {
			if fi, err := os.Stdout.Stat(); err != nil || fi.Mode()&os.ModeCharDevice == 0 {
				return errors.New(`cushwright: watch: the output is not a terminal: "status --json" is made for programs`)
			}
			cl, _, err := a.running(c)
			if err != nil {
				return err
			}
			return watch.Run(c.Context(), cl, c.OutOrStdout())
		}}
}
