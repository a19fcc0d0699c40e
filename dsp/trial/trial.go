// Package trial holds the statistics of forced-choice listening trials: the exact binomial test against guessing, and
// the power that a plan has before anybody listens.
package trial

import (
	"fmt"
	"math"
	"math/big"

	"gonum.org/v1/gonum/stat/distuv"
)

// MaxTrials is the largest number of trials of one plan.
const MaxTrials = 1000

// PValue is the probability that a listener who only guesses (rate 1/2) gets at least correct of trials right: the
// upper tail of the binomial distribution, summed in integers and therefore exact up to the last rounding. It is 1 for
// correct ≤ 0 and 0 for correct > trials. It panics unless 1 ≤ trials ≤ MaxTrials.
//
// For a run that was stopped early, trials is the planned number: every trial without an answer counts as wrong. The
// number of right answers at any stop is at most the number a guesser would have reached by going on, so the value
// stays an upper bound whatever made the listener stop.
func PValue(trials, correct int) float64 {
	mustPlan(trials)
	if trials <= 52 { // the same sum in machine integers: no product exceeds 2^64, and 2^52 is exact in a float64
		sum, c := uint64(0), uint64(1)
		for k := trials; k >= max(correct, 0); k-- {
			sum += c // trials over k
			c = c * uint64(k) / uint64(trials-k+1)
		}
		return float64(sum) / float64(uint64(1)<<trials)
	}
	sum, c := new(big.Int), new(big.Int)
	for k := max(correct, 0); k <= trials; k++ {
		sum.Add(sum, c.Binomial(int64(trials), int64(k)))
	}
	p, _ := new(big.Rat).SetFrac(sum, new(big.Int).Lsh(big.NewInt(1), uint(trials))).Float64()
	return p
}

// Needed is the fewest right answers of trials whose PValue is at most alpha. It is trials+1 where not even all right
// would do. It panics as PValue does.
func Needed(trials int, alpha float64) int {
	mustPlan(trials)
	k := trials + 1
	for k > 0 && PValue(trials, k-1) <= alpha {
		k--
	}
	return k
}

// Power is the probability that a listener who is right at the given rate (0 to 1) in each trial, independently, gets
// at least needed of trials right. It panics as PValue does, and for a rate outside 0 to 1.
func Power(trials, needed int, rate float64) float64 {
	mustPlan(trials)
	if !(rate >= 0 && rate <= 1) {
		panic(fmt.Sprintf("trial: rate %v is not between 0 and 1", rate))
	}
	if needed <= 0 {
		return 1
	}
	b := distuv.Binomial{N: float64(trials), P: rate}
	sum := 0.0
	for k := trials; k >= needed; k-- { // small terms first
		switch {
		case rate == 1 && k == trials:
			sum++
		case rate > 0 && rate < 1:
			sum += b.Prob(float64(k))
		}
	}
	return math.Min(sum, 1)
}

func mustPlan(trials int) {
	if trials < 1 || trials > MaxTrials {
		panic(fmt.Sprintf("trial: %d trials, allowed: 1 to %d", trials, MaxTrials))
	}
}

// Plan is what is fixed before the first trial.
type Plan struct {
	Trials int     // planned number
	Alpha  float64 // largest p-value that counts as "a difference was heard"
}

// Needed is the fewest right answers that count.
func (p Plan) Needed() int { return Needed(p.Trials, p.Alpha) }

// Power is the chance that the plan shows a listener who is right at that rate.
func (p Plan) Power(rate float64) float64 { return Power(p.Trials, p.Needed(), rate) }

// Result is what came of a plan.
type Result struct {
	Plan     Plan
	Answered int
	Correct  int
}

// Stopped reports whether the run ended before the plan.
func (r Result) Stopped() bool { return r.Answered < r.Plan.Trials }

// PValue is the exact p-value for the planned number of trials; unanswered ones count as wrong.
func (r Result) PValue() float64 { return PValue(r.Plan.Trials, r.Correct) }

// Heard reports whether the run shows that a difference was heard.
func (r Result) Heard() bool { return r.PValue() <= r.Plan.Alpha }
