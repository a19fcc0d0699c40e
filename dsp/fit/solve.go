package fit

import (
	"math"

	"cushwright/dsp"
)

// unit is a band while it is fitted: its frequency and Q as logarithms, so that steps are ratios.
type unit struct {
	shape dsp.Shape
	p     [3]float64 // ln of the (warped) frequency, ln Q, gain in dB
	fixed [3]bool
}

const (
	pFreq = iota
	pQ
	pGain
)

// problem is one weighted least-squares problem on a set of points: the levels of units plus a constant level shall meet
// want. Frequencies are warped by tan(π·f/rate) for bilinear responses, which makes them the analog prototype's.
type problem struct {
	x2     []float64 // square of the warped frequency
	lnx    []float64
	want   []float64
	weight []float64 // sums to 1
	boost  float64   // dB the units together must not exceed
	kappa  float64   // weight of exceeding it, per point
	level  bool      // the constant level is free
	ridge  float64   // per dB² of gain: keeps bands from growing against each other
	still  float64   // per dB² of the constant level: keeps it from doing what shelves could
	lo, hi [3]float64

	units []unit
	c     float64 // constant level, dB

	resp []float64 // what respond has found
	*scratch
}

// scratch is the memory that one step of the work needs and the next may overwrite. Clones share it, for one goroutine.
type scratch struct {
	num, den       []float64
	jac, ata, chol []float64
	atb, step, dia []float64
	w, r, col      []float64
	old            []unit
	index          []int
}

// clone returns a copy with units and response of its own, for the same goroutine.
func (p *problem) clone() *problem {
	q := *p
	q.units = append(make([]unit, 0, cap(p.units)), p.units...)
	q.resp = nil
	return &q
}

// fork returns a clone for another goroutine.
func (p *problem) fork() *problem {
	q := p.clone()
	q.scratch = &scratch{}
	return q
}

const (
	tenLog = 10 / math.Ln10
	lnA    = math.Ln10 / 40 // d ln A / d gain
)

// prototype holds what numerator and denominator of |H|² need at x = (f/f0)².
// Source of the prototypes: R. Bristow-Johnson, "Audio EQ Cookbook", W3C Note, 8 June 2021.
type prototype struct {
	shape      dsp.Shape
	inv        float64 // 1/f0²
	a, ka, kb  float64 // bell: ka = A²/Q², kb = 1/(A²Q²); shelf: a = A, ka = kb = A/Q²
	constantDB float64 // shelves: 20·log10(A)
}

func (u *unit) prototype() prototype {
	a := math.Exp(u.p[pGain] * lnA)
	q2 := math.Exp(-2 * u.p[pQ])
	pr := prototype{shape: u.shape, inv: math.Exp(-2 * u.p[pFreq]), a: a}
	if u.shape == dsp.Bell {
		pr.ka, pr.kb = a*a*q2, q2/(a*a)
	} else {
		pr.ka, pr.kb = a*q2, a*q2
		pr.constantDB = u.p[pGain] / 2
	}
	return pr
}

// multiply multiplies numerator and denominator of |H|² at the squared warped frequencies into num and den, constantDB left out.
func (pr *prototype) multiply(x2, num, den []float64) {
	num, den = num[:len(x2)], den[:len(x2)]
	switch pr.shape {
	case dsp.Bell:
		for i, x := range x2 {
			x *= pr.inv
			t := (1 - x) * (1 - x)
			num[i] *= t + x*pr.ka
			den[i] *= t + x*pr.kb
		}
		return
	case dsp.HighShelf:
		num, den = den, num
	}
	for i, x := range x2 {
		x *= pr.inv
		n, d := pr.a-x, 1-pr.a*x
		num[i] *= n*n + x*pr.ka
		den[i] *= d*d + x*pr.ka
	}
}

// db adds one unit's level at every point to out.
func (p *problem) db(u *unit, out []float64) {
	n := len(p.x2)
	p.num, p.den = fit(p.num, n), fit(p.den, n)
	for i := range n {
		p.num[i], p.den[i] = 1, 1
	}
	pr := u.prototype()
	pr.multiply(p.x2, p.num, p.den)
	for i := range n {
		out[i] += pr.constantDB + tenLog*math.Log(p.num[i]/p.den[i])
	}
}

// respond fills resp with the level of all units.
func (p *problem) respond() {
	n := len(p.x2)
	p.resp, p.num, p.den = fit(p.resp, n), fit(p.num, n), fit(p.den, n)
	resp, num, den := p.resp, p.num[:n], p.den[:n]
	for i := range resp {
		resp[i] = 1
		num[i], den[i] = 1, 1
	}
	c := 0.0
	for k := range p.units {
		pr := p.units[k].prototype()
		c += pr.constantDB
		pr.multiply(p.x2, num, den)
		// Six bands cannot leave float64's range, nor can what 64 of them make of a response.
		if k%6 == 5 || k == len(p.units)-1 {
			for i := range resp {
				resp[i] *= num[i] / den[i]
				num[i], den[i] = 1, 1
			}
		}
	}
	for i, m := range resp {
		resp[i] = c + tenLog*math.Log(m)
	}
}

