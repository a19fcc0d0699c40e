package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/trial"
	stats "cushwright/dsp/trial"
)

func (a *app) blindCommand() *cobra.Command {
	plan := stats.Plan{Trials: 16, Alpha: 0.05}
	loop := ""
	c := &cobra.Command{Use: "blind A B", Short: "Hold a blind listening trial of two corrections.",
		Args: cobra.ExactArgs(2),
		Long: `Forced-choice listening trial of two corrections. A and B are cushions whose corrections are compared on
the cushion that is fitted; "none" is no correction. Both sides are matched in loudness (ITU-R BS.1770, short-term) on
what plays: let it play for some seconds first. X is one of them; which one is drawn anew for every trial. Listen as
often as wanted, then say which side X is. Nothing is told before the last answer.

Exit code 0: a difference was heard. 1: it was not shown. A trial without an answer counts as wrong.`,
		RunE: func(c *cobra.Command, args []string) error {
			if plan.Trials < 1 || plan.Trials > stats.MaxTrials {
				return fmt.Errorf("cushwright: blind: --trials %d: allowed: 1 to %d", plan.Trials, stats.MaxTrials)
			}
			if !(plan.Alpha > 0 && plan.Alpha < 1) {
				return fmt.Errorf("cushwright: blind: --alpha %v: allowed: more than 0, less than 1", plan.Alpha)
			}
			if plan.Needed() > plan.Trials {
				return fmt.Errorf("cushwright: blind: %d trials can never reach p = %g: take more trials", plan.Trials,
					plan.Alpha)
			}
			return a.blind(c, trial.Options{Plan: plan, First: args[0], Second: args[1], Loop: loop, In: c.InOrStdin(),
				Out: c.OutOrStdout()})
		}}
	c.Flags().IntVar(&plan.Trials, "trials", plan.Trials, "number of trials, fixed in advance")
	c.Flags().Float64Var(&plan.Alpha, "alpha", plan.Alpha, "largest p-value that counts as heard")
	c.Flags().StringVar(&loop, "loop", "", "play this WAV or FLAC file again and again; without it, judge by "+
		"whatever plays")
	return c
}

// blind holds a trial at the terminal.
func (a *app) blind(c *cobra.Command, o trial.Options) error {
	cl, _, err := a.engine(c.Context())
	if err != nil {
		return answer(err)
	}
	res, log, err := trial.Run(c.Context(), cl, o)
	if err != nil {
		return answer(err)
	}
	fmt.Fprintln(c.ErrOrStderr(), "log of this run:", log)
	if !res.Heard() {
		return answerNo{}
	}
	return nil
}
