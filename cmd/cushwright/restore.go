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
it put back. While an engine runs it touches nothing and the exit code is 1: "cushwright stop" ends that engine and
puts the routing back itself.`,
		RunE: func(c *cobra.Command, _ []string) error {
			dir, err := config.RuntimeDir()
			if err != nil {
				return err
			}
			if pid := platform.LiveEngine(dir); pid != 0 {
				return answerNo{fmt.Errorf("cushwright: restore: the engine is running (process %d): end it with "+
					"\"cushwright stop\", which puts the routing back; if it does not answer, end that process", pid)}
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
