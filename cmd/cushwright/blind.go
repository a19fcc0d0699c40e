package main

import (
	"bufio"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"cushwright/config"
	"cushwright/dsp/trial"
	"cushwright/engine/control"
)

func (a *app) blindCommand() *cobra.Command {
	plan := trial.Plan{Trials: 16, Alpha: 0.05}
	loop := ""
	c := &cobra.Command{Use: "blind A B", Short: "forced-choice listening trial of two corrections", Args: cobra.ExactArgs(2),
		Long: `Forced-choice listening trial of two corrections. A and B are cushions whose corrections are compared on the cushion that
is fitted; "none" is no correction. Both sides are matched in loudness (ITU-R BS.1770, short-term) on what plays: let it play for
some seconds first. X is one of them; which one is drawn anew for every trial. Listen as often as wanted, then say which side X is.
Nothing is told before the last answer.

Exit code 0: a difference was heard. 1: it was not shown. A trial without an answer counts as wrong.`,
		RunE: func(c *cobra.Command, args []string) error {
			if plan.Trials < 1 || plan.Trials > trial.MaxTrials {
				return fmt.Errorf("cushwright: blind: --trials %d: allowed: 1 to %d", plan.Trials, trial.MaxTrials)
			}
			if !(plan.Alpha > 0 && plan.Alpha < 1) {
				return fmt.Errorf("cushwright: blind: --alpha %v: allowed: more than 0, less than 1", plan.Alpha)
			}
			if plan.Needed() > plan.Trials {
				return fmt.Errorf("cushwright: blind: %d trials can never reach p = %g: take more trials", plan.Trials, plan.Alpha)
			}
			return runBlind(c, plan, args[0], args[1], loop)
		}}
	c.Flags().IntVar(&plan.Trials, "trials", plan.Trials, "number of trials, fixed in advance")
	c.Flags().Float64Var(&plan.Alpha, "alpha", plan.Alpha, "largest p-value that counts as heard")
	c.Flags().StringVar(&loop, "loop", "", "play this WAV or FLAC file again and again; without it, judge by whatever plays")
	return c
}

