package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/service"
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
			cl, err := service.Client()
			if err != nil {
				return err
			}
			on, err := cl.Bypass(c.Context(), mode, with)
			if err != nil {
				return answer(err)
			}
			fmt.Fprintln(c.OutOrStdout(), "bypass", map[bool]string{true: "on", false: "off"}[on])
			if st, err := cl.Status(c.Context()); err == nil && st.Match == service.MatchOff {
				fmt.Fprintln(c.ErrOrStderr(), "note:", service.Unmatched)
			}
			return nil
		}}
	c.Flags().StringVar(&with, "with", "", "compare with this correction instead of none")
	return c
}
