package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/page"
	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/engine/control"
)

func (a *app) pageCommand() *cobra.Command {
	var open bool
	c := &cobra.Command{Use: "page", Short: "Serve a local page with the cushions, the curves and live meters.",
		Args: cobra.NoArgs,
		Long: `Serves a page to browsers on this computer, and to nobody else, until it is ended (Ctrl-C). The address
that it prints opens the page once: what can read it from the browser's history later is refused. Enter prints another
address. Where no engine is running, the page has a button that starts it.`,
		RunE: func(c *cobra.Command, _ []string) error {
			runtime.GOMAXPROCS(1) // a fit or a drawing may take one processor, never all that the engine wakes on
			dir, err := a.dir()
			if err != nil {
				return err
			}
			cl, st, err := a.engine(c.Context())
			switch {
			case err == nil:
				dir = st.Bench
			case !errors.Is(err, control.ErrNoEngine):
				return err
			}
			snap, err := config.LoadGood(dir)
			if err != nil {
				return fmt.Errorf("cushwright: page: %w", err)
			}
			for _, p := range snap.Bad {
				fmt.Fprintln(c.ErrOrStderr(), "left out:", p)
			}
			ln, err := page.Listen(snap.Settings)
			if err != nil {
				return err
			}
			p := page.New(cl, snap, func(ctx context.Context) error { return startBeside(ctx, dir) })
			address := p.Admit(ln.Addr())
			fmt.Fprintln(c.OutOrStdout(), address)
			fmt.Fprintln(c.ErrOrStderr(), "The page is there until you end this command (Ctrl-C). Enter prints "+
				"another address.")
			if open {
				if err := page.OpenBrowser(address); err != nil {
					fmt.Fprintln(c.ErrOrStderr(), err)
				}
			}
			go func() { // a read from a terminal cannot be cancelled: it goes on until the process ends
				for in := bufio.NewScanner(c.InOrStdin()); in.Scan(); {
					fmt.Fprintln(c.OutOrStdout(), p.Admit(ln.Addr()))
				}
			}()
			return p.Serve(c.Context(), ln)
		}}
	c.Flags().BoolVar(&open, "open", false, "open the page in the desktop's browser")
	return c
}

// startBeside starts the engine in the background, as the command does.
func startBeside(ctx context.Context, bench string) error {
	exe, err := os.Executable()
	if err != nil {
		return fmt.Errorf("cushwright: start the engine: %w", err)
	}
	if bench, err = filepath.Abs(bench); err != nil {
		return fmt.Errorf("cushwright: start the engine: %w", err)
	}
	out, err := exec.CommandContext(ctx, exe, "--bench", bench, "run", "--background").CombinedOutput()
	if err != nil {
		return words.Sentence("The engine did not start: %s", out)
	}
	return nil
}
