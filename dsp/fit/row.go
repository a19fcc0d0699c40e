package fit

import (
	"math"
	"slices"

	"cushwright/dsp/curve"

	"gonum.org/v1/gonum/mat"
)

// bells are the responses of a row of sliders that has one kind of bells.
// Source of the prototype: R. Bristow-Johnson, "Audio EQ Cookbook", W3C Note, 8 June 2021.
type bells struct {
	// For each slider at each point, with x = (f/f0)² of the (warped) frequencies: (1 − x)² and x/Q².
	t, xq [][]float64
}

func newBells(k Kind, sliderHz []float64, q float64, hz []float64) *bells {
	warp := func(f float64) float64 {
		if k.RateHz == 0 {
			return f
		}
		return math.Tan(math.Pi * min(f, 0.499*k.RateHz) / k.RateHz)
	}
	b := &bells{}
	for _, f0 := range sliderHz {
		t, xq := make([]float64, len(hz)), make([]float64, len(hz))
		for i, f := range hz {
			x := warp(f) / warp(f0)
			x *= x
			t[i], xq[i] = (1-x)*(1-x), x/(q*q)
		}
		b.t, b.xq = append(b.t, t), append(b.xq, xq)
	}
	return b
}

// add adds slider k's level at a gain to out, in dB at each point.
func (b *bells) add(k int, gainDB float64, out []float64) {
	up := math.Exp(2 * lnA * gainDB) // A²
	down := 1 / up
	t, xq := b.t[k], b.xq[k]
	for i := range out {
		out[i] += tenLog * math.Log((t[i]+xq[i]*up)/(t[i]+xq[i]*down))
	}
}

// respond returns the level of all sliders, in dB at each point.
func (b *bells) respond(gains []float64) []float64 {
	out := slices.Repeat([]float64{1}, len(b.t[0])) // 64 bells of 24 dB stay within float64's range
	for k, g := range gains {
		if g == 0 {
			continue
		}
		up := math.Exp(2 * lnA * g)
		down := 1 / up
		t, xq := b.t[k], b.xq[k]
		for i := range out {
			out[i] *= (t[i] + xq[i]*up) / (t[i] + xq[i]*down)
		}
	}
	for i, v := range out {
		out[i] = tenLog * math.Log(v)
	}
	return out
}

// slope writes how slider k's level changes with its gain, in dB per dB.
func (b *bells) slope(k int, gainDB float64, out []float64) {
	up := math.Exp(2 * lnA * gainDB)
	down := 1 / up
	t, xq := b.t[k], b.xq[k]
	for i := range out {
		out[i] = 2 * lnA * tenLog * xq[i] * (up/(t[i]+xq[i]*up) + down/(t[i]+xq[i]*down))
	}
}

// rowFit looks for the positions of a row of sliders on several kinds of bells at once.
type rowFit struct {
	spec  SliderSpec
	pr    Prepared
	kinds []*bells // on the target's points
	dense []*bells // where the boost limit is held: between the points and at the sliders as well
}

// overWeight is the weight of exceeding the boost limit, per dB² on all points; rowRidge is that of a gain, per dB²:
// sliders where nothing was measured stay at zero.
const overWeight, rowRidge = 300.0, 1e-6

func newRow(pr Prepared, s SliderSpec) *rowFit {
	w := &rowFit{spec: s, pr: pr}
	close := slices.Clone(s.FreqHz)
	for i, f := range pr.FreqHz {
		close = append(close, f)
		if i+1 < len(pr.FreqHz) {
			close = append(close, math.Sqrt(f*pr.FreqHz[i+1]))
		}
	}
	for _, k := range s.Kinds {
		w.kinds = append(w.kinds, newBells(k, s.FreqHz, s.Q, pr.FreqHz))
		w.dense = append(w.dense, newBells(k, s.FreqHz, s.Q, close))
	}
	return w
}

