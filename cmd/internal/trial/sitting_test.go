package trial

import (
	"bytes"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	stats "cushwright/dsp/trial"
)

// paper is a record in memory.
type paper struct{ bytes.Buffer }

func (*paper) Sync() error { return nil }

// played runs a sitting with a listener who says after each X which side he heard, rightly at the given rate.
func played(t *testing.T, plan stats.Plan, rate float64, r *rand.Rand) stats.Result {
	t.Helper()
	heard := ""
	s := &sitting{plan: plan, first: "a", second: "b", order: draw(plan.Trials), log: &paper{}, out: io.Discard,
		hear: func(side string) error { heard = side; return nil }}
	asked := 0
	res, err := s.run(func() (string, bool) {
		if asked++; asked%2 == 1 {
			return "x", true
		}
		if right := r.Float64() < rate; (heard == "second") == right {
			return "xb", true
		}
		return "xa", true
	})
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// TestBlindHasThePowerItStates runs simulated listeners of known rates through whole sittings. The figures are the
// exact binomial powers of 12 of 16, computed apart.
func TestBlindHasThePowerItStates(t *testing.T) {
	plan := stats.Plan{Trials: 16, Alpha: .05}
	if text := power(plan); !strings.HasPrefix(text, "16 trials: 12 right answers") || !strings.Contains(text, "right in 90 % of the trials in 98 of 100") {
		t.Errorf("the plan says %q", text)
	}
	r := rand.New(rand.NewPCG(11, 12))
	for _, c := range []struct {
		rate, power float64
		runs        int
	}{{.9, .983, 10000}, {.7, .450, 1000}, {.5, .0384, 1000}} {
		shown := 0
		for range c.runs {
			if played(t, plan, c.rate, r).Heard() {
				shown++
			}
		}
		got, sd := float64(shown)/float64(c.runs), math.Sqrt(c.power*(1-c.power)/float64(c.runs))
		t.Logf("rate %.1f: shown in %.4f of %d runs, stated %.4f", c.rate, got, c.runs, c.power)
		if math.Abs(got-c.power) > 4*sd+5e-4 {
			t.Errorf("rate %.1f: shown in %.4f of runs, stated %.4f", c.rate, got, c.power)
		}
	}
}

// TestBlindTellsNothingEarly: until the last answer is on record, the output and the log are the same whatever X is.
func TestBlindTellsNothingEarly(t *testing.T) {
	script := []string{"x", "a", "x", "XB", "xb", "x", "b", "?", "xa"} // the second xb comes before x was heard
	var outs, logs []string
	for _, order := range [][]bool{{false, false, true}, {true, true, true}} {
		var out bytes.Buffer
		rec := &paper{}
		s := &sitting{plan: stats.Plan{Trials: 3, Alpha: .2}, first: "wipe-clean", second: "none", order: order, log: rec, out: &out,
			hear: func(string) error { return nil }}
		at := 0
		res, err := s.run(func() (string, bool) {
			if at++; at <= len(script) {
				return script[at-1], true
			}
			outs, logs = append(outs, out.String()), append(logs, rec.String())
			return "q", true
		})
		if err != nil {
			t.Fatal(err)
		}
		right := 0
		for i, said := range []bool{true, false} {
			if said == order[i] {
				right++
			}
		}
		want := stats.Result{Plan: s.plan, Answered: 2, Correct: right}
		if res != want {
			t.Errorf("%+v, want %+v", res, want)
		}
		if res.PValue() != stats.PValue(3, right) || !strings.Contains(out.String(), "Ended after 2 of 3 trials") {
			t.Errorf("an early stop: p = %v, told as %q", res.PValue(), out.String())
		}
		if !strings.Contains(rec.String(), "order "+letters(order)) || !strings.Contains(rec.String(), "trial 2: answer A after 2 switches") {
			t.Errorf("log: %s", rec.String())
		}
	}
	blur := regexp.MustCompile(`\d{4}-\d\d-\d\dT\S+ |[0-9a-f]{64}`) // time and seal
	if outs[0] != outs[1] {
		t.Errorf("the output tells X:\n%s\n%s", outs[0], outs[1])
	}
	if a, b := blur.ReplaceAllString(logs[0], ""), blur.ReplaceAllString(logs[1], ""); a != b {
		t.Errorf("the log tells X:\n%s\n%s", a, b)
	}
}

// TestBlindKeepsGoingHonestly: an engine that is lost or a log that cannot be written ends the run, never the count.
func TestBlindKeepsGoingHonestly(t *testing.T) {
	lost := errors.New("lost")
	n := 0
	s := &sitting{plan: stats.Plan{Trials: 8, Alpha: .05}, order: make([]bool, 8), log: &paper{}, out: io.Discard,
		hear: func(string) error {
			if n++; n > 4 {
				return lost
			}
			return nil
		}}
	asked := 0
	next := func() (string, bool) { asked++; return []string{"xa", "x"}[asked%2], true }
	res, err := s.run(next)
	if err != nil || res.Answered != 2 || res.Correct != 2 || res.PValue() != stats.PValue(8, 2) {
		t.Errorf("%+v %v", res, err)
	}
	s.log = broken{}
	if _, err := s.run(next); err == nil {
		t.Error("went on without a record")
	}
}

type broken struct{}

func (broken) Write([]byte) (int, error) { return 0, errors.New("disk full") }
func (broken) Sync() error               { return nil }

func TestDrawIsFair(t *testing.T) {
	const n = 40000
	ones, same := 0, 0
	o := draw(n)
	for i, b := range o {
		if b {
			ones++
		}
		if i > 0 && b == o[i-1] {
			same++
		}
	}
	for name, k := range map[string]int{"ones": ones, "repeats": same} {
		if math.Abs(float64(k)-n/2) > 5*math.Sqrt(n)/2 {
			t.Errorf("%s: %d of %d", name, k, n)
		}
	}
}

func TestBlindLogsAreApart(t *testing.T) {
	dir, now := t.TempDir(), time.Now()
	for i := range 3 {
		f, err := openLog(dir, now)
		if err != nil {
			t.Fatal(err)
		}
		f.Close()
		if got, _ := filepath.Glob(filepath.Join(dir, "blind", "*.log")); len(got) != i+1 {
			t.Errorf("%v", got)
		}
	}
}