// runBlind wires the trial to the running engine, the terminal and a log file.
func runBlind(c *cobra.Command, plan trial.Plan, first, second, loop string) error {
	cl, err := newClient()
	if err != nil {
		return err
	}
	token, order := rand.Text(), draw(plan.Trials)
	ctx, cancel := context.WithCancel(c.Context())
	defer cancel()
	ask := func(q control.TrialRequest) error {
		q.Token = token
		return cl.Trial(ctx, q)
	}
	dir, err := config.StateDir()
	if err != nil {
		return err
	}
	log, err := openBlindLog(dir, time.Now())
	if err != nil {
		return err
	}
	defer log.Close()
	if err := ask(control.TrialRequest{Hidden: true, First: first, Second: second}); err != nil {
		log.Close()
		os.Remove(log.Name()) // no trial was begun
		return answer(err)
	}
	defer cl.Trial(context.WithoutCancel(ctx), control.TrialRequest{Token: token}) // brings back what was heard before
	if loop != "" {
		stop, err := playLoop(loop)
		if err != nil {
			log.Close()
			os.Remove(log.Name())
			return err
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
	s := &sitting{plan: plan, first: first, second: second, order: order, log: log, out: c.OutOrStdout(),
		hear: func(side string) error { return ask(control.TrialRequest{Hidden: true, Side: side}) }}
	res, err := s.run(lines(ctx, c.InOrStdin()))
	if err != nil {
		return err
	}
	fmt.Fprintln(c.ErrOrStderr(), "log of this run:", log.Name())
	if !res.Heard() {
		return answerNo{}
	}
	return nil
}

// openBlindLog makes the log file of a run; each run has its own.
func openBlindLog(dir string, now time.Time) (*os.File, error) {
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
	go func() { // a terminal's read cannot be called back: it is left behind
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

// record is where answers are kept before anything is told.
type record interface {
	io.Writer
	Sync() error
}

// sitting is one run of a plan.
type sitting struct {
	plan          trial.Plan
	first, second string                  // what A and B are
	order         []bool                  // X is B
	hear          func(side string) error // "first" or "second"
	log           record
	out           io.Writer
}

const blindHelp = `  a, b   hear A, hear B             x        hear X, which is one of them
  xa     X is A, next trial         xb       X is B, next trial
  ?      this help                  q        stop (trials without an answer count as wrong)
`

// power says what the plan can show.
func power(p trial.Plan) string {
	n := p.Needed()
	in100 := func(rate float64) float64 { return 100 * trial.Power(p.Trials, n, rate) }
	return fmt.Sprintf(`%d trials: %d right answers are needed (p ≤ %g). This shows a listener who is right in 90 %% of the trials in %.0f of 100
runs, one at 80 %% in %.0f, one at 70 %% in %.0f; who only guesses passes in %.1f.`,
		p.Trials, n, p.Alpha, in100(.9), in100(.8), in100(.7), in100(.5))
}

// run asks for an answer to every trial. An end of the input or of the engine ends the run; the result is that of the
// whole plan all the same.
func (s *sitting) run(next func() (string, bool)) (trial.Result, error) {
	res := trial.Result{Plan: s.plan}
	salt := rand.Text()
	seal := sha256.Sum256([]byte(salt + " " + letters(s.order)))
	can := power(s.plan)
	fmt.Fprintf(s.out, "%s\n\nA is %s, B is %s, both equally loud.\n%s", can, s.first, s.second, blindHelp)
	// The seal fixes the order before the first answer without telling it.
	err := s.note("A %s\nB %s\n%s\nseal of the order, SHA-256 of salt, blank and letters: %s", s.first, s.second,
		strings.ReplaceAll(can, "\n", " "), hex.EncodeToString(seal[:]))
	if err != nil {
		return res, err
	}
	var answers []bool
	why := ""
	for i := 0; i < s.plan.Trials && why == ""; i++ {
		said, stop, err := s.ask(next, i)
		if err != nil {
			s.note("broken off: %v", err)
			why = err.Error()
		} else if stop {
			why = "stopped by the listener"
		} else {
			answers = append(answers, said)
		}
	}
	// Every answer is on disk: now the order may be told.
	for i, said := range answers {
		res.Answered++
		if said == s.order[i] {
			res.Correct++
		}
	}
	verdict := "a difference was heard"
	if !res.Heard() {
		verdict = "a difference was not shown"
	}
	stopped := ""
	if res.Stopped() {
		stopped = fmt.Sprintf("\nEnded after %d of %d trials (%s): the others count as wrong, so that stopping gains nothing.", res.Answered, s.plan.Trials, why)
	}
	text := fmt.Sprintf("%d right of %d planned trials, %d answered, p = %.4g: %s (%d needed).%s\nX was    %s\nanswers  %s", res.Correct, s.plan.Trials,
		res.Answered, res.PValue(), verdict, s.plan.Needed(), stopped, letters(s.order[:res.Answered]), letters(answers))
	if err := s.note("%s\nsalt %s, order %s", text, salt, letters(s.order)); err != nil {
		return res, err
	}
	fmt.Fprintf(s.out, "\n%s\n", text)
	return res, nil
}

// ask takes the answer to one trial and puts it on record.
func (s *sitting) ask(next func() (string, bool), i int) (saidB, stop bool, err error) {
	hear := func(b bool) error {
		return s.hear(map[bool]string{false: "first", true: "second"}[b])
	}
	heardX, switches := false, 0
	if err := hear(false); err != nil { // each trial begins alike
		return false, false, err
	}
	fmt.Fprintf(s.out, "\ntrial %d of %d, A is heard: ", i+1, s.plan.Trials)
	for {
		line, ok := next()
		if !ok {
			return false, true, nil
		}
		switch cmd := strings.ToLower(strings.TrimSpace(line)); cmd {
		case "a", "b", "x":
			b := cmd == "b"
			if cmd == "x" {
				b, heardX = s.order[i], true
			}
			if err := hear(b); err != nil {
				return false, false, err
			}
			switches++
			fmt.Fprintf(s.out, "%s is heard: ", strings.ToUpper(cmd))
		case "xa", "xb":
			if !heardX {
				fmt.Fprint(s.out, "hear x first: ")
				continue
			}
			err := s.note("trial %d: answer %s after %d switches", i+1, strings.ToUpper(cmd[1:]), switches)
			return cmd == "xb", false, err
		case "q":
			return false, true, s.note("stopped by the listener")
		case "":
		default:
			fmt.Fprint(s.out, blindHelp)
		}
	}
}

// note puts a line on record, safe from a crash.
func (s *sitting) note(format string, args ...any) error {
	_, err := fmt.Fprintf(s.log, "%s %s\n", time.Now().Format(time.RFC3339), fmt.Sprintf(format, args...))
	if err == nil {
		err = s.log.Sync()
	}
	if err != nil {
		return fmt.Errorf("cushwright: blind: write log: %w", err)
	}
	return nil
}

// letters writes sides as A and B.
func letters(order []bool) string {
	b := make([]byte, len(order))
	for i, second := range order {
		b[i] = 'A'
		if second {
			b[i] = 'B'
		}
	}
	return string(b)
}