// peak is the largest level of the sliders together on any kind, in dB.
func (w *rowFit) peak(gains []float64) float64 {
	top := math.Inf(-1)
	for _, b := range w.dense {
		top = max(top, slices.Max(b.respond(gains)))
	}
	return top
}

// miss is the weighted mean square of what a response leaves, its level at its best where that is free, plus what it is
// over the limit, weighed.
func (w *rowFit) miss(resp []float64) (square, over float64) {
	s, m := 0.0, 0.0
	for i, v := range resp {
		e := v - w.pr.WantDB[i]
		s += w.pr.Weight[i] * e * e
		m += w.pr.Weight[i] * e
		if o := v - w.spec.MaxBoostDB; o > 0 {
			over += o * o
		}
	}
	if w.spec.FreeLevel {
		s -= m * m
	}
	return s, over * overWeight / float64(len(resp))
}

// cost is what positions cost on the kind that costs most; responses are those of each kind.
func (w *rowFit) cost(responses [][]float64, gains []float64) float64 {
	worst, over := 0.0, 0.0
	for _, r := range responses {
		s, o := w.miss(r)
		worst, over = max(worst, s), over+o
	}
	return worst + over + ridgeOf(gains)
}

func ridgeOf(gains []float64) (r float64) {
	for _, g := range gains {
		r += rowRidge * g * g
	}
	return r
}

func (w *rowFit) responses(gains []float64) (out [][]float64) {
	for _, b := range w.kinds {
		out = append(out, b.respond(gains))
	}
	return out
}

// best finds positions on the step and within all limits.
func (w *rowFit) best() []float64 {
	n := len(w.spec.FreqHz)
	share := slices.Repeat([]float64{1 / float64(len(w.kinds))}, len(w.kinds))
	gains := make([]float64, n)
	least, cost := gains, math.Inf(1)
	// The kind that is left with most counts more, until the shares make the worst as good as it gets.
	for range 10 {
		gains = w.solve(gains, share)
		r := w.responses(gains)
		if c := w.cost(r, gains); c < cost {
			least, cost = slices.Clone(gains), c
		}
		if len(w.kinds) == 1 {
			break
		}
		sum, top := 0.0, 0.0
		square := make([]float64, len(r))
		for k := range r {
			square[k], _ = w.miss(r[k])
			top = max(top, square[k])
		}
		for k := range share {
			share[k] *= math.Exp(6 * (square[k]/max(top, 1e-12) - 1))
			share[k] = max(share[k], 1e-3)
			sum += share[k]
		}
		for k := range share {
			share[k] /= sum
		}
	}
	if w.spec.StepDB > 0 {
		for k, g := range least {
			least[k] = w.snap(g)
		}
		w.walk(least)
	}
	return w.hold(least)
}

// naive reads the target's level off at each slider.
func (w *rowFit) naive() []float64 {
	want := curve.Curve{LevelDB: w.pr.AskedDB}
	var gains []float64
	for _, f := range w.spec.FreqHz {
		gains = append(gains, w.snap(want.At(f)))
	}
	return w.hold(gains)
}

// snap is the position next to a gain, within the range.
func (w *rowFit) snap(g float64) float64 {
	s := w.spec.StepDB
	if s == 0 {
		return min(max(g, w.spec.MinDB), w.spec.MaxDB) + 0
	}
	const tiny = 1e-9
	k := min(max(math.Round(g/s), math.Ceil(w.spec.MinDB/s-tiny)), math.Floor(w.spec.MaxDB/s+tiny))
	return math.Round(k*s*1e9)/1e9 + 0 // steps such as 0.1 should print as typed
}

