// Command cushwright corrects everything a computer plays for the ear cushions that are fitted to the headphones.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/words"
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
	bench    string    // --bench
	messages io.Writer // of the command that runs
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
			fmt.Fprintln(os.Stderr, words.Plain(no.Error()))
		}
		return exitNo
	default:
		fmt.Fprintln(os.Stderr, words.Plain(err.Error()))
		return exitBad
	}
}

// helpGroup is the group of what is about the command itself.
const helpGroup = "Help"

func newRoot() *cobra.Command {
	a := &app{}
	root := &cobra.Command{
		Use:           "cushwright",
		Short:         "Correct what the computer plays for the ear cushions that are fitted.",
		Long:          "cushwright gives headphones with new ear cushions the sound they had with the old ones.",
		Version:       version(),
		SilenceUsage:  true,
		SilenceErrors: true,
		RunE:          func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	root.SetVersionTemplate("cushwright {{.Version}}\n")
	root.Flags().Bool("version", false, "print the version and the Go version it is built with")
	root.PersistentFlags().StringVar(&a.bench, "bench", "", "bench folder (default: the user's configuration folder "+
		"+ cushwright)")
	for _, g := range []struct {
		title    string
		commands []*cobra.Command
	}{
		{"Listening", []*cobra.Command{a.runCommand(), a.stopCommand(), a.wearCommand(), a.bypassCommand(),
			a.muteCommand(), a.statusCommand(),
			a.watchCommand(), a.pageCommand(), a.blindCommand()}},
		{"The bench", []*cobra.Command{a.addCommand(), a.compareCommand(), a.deriveCommand(), a.earlierCommand(),
			a.showCommand(), a.cushionsCommand(), a.checkCommand(),
			a.demoCommand()}},
		{"The rig", []*cobra.Command{a.sweepCommand(), a.proveCommand(), a.whichCommand()}},
		{"Handing on", []*cobra.Command{a.slidersCommand(), a.sheetCommand(), a.renderCommand()}},
		{"The system", []*cobra.Command{a.devicesCommand(), a.restoreCommand(), a.autostartCommand()}},
	} {
		root.AddGroup(&cobra.Group{ID: g.title, Title: g.title + ":"})
		for _, c := range g.commands {
			c.GroupID = g.title
			root.AddCommand(c)
		}
	}
	root.AddGroup(&cobra.Group{ID: helpGroup, Title: helpGroup + ":"})
	root.SetHelpCommandGroupID(helpGroup)
	root.SetCompletionCommandGroupID(helpGroup)
	root.InitDefaultHelpCmd()
	root.InitDefaultCompletionCmd()
	for _, c := range root.Commands() {
		switch c.Name() {
		case "help":
			c.Short = "Explain a command."
		case "completion":
			c.Short = "Write a script that completes commands in your shell."
		}
	}
	topic := a.jsonTopic()
	topic.GroupID = helpGroup
	root.AddCommand(topic)
	a.dress(root)
	a.complete(root)
	return root
}
