package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/service"
	"cushwright/cmd/internal/words"
)

func (a *app) statusCommand() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{Use: "status", Short: "Say what the engine is doing.", Args: cobra.NoArgs,
		Long: `Says in a line what the engine is doing, then its levels and counters, and what it did not take over of
the bench folder. The exit code is 1 if no engine is running.`,
		RunE: func(c *cobra.Command, _ []string) error {
			_, st, err := a.running(c)
			if err != nil {
				return err
			}
			if asJSON {
				return writeJSON(c, st)
			}
			w := c.OutOrStdout()
			fmt.Fprintln(w, st.Summary)
			if st.Lower != "" {
				fmt.Fprintln(w, st.Lower)
			}
			n := st.Counters
			fmt.Fprintf(w, "state %s on %s at %d Hz, engine process %d\n", st.State, st.Output, st.RateHz, st.PID)
			fmt.Fprintf(w, "input %s dBFS (true peak %s), output %s dBFS (true peak %s), guard %s dB (largest %s)\n",
				words.Decimals(n.InPeakDB, 1), words.Decimals(n.InHoldDB, 1), words.Decimals(n.OutPeakDB, 1),
				words.Decimals(n.OutHoldDB, 1),
				words.Decimals(n.GuardDB, 1), words.Decimals(n.GuardMaxDB, 1))
			fmt.Fprintf(w, "clipped in the programme %d, overs %d, breaks %d, trims %d, late %d, reopened %d\n",
				n.ClippedRuns, n.Overs, n.Underruns, n.Trims, n.LateCallbacks, st.Reopened)
			if st.LastError != "" {
				fmt.Fprintln(w, "last error:", st.LastError)
			}
			for _, k := range st.KeysTaken {
				fmt.Fprintln(w, "global key not available:", k)
			}
			if st.Match == service.MatchOff {
				fmt.Fprintln(w, "caution:", service.Unmatched)
			}
			if st.Doubt != "" {
				fmt.Fprintf(w, "not proven: %s\n", st.Doubt)
			}
			for _, p := range st.Problems {
				fmt.Fprintln(w, "not taken over:", p)
			}
			return nil
		}}
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}
