// Command cushwright corrects everything a computer plays for the ear cushions that are fitted to the headphones.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"

	"cushwright/config"
	"cushwright/platform"
)

// Exit codes: 0 done, 1 the answer is no, 2 bad usage or input.
const (
	exitNo  = 1
	exitBad = 2
)

// answerNo is an error that is an answer, not a failure of input.
type answerNo struct{ error }

func (a answerNo) Unwrap() error { return a.error }

const caution = `Mind your ears: start with the volume low and raise it slowly. A correction can lift the bass by several decibels without
sounding louder. Follow the safe-listening rules that apply where you are, and ask a professional if in doubt.`

func main() {
	if handled, code := platform.GuardianMain(os.Args[1:]); handled {
		os.Exit(code)
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(execute(ctx, os.Args[1:]))
}

// app is what every subcommand shares.
type app struct {
	bench string // --bench
}

// dir is the bench folder.
func (a *app) dir() (string, error) {
	if a.bench != "" {
		return a.bench, nil
	}
	return config.DefaultDir()
}

func execute(ctx context.Context, args []string) int {
	root := newRoot()
	root.SetArgs(args)
	err := root.ExecuteContext(ctx)
	var no answerNo
	switch {
	case err == nil:
		return 0
	case errors.As(err, &no):
		if no.error != nil && no.Error() != "" {
			fmt.Fprintln(os.Stderr, no.Error())
		}
		return exitNo
	default:
		fmt.Fprintln(os.Stderr, err)
		return exitBad
	}
}

func newRoot() *cobra.Command {
	a := &app{}
	root := &cobra.Command{
		Use:           "cushwright",
		Short:         "correct what the computer plays for the ear cushions that are fitted",
		Long:          "cushwright gives headphones with new ear cushions the sound they had with the old ones.\n\n" + caution,
		SilenceUsage:  true,
		SilenceErrors: true,
		Args:          cobra.NoArgs,
		RunE:          func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	root.PersistentFlags().StringVar(&a.bench, "bench", "", "bench folder (default: the user's configuration folder + cushwright)")
	root.AddCommand(a.runCommand(), a.stopCommand(), a.autostartCommand(), a.wearCommand(), a.bypassCommand(), a.statusCommand(),
		a.checkCommand(), a.devicesCommand(), a.restoreCommand(), a.showCommand(), a.renderCommand(), a.demoCommand(), a.blindCommand(), a.watchCommand())
	root.AddCommand(a.addCommand(), a.compareCommand(), a.deriveCommand(), a.slidersCommand(), a.sheetCommand(), a.pageCommand())
	root.AddCommand(a.sweepCommand(), a.proveCommand(), a.whichCommand())
	return root
}
