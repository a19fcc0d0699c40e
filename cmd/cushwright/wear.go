package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/service"
	"cushwright/engine/control"
)

func (a *app) wearCommand() *cobra.Command {
	return &cobra.Command{Use: "wear NAME|none", Short: "Say which cushion is fitted now; the engine switches.",
		Args: cobra.ExactArgs(1),
		Long: `Makes a cushion the fitted one. The running engine switches to its correction without a jump. If no
engine is running, the next one starts with it. "none" stands for a cushion that the bench does not know: nothing is
corrected then.`,
		RunE: func(c *cobra.Command, args []string) error {
			text, playing, err := service.Fit(c.Context(), a.bench, args[0], a.open)
			switch {
			case errors.Is(err, control.ErrUnknown):
				return fmt.Errorf("%w\n%s", err, a.leadIn(args[0]))
			case err != nil:
				return err
			case playing:
				fmt.Fprintln(c.OutOrStdout(), text)
			default:
				fmt.Fprintln(c.ErrOrStderr(), text)
			}
			if dir, err := a.dir(); err == nil {
				warn(c, uncorrected(dir, args[0]))
			}
			return nil
		}}
}
