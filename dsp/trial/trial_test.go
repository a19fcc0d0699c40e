package trial

import (
	"math"
	"math/rand/v2"
	"os/exec"
	"strconv"
	"strings"
	"testing"
)

// The exact binomial test is textbook material (for instance Siegel and Castellan, Nonparametric Statistics for the
// Behavioral Sciences, 1988, ch. 4); the figures were computed apart from this package and are rounded as printed.
func TestPValueTable(t *testing.T) {
	for _, c := range []struct {
		trials, correct int
		p, tol          float64
	}{
		{5, 5, .03125, 1e-12}, {8, 7, .0352, 5e-5}, {10, 9, .0107, 5e-5}, {10, 8, .0547, 5e-5}, {16, 12, .0384, 5e-5},
		{20, 15, .0207, 5e-5}, {8, 8, .0039, 5e-5}, {10, 10, .00098, 5e-6}, {16, 14, .0021, 5e-5}, {16, 13, .0106, 5e-5},
		{1, 0, 1, 0}, {1, 1, .5, 0}, {7, -3, 1, 0}, {7, 8, 0, 0},
	} {
		if p := PValue(c.trials, c.correct); math.Abs(p-c.p) > c.tol {
			t.Errorf("%d of %d: p = %.6f, want %.6f", c.correct, c.trials, p, c.p)
		}
	}
}

func TestNeeded(t *testing.T) {
	for _, c := range []struct {
		trials int
		alpha  float64
		want   int
	}{{5, .05, 5}, {8, .05, 7}, {10, .05, 9}, {16, .05, 12}, {20, .05, 15}, {8, .01, 8}, {10, .01, 10}, {16, .01, 14}, {4, .05, 5}, {3, 1, 0}} {
		if k := Needed(c.trials, c.alpha); k != c.want {
			t.Errorf("%d trials at %g: %d needed, want %d", c.trials, c.alpha, k, c.want)
		}
	}
}

func TestPowerTable(t *testing.T) {
	for _, c := range []struct{ rate, power float64 }{{.7, .450}, {.8, .798}, {.9, .983}} {
		if p := Power(16, 12, c.rate); math.Abs(p-c.power) > 5e-4 {
			t.Errorf("12 of 16 at a rate of %g: power %.4f, want %.3f", c.rate, p, c.power)
		}
	}
	// A guesser passes as often as the p-value says; rates at the ends are certain.
	for n := 1; n <= 40; n++ {
		for k := 0; k <= n+1; k++ {
			if d := math.Abs(Power(n, k, .5) - PValue(n, k)); d > 1e-12 {
				t.Fatalf("%d of %d: power at chance and p-value differ by %g", k, n, d)
			}
		}
		if Power(n, n, 1) != 1 || Power(n, 1, 0) != 0 {
			t.Fatalf("%d trials: a certain outcome is not certain", n)
		}
	}
}

// TestAgainstScipy compares with scipy.stats.binomtest, an independent implementation.
func TestAgainstScipy(t *testing.T) {
	const script = `
from scipy.stats import binomtest, binom
for n in (1, 2, 7, 16, 50, 200, 1000):
    for k in sorted({0, 1, n//2, (3*n)//4, n}):
        print(n, k, repr(float(binomtest(k, n, 0.5, alternative="greater").pvalue)), repr(float(binom.sf(k-1, n, 0.73))))
`
	out, err := exec.Command("/usr/bin/python3", "-c", script).Output()
	if err != nil {
		t.Fatalf("scipy: %v", err)
	}
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	if len(lines) < 30 {
		t.Fatalf("scipy printed %d lines only", len(lines))
	}
	for _, l := range lines {
		f := strings.Fields(l)
		n, _ := strconv.Atoi(f[0])
		k, _ := strconv.Atoi(f[1])
		p, err := strconv.ParseFloat(f[2], 64)
		if err != nil {
			t.Fatal(err)
		}
		pow, err := strconv.ParseFloat(f[3], 64)
		if err != nil {
			t.Fatal(err)
		}
		if got := PValue(n, k); math.Abs(got-p) > 1e-11*p+1e-300 {
			t.Errorf("%d of %d: p = %v, scipy says %v", k, n, got, p)
		}
		if got := Power(n, k, .73); math.Abs(got-pow) > 1e-9 {
			t.Errorf("%d of %d at .73: power %v, scipy says %v", k, n, got, pow)
		}
	}
}

// TestEarlyStopIsHonest lets guessers stop whenever they are ahead: with the planned number in the p-value they still
// pass no more often than alpha. With the answered number instead they would: the test shows both.
func TestEarlyStopIsHonest(t *testing.T) {
	plan := Plan{Trials: 20, Alpha: .05}
	r := rand.New(rand.NewPCG(5, 6))
	const runs = 20000
	honest, naive := 0, 0
	var p [21][21]float64 // by trials and right answers
	for n := 1; n <= plan.Trials; n++ {
		for k := 0; k <= n; k++ {
			p[n][k] = PValue(n, k)
		}
	}
	for range runs {
		res := Result{Plan: plan}
		for res.Stopped() {
			res.Answered++
			if r.IntN(2) == 0 {
				res.Correct++
			}
			if p[res.Answered][res.Correct] <= plan.Alpha {
				break
			}
		}
		if p[plan.Trials][res.Correct] <= plan.Alpha {
			honest++
		}
		if honest < 50 && ((res.PValue() <= plan.Alpha) != res.Heard() || res.PValue() != p[plan.Trials][res.Correct]) {
			t.Fatalf("%+v: p-value %v", res, res.PValue())
		}
		if p[res.Answered][res.Correct] <= plan.Alpha {
			naive++
		}
	}
	limit := plan.Alpha + 4*math.Sqrt(plan.Alpha*(1-plan.Alpha)/runs)
	if f := float64(honest) / runs; f > limit {
		t.Errorf("stopping at will passes guessers in %.4f of runs, more than %.4f", f, limit)
	}
	if f := float64(naive) / runs; f < 2*plan.Alpha {
		t.Errorf("counting answered trials only passes guessers in %.4f of runs: the comparison shows nothing", f)
	}
}

func TestPanics(t *testing.T) {
	for name, f := range map[string]func(){
		"no trials": func() { PValue(0, 0) }, "too many": func() { Needed(MaxTrials+1, .05) }, "rate": func() { Power(5, 5, math.NaN()) },
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s: no panic", name)
				}
			}()
			f()
		}()
	}
}
