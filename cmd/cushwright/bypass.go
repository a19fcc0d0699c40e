package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/service"
	"cushwright/engine/control"
)

func (a *app) bypassCommand() *cobra.Command {
	var with string
	c := &cobra.Command{Use: "bypass [on|off|toggle]", Short: "Compare with and without the correction, equally loud.",
		Args:      cobra.MaximumNArgs(1),
		ValidArgs: []string{"on", "off", "toggle"},
		Long: `Switches between the correction and none, or says which of the two is to be heard; without an argument
it switches over. Both are equally loud, unless bypass.match of settings.toml is "off". With --with, another cushion's
correction takes the place of none.`,
		RunE: func(c *cobra.Command, args []string) error {
			mode := "toggle"
			if len(args) == 1 {
				mode = args[0]
			}
			cl, _, err := a.engine(c.Context())
			if err != nil {
				return answer(err)
			}
			on, err := cl.Bypass(c.Context(), mode, with)
			if err != nil {
				return answer(err)
			}
			st, err := cl.Status(c.Context())
			if err != nil {
				return answer(err)
			}
			fmt.Fprintln(c.OutOrStdout(), switched(on, st))
			if st.Match == service.MatchOff {
				fmt.Fprintln(c.ErrOrStderr(), "note:", service.Unmatched)
			}
			return nil
		}}
	c.Flags().StringVar(&with, "with", "", "compare with this correction instead of none; "+
		"\"none\" compares with no correction again")
	return c
}

// switched is bypass's answer: where the switch stands, and what is heard by it.
func switched(on bool, st control.Status) string {
	return fmt.Sprintf("bypass %s; heard now: %s", map[bool]string{true: "on", false: "off"}[on], service.Heard(st))
}
