package main

import (
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"cushwright/platform"
)

func (a *app) autostartCommand() *cobra.Command {
	return &cobra.Command{Use: "autostart on|off", Short: "Start the engine with your session, as a per-user service.",
		Args: cobra.MatchAll(cobra.ExactArgs(1), cobra.OnlyValidArgs), ValidArgs: []string{"on", "off"},
		Long: `"on" sets up a service of your own that starts the engine with your session, and starts it now. "off"
ends the engine and removes the service. Without systemd the exit code is 1: let your session start "cushwright run
--background" itself.`,
		RunE: func(c *cobra.Command, args []string) error {
			exe, err := os.Executable()
			if err != nil {
				return fmt.Errorf("cushwright: autostart: %w", err)
			}
			msg, err := platform.Autostart(args[0] == "on", exe)
			if msg != "" {
				fmt.Fprintln(c.OutOrStdout(), msg)
			}
			if err != nil {
				return answerNo{err}
			}
			return nil
		}}
}