// hold brings positions below the boost limit: a step at a time off the slider that boosts most at the peak, then by
// the largest part of the boosts that keeps it, which cannot fail: without boosts no bell is above 0 dB.
func (w *rowFit) hold(gains []float64) []float64 {
	ok := func(g []float64) bool { return w.peak(g) <= w.spec.MaxBoostDB }
	gains = slices.Clone(gains)
	for range 100 {
		if w.spec.StepDB == 0 || ok(gains) {
			break
		}
		top, kind, at := math.Inf(-1), 0, 0
		for k, b := range w.dense {
			for i, v := range b.respond(gains) {
				if v > top {
					top, kind, at = v, k, i
				}
			}
		}
		most, by := -1, 0.0
		for k, g := range gains {
			one := &bells{[][]float64{w.dense[kind].t[k][at : at+1]}, [][]float64{w.dense[kind].xq[k][at : at+1]}}
			if v := one.respond([]float64{g})[0]; v > by {
				most, by = k, v
			}
		}
		if most < 0 {
			break
		}
		gains[most] = w.snap(gains[most] - w.spec.StepDB)
	}
	return commonPart(gains, func(g, part float64) float64 {
		if g < 0 {
			return g
		}
		return towardsZero(g*part, w.spec.StepDB, 0)
	}, ok)
}

// solve runs Levenberg–Marquardt steps on the sum of what the kinds are left with, each weighed by its share. A gain
// that is pushed out of its range is held for the step.
func (w *rowFit) solve(gains, share []float64) []float64 {
	total := func(r [][]float64, g []float64) float64 {
		c := ridgeOf(g)
		for k := range r {
			s, o := w.miss(r[k])
			c += share[k]*s + o
		}
		return c
	}
	resp := w.responses(gains)
	cost, mu := total(resp, gains), 1e-3
	for range 12 {
		a, b := w.normal(gains, share, resp)
		better := false
		for range 8 {
			if step := dampedStep(a, b, mu); step != nil {
				try := slices.Clone(gains)
				for k := range try {
					try[k] = min(max(try[k]-min(max(step.AtVec(k), -8), 8), w.spec.MinDB), w.spec.MaxDB)
				}
				r := w.responses(try)
				if c := total(r, try); c < cost {
					better = cost-c > 1e-7*cost
					gains, resp, cost, mu = try, r, c, max(mu/5, 1e-9)
					break
				}
			}
			mu *= 4
		}
		if !better {
			break
		}
	}
	return gains
}

// normal are the normal equations of a step, a·step = b, at responses of each kind.
func (w *rowFit) normal(gains, share []float64, resp [][]float64) (*mat.SymDense, *mat.VecDense) {
	n, points := len(gains), len(w.pr.FreqHz)
	a, b := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
	jac := make([][]float64, n)
	for k := range jac {
		jac[k] = make([]float64, points)
	}
	// The weight and the weighted rest of each point, a column of the product, and each slider's mean, which a free
	// level takes up.
	each, rest, col, mean := make([]float64, points), make([]float64, points), make([]float64, points), make([]float64,
		n)
	over := overWeight / float64(points)
	for q, kind := range w.kinds {
		level := 0.0
		if w.spec.FreeLevel {
			for i, v := range resp[q] {
				level += w.pr.Weight[i] * (v - w.pr.WantDB[i])
			}
		}
		for i, v := range resp[q] {
			each[i] = share[q] * w.pr.Weight[i]
			rest[i] = each[i] * (v - w.pr.WantDB[i] - level)
			if o := v - w.spec.MaxBoostDB; o > 0 {
				each[i] += over
				rest[i] += over * o
			}
		}
		for k, g := range gains {
			kind.slope(k, g, jac[k])
			b.SetVec(k, b.AtVec(k)+dot(jac[k], rest))
			if w.spec.FreeLevel {
				mean[k] = dot(jac[k], w.pr.Weight)
			}
		}
		for k := range n {
			for i, v := range jac[k] {
				col[i] = v * each[i]
			}
			for m := range k + 1 {
				a.SetSym(k, m, a.At(k, m)+dot(col, jac[m])-share[q]*mean[k]*mean[m])
			}
		}
	}
	for k, g := range gains {
		b.SetVec(k, b.AtVec(k)+rowRidge*g)
		a.SetSym(k, k, a.At(k, k)+rowRidge)
		if g <= w.spec.MinDB && b.AtVec(k) > 0 || g >= w.spec.MaxDB && b.AtVec(k) < 0 {
			b.SetVec(k, 0)
			for m := range n {
				a.SetSym(k, m, 0)
			}
			a.SetSym(k, k, 1)
		}
	}
	return a, b
}

