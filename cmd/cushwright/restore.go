package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"cushwright/config"
	"cushwright/platform"
)

func (a *app) restoreCommand() *cobra.Command {
	return &cobra.Command{Use: "restore", Short: "put the system's sound routing back, whatever left it changed", Args: cobra.NoArgs,
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
