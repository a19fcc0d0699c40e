package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"cushwright/config"
	"cushwright/platform"
)

func (a *app) restoreCommand() *cobra.Command {
	return &cobra.Command{Use: "restore", Short: "Put the sound routing back, whatever left it changed.",
		Args: cobra.NoArgs,
		Long: `Puts the default output back and removes what an engine that died left in the sound system. It says what
it put back. End a running engine first by "cushwright stop", or it takes the route again.`,
		RunE: func(c *cobra.Command, _ []string) error {
			dir, err := config.RuntimeDir()
			if err != nil {
				return err
			}
			done, err := platform.Restore(c.Context(), platform.RouterOptions{RuntimeDir: dir})
			for _, d := range done {
				fmt.Fprintln(c.OutOrStdout(), d)
			}
			if err == nil && len(done) == 0 {
				fmt.Fprintln(c.OutOrStdout(), "nothing to put back")
			}
			return err
		}}
}