func fit(v []float64, n int) []float64 {
	if cap(v) < n {
		return make([]float64, n)
	}
	return v[:n]
}

// cost is the objective at the current response.
func (p *problem) cost() float64 {
	s := 0.0
	for i, r := range p.resp {
		e := r + p.c - p.want[i]
		s += p.weight[i] * e * e
		if o := r - p.boost; o > 0 {
			s += p.kappa * o * o
		}
	}
	for k := range p.units {
		g := p.units[k].p[pGain]
		s += p.ridge * g * g
	}
	if p.level {
		s += p.still * p.c * p.c
	}
	return s
}

// gradient writes the derivative of one unit's level by its three parameters at every point, dB per unit.
func (p *problem) gradient(u *unit, jf, jq, jg []float64) {
	pr := u.prototype()
	a := pr.a
	for i, x2 := range p.x2 {
		x := x2 * pr.inv
		if u.shape == dsp.Bell {
			t := 1 - x
			num, den := t*t+x*pr.ka, t*t+x*pr.kb
			both := 1 / (num * den) // one division instead of two
			rn, rd := both*den, both*num
			jf[i] = tenLog * -2 * x * ((-2*t+pr.ka)*rn - (-2*t+pr.kb)*rd)
			jq[i] = tenLog * -2 * x * (pr.ka*rn - pr.kb*rd)
			jg[i] = tenLog * lnA * 2 * x * (pr.ka*rn + pr.kb*rd)
			continue
		}
		n, d := a-x, 1-a*x
		num, den := n*n+x*pr.ka, d*d+x*pr.ka
		both := 1 / (num * den)
		rn, rd := both*den, both*num
		f := -2 * x * ((-2*n+pr.ka)*rn - (-2*a*d+pr.ka)*rd)
		q := -2 * x * pr.ka * (rn - rd)
		g := lnA * ((2*n*a+x*pr.ka)*rn - (-2*a*x*d+x*pr.ka)*rd)
		if u.shape == dsp.HighShelf {
			f, q, g = -f, -q, -g
		}
		jf[i], jq[i] = tenLog*f, tenLog*q
		jg[i] = tenLog*g + 0.5 // the constant: 20·log10(A) = gain/2
	}
}

// normal fills the normal equations of np parameters, and of the level where that is free: nc columns.
func (p *problem) normal(np, nc int) {
	n := len(p.x2)
	p.jac = fit(p.jac, 3*len(p.units)*n)
	for k := range p.units {
		j := p.jac[3*k*n:]
		p.gradient(&p.units[k], j[:n], j[n:2*n], j[2*n:3*n])
	}
	p.atb = fit(p.atb, nc)
	p.ata = fit(p.ata, nc*nc)
	clear(p.atb)
	clear(p.ata)
	// Combined weight and residual of the two terms at each point.
	p.w, p.r, p.col = fit(p.w, n), fit(p.r, n), fit(p.col, 2*n)
	w, r, col := p.w, p.r, p.col
	for i := range n {
		e := p.resp[i] + p.c - p.want[i]
		w[i] = p.weight[i]
		r[i] = p.weight[i] * e
		if o := p.resp[i] - p.boost; o > 0 {
			w[i] += p.kappa
			r[i] += p.kappa * o
		}
	}
	column := func(a int) []float64 { return p.jac[p.index[a]*n : p.index[a]*n+n] }
	for a := range np {
		ja := column(a)
		p.atb[a] = dot(ja, r)
		if p.level {
			p.ata[np*nc+a] = dot(ja, p.weight)
		}
	}
	for a := 0; a < np; a += 2 { // two rows and two columns at a time share their loads
		k := min(a+1, np-1) // an odd number of rows: the last one twice
		ja, jk := column(a), column(k)
		for i, v := range w {
			col[i], col[n+i] = v*ja[i], v*jk[i]
		}
		for b := 0; b <= a; b += 2 {
			l := min(b+1, np-1)
			p.ata[a*nc+b], p.ata[a*nc+l], p.ata[k*nc+b], p.ata[k*nc+l] = dots(col[:n], col[n:2*n], column(b), column(l))
		}
	}
	for a := range np {
		if p.index[a]%3 == pGain {
			p.atb[a] += p.ridge * p.units[p.index[a]/3].p[pGain]
			p.ata[a*nc+a] += p.ridge
		}
	}
	if p.level {
		s := p.still * p.c
		for i := range n {
			s += p.weight[i] * (p.resp[i] + p.c - p.want[i])
		}
		p.atb[np] = s
		p.ata[np*nc+np] = 1 + p.still
	}
}

// holdAtBounds holds each parameter whose bound the descent would cross.
func (p *problem) holdAtBounds(np, nc int) {
	for a := range np {
		k, j := p.index[a]/3, p.index[a]%3
		v := p.units[k].p[j]
		if v <= p.lo[j] && p.atb[a] > 0 || v >= p.hi[j] && p.atb[a] < 0 {
			p.atb[a] = 0
			for b := range nc {
				if b <= a {
					p.ata[a*nc+b] = 0
				} else {
					p.ata[b*nc+a] = 0
				}
			}
			p.ata[a*nc+a] = 1
		}
	}
}

