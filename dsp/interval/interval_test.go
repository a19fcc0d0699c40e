package interval

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os/exec"
	"testing"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: %.9g, want %.9g within %g", what, got, want, tol)
	}
}

// Source: half-widths of a mean in units of σ, Student t, computed with scipy.
func TestMeanOfOneGroup(t *testing.T) {
	for n, want := range map[int]float64{3: 2.484, 5: 1.242, 10: 0.715} {
		v := make([]float64, n)
		for i := range v {
			v[i] = float64(i)
		}
		m := MeanOf(v)
		near(t, "half-width", Sum(m).Half95()/m.SD(), want, 5e-4)
	}
	one := Sum(MeanOf([]float64{3}))
	if one.Value != 3 || !math.IsInf(one.Half95(), 1) || one.P() != 1 || one.Real() || !math.IsInf(one.HalfOf(10), 1) {
		t.Errorf("of one value: %+v", one)
	}
	same := Difference([]float64{2, 2}, []float64{2, 2, 2})
	if same.Half95() != 0 || same.P() != 1 || same.Real() {
		t.Errorf("of values that are all the same: %+v", same)
	}
	if d := Difference([]float64{2, 2}, []float64{1, 1}); d.P() != 0 || !d.Real() {
		t.Errorf("of values without scatter: %+v", d)
	}
}

// Two groups against scipy: Satterthwaite's degrees of freedom and the chance are those of ttest_ind(equal_var=False), Welch's
// are computed from his formula there, and the half-width is of their mixture.
func TestDifferenceAgainstScipy(t *testing.T) {
	var want struct{ Diff, Careful, DOF, Half, P, Family float64 }
	out, err := exec.Command("/usr/bin/python3", "-c", `
import scipy.stats as S, numpy as np, json
a, b = [1, 2, 4, 4.5], [2.2, 3.1, 2.9]
va, vb = np.var(a, ddof=1)/4, np.var(b, ddof=1)/3
careful = (va+vb)**2/(va**2/3+vb**2/2)
welch = (va+vb)**2/(va**2/5+vb**2/4)-2
dof = careful+3/4*(welch-careful)
t, p = S.ttest_ind(a, b, equal_var=False)
diff = np.mean(a)-np.mean(b)
se = diff/t
print(json.dumps({"Diff": diff, "Careful": careful, "DOF": dof, "Half": se*S.t.ppf(.975, dof), "P": p, "Family": se*S.t.ppf(1-.0025, careful)}))`).Output()
	if err != nil {
		t.Fatalf("scipy is needed: %v", err)
	}
	if err := json.Unmarshal(out, &want); err != nil {
		t.Fatal(err)
	}
	e := Difference([]float64{1, 2, 4, 4.5}, []float64{2.2, 3.1, 2.9})
	near(t, "difference", e.Value, want.Diff, 1e-12)
	near(t, "Satterthwaite's degrees of freedom", e.Careful, want.Careful, 1e-12)
	near(t, "degrees of freedom", e.DOF, want.DOF, 1e-12)
	near(t, "half-width", e.Half95(), want.Half, 1e-4*want.Half)
	near(t, "chance", e.P(), want.P, 1e-9)
	near(t, "half-width of ten together", e.HalfOf(10), want.Family, 1e-6)
}

// TestFewSeats: between equal means of 2 to 10 values, alike in scatter or not, 3 to 7 of 100 differences are real.
func TestFewSeats(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for _, c := range []struct {
		n, m  int
		ratio float64
	}{{3, 3, 1}, {3, 3, 2}, {5, 5, 1}, {5, 5, 2}, {10, 10, 1}, {5, 3, 1}, {10, 3, 1}, {10, 5, 0.5}, {2, 2, 1}} {
		real, all := 0.0, 40000.0
		for range int(all) {
			a, b := make([]float64, c.n), make([]float64, c.m)
			for i := range a {
				a[i] = rng.NormFloat64()
			}
			for i := range b {
				b[i] = c.ratio * rng.NormFloat64()
			}
			if Difference(a, b).Real() {
				real++
			}
		}
		t.Logf("%+v: %.2f %%", c, 100*real/all)
		if s := 100 * real / all; s < 3 || s > 7 {
			t.Errorf("%+v: %.2f %% real", c, s)
		}
	}
}

// TestTogether: the verdict on ten differences that hang together, from not at all to wholly, is wrong in 3 to 7 of 100 cases.
func TestTogether(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	for _, rho := range []float64{0, 0.3, 0.7, 0.95} {
		real, all := 0.0, 20000.0
		for range int(all) {
			common := rng.NormFloat64()
			p := make([]float64, 10)
			for i := range p {
				z := math.Sqrt(rho)*common + math.Sqrt(1-rho)*rng.NormFloat64()
				p[i] = math.Erfc(math.Abs(z) / math.Sqrt2)
			}
			if Together(p) < 0.05 {
				real++
			}
		}
		t.Logf("correlation %g: %.2f %%", rho, 100*real/all)
		if s := 100 * real / all; s < 3 || s > 7 {
			t.Errorf("correlation %g: %.2f %% real", rho, s)
		}
	}
	near(t, "one", Together([]float64{0.03}), 0.03, 1e-12)
	near(t, "a tiny one", Together([]float64{1e-20, 0.5}), 2e-20, 1e-25)
	near(t, "none", Together(nil), 1, 0)
	near(t, "nothing said", Together([]float64{1, 1}), 1, 1e-9)
	near(t, "one not known beside one that is", Together([]float64{1, 0.01}), 0.01, 1e-12)
	near(t, "not a number", Together([]float64{math.NaN(), 0.2}), 0.2, 1e-12)
}
