package dsp

import "math"

func (d *design) feasible() bool { return d.num.positive(d.vmax) && d.den.positive(d.vmax) }

// errors fills e with ln errors and returns the weighted sum of squares and the largest error inside the band, in dB.
func (d *design) errors(e, w []float64) (sum, worst float64) {
	for i, v := range d.v {
		x := math.Log(d.num.at(v)/d.den.at(v)) - d.want[i]
		e[i] = x
		sum += w[i] * x * x
		if d.weight[i] == 1 {
			worst = max(worst, math.Abs(x)*perNep)
		}
	}
	return sum, worst
}

// refine runs Levenberg-Marquardt from the quadratics at hand and leaves the best found.
func (d *design) refine() (worstDB float64, ok bool) {
	switch d.b.Shape {
	case LowCut: // no numerator beyond the double zero at 0 Hz; all of den is free
		d.free = []*float64{&d.den[0], &d.den[1], &d.den[2]}
	case Notch:
		d.free = []*float64{&d.den[1], &d.den[2]}
	default:
		d.free = []*float64{&d.den[1], &d.den[2], &d.num[1], &d.num[2]}
	}
	if !d.feasible() {
		return 0, false
	}
	n := len(d.v)
	f := &descent{d: d, e: make([]float64, n), trial: make([]float64, n), w: append([]float64(nil), d.weight...), lambda: 1e-3}
	f.sum, f.bestWorst = d.errors(f.e, f.w)
	f.bestNum, f.bestDen = d.num, d.den
	for round := range 14 {
		iters := 4
		if round == 0 {
			iters = 24
		}
		for range iters {
			if !f.step() {
				break
			}
		}
		if f.bestWorst < 0.001 || !f.reweigh() {
			break
		}
	}
	d.num, d.den = f.bestNum, f.bestDen
	return f.bestWorst, true
}

// descent is the state of one refinement.
type descent struct {
	d                *design
	e, trial         []float64 // ln errors at the coefficients at hand, and at those tried
	w                []float64 // weights at hand
	sum              float64   // weighted squares of e
	lambda           float64   // damping
	bestNum, bestDen quadratic
	bestWorst        float64 // dB
}

// normal returns the normal equations at the coefficients at hand, the right side in column 4.
func (f *descent) normal() (h [4][5]float64) {
	d, nf := f.d, len(f.d.free)
	for i, v := range d.v {
		rn, rd := 1/d.num.at(v), -1/d.den.at(v)
		var g [4]float64
		switch d.b.Shape {
		case LowCut:
			g = [4]float64{rd, v * rd, v * v * rd}
		case Notch:
			g = [4]float64{v * rd, v * v * rd}
		default:
			g = [4]float64{v * rd, v * v * rd, v * rn, v * v * rn}
		}
		for r := range nf {
			for c := range nf {
				h[r][c] += f.w[i] * g[r] * g[c]
			}
			h[r][4] -= f.w[i] * g[r] * f.e[i]
		}
	}
	return h
}

// step tries steps of rising damping and reports whether one helped noticeably.
func (f *descent) step() (moved bool) {
	d := f.d
	h := f.normal()
	var old, step [4]float64
	for k, p := range d.free {
		old[k] = *p
	}
	for range 8 {
		if !solve(h, len(d.free), f.lambda, &step) {
			f.lambda *= 10
			continue
		}
		for k, p := range d.free {
			*p = old[k] + step[k]
		}
		if d.feasible() {
			if sum, worst := d.errors(f.trial, f.w); sum < f.sum {
				moved = sum < f.sum*(1-1e-6)
				f.sum = sum
				f.e, f.trial = f.trial, f.e
				if worst < f.bestWorst {
					f.bestNum, f.bestDen, f.bestWorst = d.num, d.den, worst
				}
				f.lambda = max(f.lambda*0.2, 1e-12)
				return moved
			}
		}
		for k, p := range d.free {
			*p = old[k]
		}
		f.lambda *= 6
	}
	return false
}

// reweigh lets the points of large error weigh more in the next round: Lawson's way to the smallest worst error. It
// reports false where there is no error left.
func (f *descent) reweigh() bool {
	mean, total := 0.0, 0.0
	for i := range f.e {
		mean += f.w[i] * math.Abs(f.e[i])
		total += f.w[i]
	}
	mean /= total
	if mean == 0 {
		return false
	}
	for i := range f.w {
		if f.d.weight[i] == 1 {
			f.w[i] *= 0.15 + math.Abs(f.e[i])/mean
		}
	}
	norm := 0.0
	for i := range f.w {
		if f.d.weight[i] == 1 {
			norm = max(norm, f.w[i])
		}
	}
	for i := range f.w {
		if f.d.weight[i] == 1 {
			f.w[i] = max(f.w[i]/norm, 1e-6)
		}
	}
	f.sum, _ = f.d.errors(f.e, f.w)
	f.lambda = min(f.lambda, 1)
	return true
}

// solve solves the damped normal equations, scaled to unit diagonal, by elimination.
func solve(h [4][5]float64, n int, lambda float64, x *[4]float64) bool {
	var sc [4]float64
	for i := range n {
		if !(h[i][i] > 0) {
			return false
		}
		sc[i] = 1 / math.Sqrt(h[i][i])
	}
	for i := range n {
		for j := range n {
			h[i][j] *= sc[i] * sc[j]
		}
		h[i][4] *= sc[i]
		h[i][i] += lambda
	}
	for i := range n {
		for r := i + 1; r < n; r++ {
			f := h[r][i] / h[i][i]
			for c := i; c < n; c++ {
				h[r][c] -= f * h[i][c]
			}
			h[r][4] -= f * h[i][4]
		}
	}
	for i := n - 1; i >= 0; i-- {
		s := h[i][4]
		for c := i + 1; c < n; c++ {
			s -= h[i][c] * x[c]
		}
		x[i] = s / h[i][i]
	}
	for i := range n {
		x[i] *= sc[i]
		if math.IsNaN(x[i]) || math.IsInf(x[i], 0) {
			return false
		}
	}
	return true
}
