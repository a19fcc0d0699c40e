// Package trial holds a forced-choice listening trial at a terminal: the running engine hides the sides, the listener
// answers, and a log on disk has every answer before anything is revealed.
package trial

import (
	"bufio"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"cushwright/config"
	stats "cushwright/dsp/trial"
	"cushwright/engine/control"
)

// Options say what a trial is about.
type Options struct {
	Plan          stats.Plan
	First, Second string // the corrections, by the names of their cushions; "none" is no correction
	Loop          string // a sound file to play again and again; "": what plays anyway
	In            io.Reader
	Out           io.Writer
}

// Engine is what a trial needs of the running engine.
type Engine interface {
	Trial(context.Context, control.TrialRequest) error
}

// Run holds a trial. log names the file that has all its answers. At the end the engine plays what it played before.
func Run(ctx context.Context, engine Engine, o Options) (res stats.Result, log string, err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	token := rand.Text()
	ask := func(q control.TrialRequest) error {
		q.Token = token
		return engine.Trial(ctx, q)
	}
	dir, err := config.StateDir()
	if err != nil {
		return res, "", err
	}
	file, err := openLog(dir, time.Now())
	if err != nil {
		return res, "", err
	}
	defer file.Close()
	dropLog := func() { // no trial was begun
		file.Close()
		os.Remove(file.Name())
	}
	if err := ask(control.TrialRequest{Hidden: true, First: o.First, Second: o.Second}); err != nil {
		dropLog()
		return res, "", err
	}
	defer engine.Trial(context.WithoutCancel(ctx), control.TrialRequest{Token: token}) // brings back what was heard before
	if o.Loop != "" {
		stop, err := playLoop(o.Loop)
		if err != nil {
			dropLog()
			return res, "", err
		}
		defer stop()
	}
	go func() {
		for {
			select {
			case <-ctx.Done():
				return
			case <-time.After(control.TrialLease / 4):
				ask(control.TrialRequest{Hidden: true}) // an error shows at the next switch
			}
		}
	}()
	s := &sitting{plan: o.Plan, first: o.First, second: o.Second, order: draw(o.Plan.Trials), log: file, out: o.Out,
		hear: func(side string) error { return ask(control.TrialRequest{Hidden: true, Side: side}) }}
	res, err = s.run(lines(ctx, o.In))
	return res, file.Name(), err
}

// openLog makes the log file of a run; each run has its own.
func openLog(dir string, now time.Time) (*os.File, error) {
	dir = filepath.Join(dir, "blind")
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("cushwright: blind: %w", err)
	}
	for n := 0; ; n++ {
		name := now.Format("2006-01-02T15-04-05")
		if n > 0 {
			name += fmt.Sprintf("-%d", n)
		}
		f, err := os.OpenFile(filepath.Join(dir, name+".log"), os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
		if err == nil || !errors.Is(err, os.ErrExist) || n == 1000 {
			return f, err
		}
	}
}

// draw decides for each trial, by a fair coin of its own, whether X is the second side. Independent draws are what the
// binomial test takes for granted; a balanced order would not be.
func draw(trials int) []bool {
	b := make([]byte, trials)
	rand.Read(b) // never fails
	order := make([]bool, trials)
	for i := range order {
		order[i] = b[i]&1 == 1
	}
	return order
}

// lines returns a function that reads the next line; false when the input or the context has ended.
func lines(ctx context.Context, r io.Reader) func() (string, bool) {
	c := make(chan string)
	go func() { // a read from a terminal cannot be cancelled: it goes on until the process ends
		defer close(c)
		for sc := bufio.NewScanner(r); sc.Scan(); {
			select {
			case c <- sc.Text():
			case <-ctx.Done():
				return
			}
		}
	}()
	return func() (string, bool) {
		select {
		case l, ok := <-c:
			return l, ok
		case <-ctx.Done():
			return "", false
		}
	}
}