// move takes the step that the normal equations gave, held within the bounds.
func (p *problem) move(np int) {
	for a := range np {
		k, j := p.index[a]/3, p.index[a]%3
		d := -p.step[a]
		switch j { // no leap that the linear picture cannot bear
		case pFreq, pQ:
			d = min(max(d, -0.7), 0.7)
		default:
			d = min(max(d, -8), 8)
		}
		p.units[k].p[j] = min(max(p.units[k].p[j]+d, p.lo[j]), p.hi[j])
	}
	if p.level {
		p.c -= p.step[np]
	}
}

// solve runs at most iters Levenberg–Marquardt steps from where the units stand and returns the cost reached. Parameters
// stay within their bounds: one that is pushed outward is held for the step.
// Source: D. W. Marquardt, SIAM J. Appl. Math. 11 (1963), scaling by the diagonal.
func (p *problem) solve(iters int, tol float64) float64 {
	p.respond()
	best := p.cost()
	mu := 1e-3
	for range iters {
		// The free parameters.
		p.index = p.index[:0]
		for k := range p.units {
			for j := range 3 {
				if !p.units[k].fixed[j] {
					p.index = append(p.index, 3*k+j)
				}
			}
		}
		np := len(p.index)
		nc := np
		if p.level {
			nc++
		}
		if nc == 0 {
			return best
		}
		p.normal(np, nc)
		p.holdAtBounds(np, nc)
		improved := false
		gain := 0.0
		p.old = append(p.old[:0], p.units...)
		oldC := p.c
		for range 8 {
			if !p.cholesky(nc, mu) {
				mu *= 10
				continue
			}
			p.move(np)
			p.respond()
			c := p.cost()
			if c < best {
				gain = best - c
				best = c
				improved = true
				mu = max(mu/5, 1e-9)
				break
			}
			copy(p.units, p.old)
			p.c = oldC
			mu *= 4
		}
		if !improved {
			p.respond()
			return best
		}
		if gain < max(tol*best, 1e-8) {
			return best
		}
	}
	return best
}

// dot is the inner product, four sums at a time since one sum would wait for itself.
func dot(a, b []float64) float64 {
	var s0, s1, s2, s3 float64
	b = b[:len(a)]
	for len(a) >= 4 && len(b) >= 4 {
		s0 += a[0] * b[0]
		s1 += a[1] * b[1]
		s2 += a[2] * b[2]
		s3 += a[3] * b[3]
		a, b = a[4:], b[4:]
	}
	for i := range a {
		s0 += a[i] * b[i]
	}
	return s0 + s1 + s2 + s3
}

// dots are the four inner products of a and c with b and d.
func dots(a, c, b, d []float64) (ab, ad, cb, cd float64) {
	b, c, d = b[:len(a)], c[:len(a)], d[:len(a)]
	for i, x := range a {
		y, u, v := c[i], b[i], d[i]
		ab += x * u
		ad += x * v
		cb += y * u
		cd += y * v
	}
	return ab, ad, cb, cd
}

// cholesky solves (AᵀA + mu·diag)·step = Aᵀb; false if the matrix is not positive definite.
func (p *problem) cholesky(n int, mu float64) bool {
	p.chol = fit(p.chol, n*n)
	p.step = fit(p.step, n)
	copy(p.chol, p.ata[:n*n])
	l := p.chol
	for i := range n {
		l[i*n+i] += mu*l[i*n+i] + 1e-12
	}
	p.dia = fit(p.dia, n) // one over the diagonal
	for i := range n {
		li := l[i*n : i*n+i+1]
		for j := 0; j+1 < i; j += 2 { // two columns at a time share their loads
			lj, lk := l[j*n:j*n+j+1], l[(j+1)*n:(j+1)*n+j+2]
			s, u := li[j], li[j+1]
			for k, x := range li[:j] {
				s -= x * lj[k]
				u -= x * lk[k]
			}
			li[j] = s * p.dia[j]
			li[j+1] = (u - li[j]*lk[j]) * p.dia[j+1]
		}
		if i%2 == 1 {
			j := i - 1
			lj := l[j*n : j*n+j+1]
			s := li[j]
			for k, x := range li[:j] {
				s -= x * lj[k]
			}
			li[j] = s * p.dia[j]
		}
		s := li[i] - dot(li[:i], li[:i])
		if !(s > 0) {
			return false
		}
		li[i] = math.Sqrt(s)
		p.dia[i] = 1 / li[i]
	}
	for i := range n {
		s := p.atb[i]
		for k := range i {
			s -= l[i*n+k] * p.step[k]
		}
		p.step[i] = s / l[i*n+i]
	}
	for i := n - 1; i >= 0; i-- {
		s := p.step[i]
		for k := i + 1; k < n; k++ {
			s -= l[k*n+i] * p.step[k]
		}
		p.step[i] = s / l[i*n+i]
	}
	return true
}