// dampedStep solves (a + mu·diag a)·step = b; nil where that cannot be done.
func dampedStep(a *mat.SymDense, b *mat.VecDense, mu float64) *mat.VecDense {
	n := b.Len()
	damped := mat.NewSymDense(n, nil)
	damped.CopySym(a)
	for k := range n {
		damped.SetSym(k, k, a.At(k, k)*(1+mu)+1e-12)
	}
	var chol mat.Cholesky
	step := mat.NewVecDense(n, nil)
	if !chol.Factorize(damped) || chol.SolveVecTo(step, b) != nil {
		return nil
	}
	return step
}

// move is a step of one slider.
type move struct {
	gain  float64     // where it ends
	delta [][]float64 // what it changes on each kind, in dB
	ok    bool        // it stays within the range
}

// walker moves positions on the step.
type walker struct {
	*rowFit
	gains     []float64
	resp, try [][]float64 // now, and as tried, on each kind
	best      float64     // the cost now
	moves     [][2]move   // each slider's step up and down
}

// walk moves one slider, or two, by a step each while that helps the kind that is left with most.
func (w *rowFit) walk(gains []float64) {
	k := &walker{rowFit: w, gains: gains, resp: w.responses(gains), moves: make([][2]move, len(gains))}
	k.try = w.responses(gains)
	k.best = w.cost(k.resp, gains)
	for a := range gains {
		k.prepare(a)
	}
	for range 8 {
		moved := false
		for a := range gains {
			for m := range 2 {
				for k.helps(a, &k.moves[a][m], a, nil) {
					moved = true
				}
			}
		}
		for a := range gains {
			for b := range a {
				for m := range 4 {
					moved = k.helps(a, &k.moves[a][m/2], b, &k.moves[b][m%2]) || moved
				}
			}
		}
		if !moved {
			return
		}
	}
}

// prepare finds the steps of slider a.
func (k *walker) prepare(a int) {
	for i, d := range []float64{k.spec.StepDB, -k.spec.StepDB} {
		m := &k.moves[a][i]
		m.gain = k.snap(k.gains[a] + d)
		if m.ok = m.gain != k.gains[a]; !m.ok {
			continue
		}
		m.delta = m.delta[:0]
		for _, b := range k.kinds {
			was, is := make([]float64, len(k.pr.FreqHz)), make([]float64, len(k.pr.FreqHz))
			b.add(a, k.gains[a], was)
			b.add(a, m.gain, is)
			for i := range is {
				is[i] -= was[i]
			}
			m.delta = append(m.delta, is)
		}
	}
}

// helps makes up to two moves (second: nil for one) for good if they help.
func (k *walker) helps(a int, first *move, b int, second *move) bool {
	if !first.ok || second != nil && !second.ok {
		return false
	}
	for q := range k.try {
		for i, v := range k.resp[q] {
			v += first.delta[q][i]
			if second != nil {
				v += second.delta[q][i]
			}
			k.try[q][i] = v
		}
	}
	wasA, wasB := k.gains[a], k.gains[b]
	k.gains[a] = first.gain
	if second != nil {
		k.gains[b] = second.gain
	}
	if c := k.cost(k.try, k.gains); c < k.best*(1-1e-6) {
		k.best = c
		k.resp, k.try = k.try, k.resp
		k.prepare(a)
		if b != a {
			k.prepare(b)
		}
		return true
	}
	k.gains[b] = wasB
	k.gains[a] = wasA
	return false
}
