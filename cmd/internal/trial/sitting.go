package trial

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"strings"
	"time"

	stats "cushwright/dsp/trial"
)

// record is where answers stand, safe from a crash, before anything is revealed.
type record interface {
	io.Writer
	Sync() error
}

// sitting is one run of a plan.
type sitting struct {
	plan          stats.Plan
	first, second string                  // what A and B are
	order         []bool                  // X is B
	hear          func(side string) error // "first" or "second"
	log           record
	out           io.Writer
}

const help = `  a, b   hear A, hear B             x        hear X, which is one of them
  xa     X is A, next trial         xb       X is B, next trial
  ?      this help                  q        stop (trials without an answer count as wrong)
`

// power says what the plan can show.
func power(p stats.Plan) string {
	n := p.Needed()
	in100 := func(rate float64) float64 { return 100 * stats.Power(p.Trials, n, rate) }
	return fmt.Sprintf(`%d trials: %d right answers are needed (p ≤ %g). This shows a listener who is right in 90 %% of the trials in %.0f of 100
runs, one at 80 %% in %.0f, one at 70 %% in %.0f; who only guesses passes in %.1f.`,
		p.Trials, n, p.Alpha, in100(.9), in100(.8), in100(.7), in100(.5))
}

// run asks for an answer to every trial. An end of the input or of the engine ends the run; the result is that of the
// whole plan all the same.
func (s *sitting) run(next func() (string, bool)) (stats.Result, error) {
	res := stats.Result{Plan: s.plan}
	salt := rand.Text()
	seal := sha256.Sum256([]byte(salt + " " + letters(s.order)))
	can := power(s.plan)
	fmt.Fprintf(s.out, "%s\n\nA is %s, B is %s, both equally loud.\n%s", can, s.first, s.second, help)
	// The seal fixes the order before the first answer without revealing it.
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
	// Every answer is on disk: the order may be revealed.
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
		stopped = fmt.Sprintf("\nEnded after %d of %d trials (%s): the others count as wrong, so that stopping "+
			"gains nothing.", res.Answered, s.plan.Trials, why)
	}
	text := fmt.Sprintf("%d right of %d planned trials, %d answered, p = %.4g: %s (%d needed).%s\nX was    "+
		"%s\nanswers  %s", res.Correct, s.plan.Trials,
		res.Answered, res.PValue(), verdict, s.plan.Needed(), stopped, letters(s.order[:res.Answered]),
		letters(answers))
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
			fmt.Fprint(s.out, help)
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
