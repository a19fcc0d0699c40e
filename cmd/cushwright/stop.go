package main

import (
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"cushwright/config"
	"cushwright/engine/control"
	"cushwright/platform"
)

func (a *app) stopCommand() *cobra.Command {
	return &cobra.Command{Use: "stop", Short: "End the engine and put the sound routing back.", Args: cobra.NoArgs,
		Long: `Ends the engine, and waits until the sound routing is as it was before. The exit code is 1 if no engine
is running, or if it does not end within 8 s.`,
		RunE: func(c *cobra.Command, _ []string) error {
			cl, _, err := a.engine(c.Context())
			if err != nil {
				return answer(err)
			}
			dir, err := config.RuntimeDir()
			if err != nil {
				return err
			}
			if err := cl.Stop(c.Context()); err != nil {
				return answer(err)
			}
			for end := time.Now().Add(8 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
				// the socket goes first, the lock last: with it all is put back, and another engine may start
				if release, _, err := platform.Lock(dir); err == nil {
					release()
					return nil
				}
			}
			return answerNo{fmt.Errorf("cushwright: stop: the engine did not end within 8 s")}
		}}
}

// running opens the running engine of this user and says what it is doing. Without one the exit code is that of a no.
func (a *app) running(c *cobra.Command) (*control.Client, control.Status, error) {
	cl, st, err := a.engine(c.Context())
	return cl, st, answer(err)
}

// answer turns "no engine is running" into the exit code of a no.
func answer(err error) error {
	if errors.Is(err, control.ErrNoEngine) {
		return answerNo{err}
	}
	return err
}
