package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"cushwright/config"
	"cushwright/engine/control"
)

func (a *app) wearCommand() *cobra.Command {
	return &cobra.Command{Use: "wear NAME", Short: "say which cushion is fitted now; the engine switches", Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			cl, err := newClient()
			if err != nil {
				return err
			}
			st, err := cl.Wear(c.Context(), args[0])
			if errors.Is(err, control.ErrNoEngine) { // remembered for the next start
				snap, err := a.open()
				if err != nil {
					return err
				}
				if err := known(snap, "wear", args[0]); err != nil {
					return err
				}
				if err := config.SaveFitted(args[0]); err != nil {
					return err
				}
				fmt.Fprintf(c.ErrOrStderr(), "%s is fitted; no engine is running, the next one starts with it\n", args[0])
				return nil
			}
			if err != nil {
				return err
			}
			fmt.Fprintln(c.OutOrStdout(), st.Summary)
			return nil
		}}
}
