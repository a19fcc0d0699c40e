package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/service"
)

func (a *app) muteCommand() *cobra.Command {
	return &cobra.Command{Use: "mute [on|off|toggle]", Short: "Silence everything at once; \"mute off\" brings it back.",
		Args:      cobra.MatchAll(cobra.MaximumNArgs(1), cobra.OnlyValidArgs),
		ValidArgs: []string{"on", "off", "toggle"},
		Long: `Silences what the engine plays, at once and by a short fade: for a sound that hurts. Without an argument it
silences; "mute off" brings the sound back. The panic key of settings.toml does the same.`,
		RunE: func(c *cobra.Command, args []string) error {
			mode := "on"
			if len(args) == 1 {
				mode = args[0]
			}
			cl, _, err := a.engine(c.Context())
			if err != nil {
				return answer(err)
			}
			if _, err := cl.Mute(c.Context(), mode); err != nil {
				return answer(err)
			}
			st, err := cl.Status(c.Context())
			if err != nil {
				return answer(err)
			}
			fmt.Fprintln(c.OutOrStdout(), "heard now:", service.Heard(st))
			if st.Muted {
				fmt.Fprintln(c.ErrOrStderr(), `"cushwright mute off" brings the sound back`)
			}
			return nil
		}}
}
