package dsp

import (
	"math"
	"math/cmplx"
)

// Matched returns the band's section by the design the engine runs: minimum phase, with the magnitude of the analog
// prototype (Band.Analog) kept up to 20 kHz at every rate. A gain of 0 dB gives the identity; a cut is exactly the
// inverse of the boost of the same size. The error is a *RangeError.
//
// A second-order section's squared magnitude is a ratio of two quadratics in u = sin²(ω/2), so the design works on
// those: it starts from impulse-invariant poles and zeros (z = e^(sT)), with the numerator then fitted by weighted linear
// least squares where those would alias, and refines both quadratics by Levenberg-Marquardt on the level error in dB,
// reweighted towards the smallest worst error. The level at 0 Hz stays exact throughout. Quadratics without a zero
// on the unit circle factor into a stable, minimum-phase section, and a step that would breach this is refused.
// Published kin: S. J. Orfanidis, JAES 45(6), 1997; M. Vicanek, "Matched Second Order Digital Filters", 2016; the
// fit of both quadratics is this project's own.
func Matched(b Band, rateHz float64) (Section, error) {
	if err := b.Check(); err != nil {
		return Section{}, err
	}
	if err := checkRate(rateHz); err != nil {
		return Section{}, err
	}
	if b.Shape.HasGain() {
		if b.GainDB == 0 {
			return Section{B0: 1}, nil
		}
		if b.GainDB < 0 {
			b.GainDB = -b.GainDB
			s, _ := newDesign(b, rateHz).best()
			return s.inverse(), nil
		}
	}
	s, _ := newDesign(b, rateHz).best()
	return s, nil
}

// Realise returns the sections that a chain runs for a band: that of Matched, and a second one where two poles and two
// zeros leave more than 0.3 dB up to 20 kHz. Those are strongly resonant shelves and low-cuts high in the band, and
// wide notches at its edge, at rates near 44.1 kHz. The error is a *RangeError.
func Realise(b Band, rateHz float64) ([]Section, error) {
	if err := b.Check(); err != nil {
		return nil, err
	}
	if err := checkRate(rateHz); err != nil {
		return nil, err
	}
	cut := false
	if b.Shape.HasGain() {
		if b.GainDB == 0 {
			return []Section{{B0: 1}}, nil
		}
		cut = b.GainDB < 0
		b.GainDB = math.Abs(b.GainDB)
	}
	d := newDesign(b, rateHz)
	s, worst := d.best()
	out := []Section{s}
	if worst > 0.3 {
		if pair, ok := d.companion(rateHz, worst); ok {
			out = pair
		}
	}
	if cut {
		for i := range out {
			out[i] = out[i].inverse()
		}
	}
	return out, nil
}

func (s Section) inverse() Section {
	g := 1 / s.B0
	return Section{g, s.A1 * g, s.A2 * g, s.B1 * g, s.B2 * g}
}

// companion fits a second section to what d leaves, then both in turn. It reports false if that does not help.
func (d *design) companion(rateHz, worst float64) ([]Section, bool) {
	want := d.want
	left := func(num, den quadratic, from []float64) []float64 {
		r := make([]float64, len(from))
		for i, v := range d.v {
			r[i] = from[i] - math.Log(num.at(v)/den.at(v))
		}
		return r
	}
	first := *d
	resid := left(d.num, d.den, want)
	at, big := 0, 0.0
	for i, x := range resid {
		if d.weight[i] == 1 && math.Abs(x) > big {
			at, big = i, math.Abs(x)
		}
	}
	freq := math.Asin(min(1, math.Sqrt(d.v[at]*d.u0))) / math.Pi * rateHz
	var out []Section
	best := 0.8 * worst
	// Above the band a good fit below could be bought with a peak that nobody asked for.
	over := func(num, den quadratic, from []float64) (most float64) {
		for i, x := range left(num, den, from) {
			if d.weight[i] != 1 {
				most = max(most, -x)
			}
		}
		return most
	}
	limit := max(5/perNep, over(first.num, first.den, want))
	tame := func(a, c *design) bool { return over(a.num, a.den, left(c.num, c.den, want)) <= limit }
	turns := func(a, c design) {
		for range 10 {
			c.want = left(a.num, a.den, want)
			e, ok := c.refine()
			if !ok {
				return
			}
			try := func(e float64) {
				if e >= best || !tame(&a, &c) {
					return
				}
				x, okx := a.section()
				y, oky := c.section()
				if okx && oky {
					best, out = e, []Section{x, y}
				}
			}
			try(e)
			a.want = left(c.num, c.den, want)
			if e, ok = a.refine(); ok {
				try(e)
			}
			if best < 0.1 {
				return
			}
		}
	}
	// Poles and zeros where they belong leave only their missing images: a smooth rest, for the companion's zeros or
	// its poles.
	for _, inverse := range []bool{false, true} {
		a, c := first, first
		zeros, poles, hasZeros := d.b.analogSides()
		a.den = a.matchedZ(poles, 0.97)
		if hasZeros {
			g0 := a.num[0]
			a.num = a.matchedZ(zeros, 0.97)
			for i := range a.num {
				a.num[i] *= g0
			}
		}
		c.b = Band{Shape: Bell, FreqHz: d.b.FreqHz}
		c.want = left(a.num, a.den, want)
		c.num, c.den = quadratic{1, 0, 0}, quadratic{1, 0, 0}
		side := &c.num
		if inverse {
			side = &c.den
			for i := range c.want {
				c.want[i] = -c.want[i]
			}
		}
		if q, ok := c.linear(1, quadratic{1, 0, 0}); ok {
			*side = q
			turns(a, c)
		}
		if best < 0.2 {
			break
		}
	}
	for _, q := range []float64{0.5, 1.5, 5} {
		if best < 0.2 {
			break
		}
		a, c := first, first
		c.b = Band{Shape: Bell, FreqHz: freq, Q: q, GainDB: resid[at] * perNep}
		zeros, poles, _ := c.b.analogSides()
		for i := range zeros {
			zeros[i] *= complex(freq/d.b.FreqHz, 0)
			poles[i] *= complex(freq/d.b.FreqHz, 0)
		}
		c.num, c.den = c.matchedZ(zeros, 0.97), c.matchedZ(poles, 0.97)
		turns(a, c)
	}
	return out, out != nil
}

// quadratic is c0 + c1·v + c2·v², the squared magnitude of one side of a section; v = u/u0.
type quadratic [3]float64

func (q quadratic) at(v float64) float64 { return q[0] + v*(q[1]+v*q[2]) }

// positive reports whether q > 0 for 0 < v ≤ vmax, with a margin that rounding cannot eat. Zeros at v = 0 are let pass
// by calling it with the quotient.
func (q quadratic) positive(vmax float64) bool {
	for _, c := range q {
		if math.IsNaN(c) || math.IsInf(c, 0) {
			return false
		}
	}
	if !(q[0] > 0) || !(q.at(vmax) > 1e-9*(q[0]+math.Abs(q[1])*vmax+math.Abs(q[2])*vmax*vmax)) {
		return false
	}
	if q[2] > 0 && q[1] < 0 {
		if m := -q[1] / (2 * q[2]); m < vmax {
			return q[0]*q[2]*4-q[1]*q[1] > 1e-9*q[1]*q[1]
		}
	}
	return true
}

// factor returns the minimum-phase polynomial g·(1 + p1·z⁻¹ + p2·z⁻²) of squared magnitude q.
func (q quadratic) factor(u0 float64) (g, p1, p2 float64) {
	// Roots in w = u0/u rather than u: a vanishing c2 then only moves a root to w = 0, that is z = 0.
	b, d := -q[1]/(2*q[0]), q[1]*q[1]/(4*q[0]*q[0])-q[2]/q[0]
	var z [2]complex128
	if d < 0 {
		w := complex(b, math.Sqrt(-d))
		z[0] = inside(w, u0)
		z[1] = cmplx.Conj(z[0])
	} else {
		w := b + math.Copysign(math.Sqrt(d), b)
		z[0] = inside(complex(w, 0), u0)
		if w != 0 {
			z[1] = inside(complex(q[2]/q[0]/w, 0), u0)
		}
	}
	p1, p2 = -real(z[0]+z[1]), real(z[0]*z[1])
	// sqrt(q(0)) = g·(1-z0)(1-z1)
	g = math.Sqrt(q[0]) / real((1-z[0])*(1-z[1]))
	return g, p1, p2
}

// inside returns the z within the unit circle for which sin²(ω/2) = u0/w.
func inside(w complex128, u0 float64) complex128 {
	if w == 0 {
		return 0
	}
	t := 2 * cmplx.Asinh(cmplx.Sqrt(-complex(u0, 0)/w))
	if real(t) > 0 {
		t = -t
	}
	z := cmplx.Exp(t)
	if imag(w) == 0 {
		z = complex(real(z), 0)
	}
	return z
}

// design is one fit. The squared magnitude is num(v)/den(v), times v² for a low-cut; a notch's numerator is (1-v)².
type design struct {
	b      Band
	u0     float64 // sin²(ω0/2), the unit of v
	vmax   float64
	v      []float64 // grid
	want   []float64 // ln of the squared magnitude wanted, less the fixed part
	weight []float64
	free   []*float64 // the coefficients that may move
	num    quadratic
	den    quadratic
}

const (
	topHz  = 20000.0 // the top of the band: fitted with full weight up to here
	perNep = 20 / (2 * math.Ln10)
)

func newDesign(b Band, rateHz float64) *design {
	d := &design{b: b}
	sin := func(f float64) float64 { s := math.Sin(math.Pi * f / rateHz); return s * s }
	d.u0 = sin(b.FreqHz)
	d.vmax = 1 / d.u0
	a := math.Pow(10, b.GainDB/40)
	lo := b.FreqHz / 30
	add := func(f, w float64) {
		v := sin(f) / d.u0
		var fixed float64
		x := f / b.FreqHz
		m := b.Analog(f)
		l := 2 * math.Log(cmplx.Abs(m))
		switch b.Shape {
		case LowCut:
			fixed = 2 * math.Log(v)
			l = -math.Log((x*x-1)*(x*x-1)+x*x/(b.Q*b.Q)) + 4*math.Log(x)
		case Notch:
			// the zero is common to both: compare what is left
			if math.Abs(x-1) < 1e-6 {
				return
			}
			fixed = 2 * math.Log(math.Abs(1-v))
		}
		d.v = append(d.v, v)
		d.want = append(d.want, l-fixed)
		d.weight = append(d.weight, w)
	}
	nyq := rateHz / 2
	top := min(topHz, nyq)
	const n = 48
	for i := range n {
		add(lo*math.Pow(top/lo, (float64(i)+0.5)/n), 1)
	}
	for i := 0; i <= n/2; i++ { // the top octaves decide the worst error
		if f := top * (0.3 + 0.7*float64(i)/(n/2)); f > lo {
			add(f, 1)
		}
	}
	for _, c := range []float64{1 / math.Sqrt(a), 1, math.Sqrt(a)} { // resonances
		for k := -4; k <= 4; k++ {
			if f := b.FreqHz * c * math.Pow(2, float64(k)/(4*b.Q+1)); f < top {
				add(f, 1)
			}
		}
	}
	if b.Shape == Notch { // its flanks right up to the zero
		for _, k := range []float64{0.96, 0.98, 0.99, 0.995, 0.999} {
			add(b.FreqHz*k, 1)
		}
	}
	for i := 1; i < 8; i++ { // above the band: enough to keep the response tame
		add(top+(nyq-top)*float64(i)/8, 0.02)
	}
	return d
}

// analogSides returns the analog zeros and poles, s in units of 2π·FreqHz, and whether there are zeros to match.
func (b Band) analogSides() (zeros, poles [2]complex128, hasZeros bool) {
	a := math.Pow(10, b.GainDB/40)
	roots := func(c2, c1, c0 float64) [2]complex128 {
		h, m := c1/(2*c2), c0/c2
		if d := h*h - m; d >= 0 {
			r := -h - math.Sqrt(d)
			return [2]complex128{complex(r, 0), complex(m/r, 0)}
		} else {
			return [2]complex128{complex(-h, math.Sqrt(-d)), complex(-h, -math.Sqrt(-d))}
		}
	}
	q := b.Q
	switch b.Shape {
	case Bell:
		return roots(1, a/q, 1), roots(1, 1/(a*q), 1), true
	case LowShelf:
		r := math.Sqrt(a) / q
		return roots(1, r, a), roots(a, r, 1), true
	case HighShelf:
		r := math.Sqrt(a) / q
		return roots(a, r, 1), roots(1, r, a), true
	}
	return zeros, roots(1, 1/q, 1), false
}

// matchedZ returns the quadratic with roots z = e^(sT), 1 at v = 0. Roots beyond nyquist are brought below it.
func (d *design) matchedZ(s [2]complex128, clip float64) quadratic {
	w0 := 2 * math.Asin(math.Sqrt(d.u0))
	var w [2]complex128 // u0/u of each root
	for i, r := range s {
		t := r * complex(w0, 0)
		if lim := clip * math.Pi; math.Abs(imag(t)) > lim {
			t = complex(real(t), math.Copysign(lim, imag(t)))
		}
		if real(t) < -12 {
			t = complex(-12, imag(t))
		}
		sh := cmplx.Sinh(t / 2)
		w[i] = -complex(d.u0, 0) / (sh * sh)
	}
	return quadratic{1, -real(w[0] + w[1]), real(w[0] * w[1])}
}

// best tries the starting points and returns the section with the smallest worst error.
func (d *design) best() (best Section, worst float64) {
	zeros, poles, hasZeros := d.b.analogSides()
	g0 := 1.0 // squared magnitude at 0 Hz
	if d.b.Shape == LowShelf {
		g0 = Ratio(2 * d.b.GainDB)
	}
	worst = math.Inf(1)
	var bestNum, bestDen quadratic
	try := func(num, den quadratic) {
		d.num, d.den = num, den
		e, ok := d.refine()
		if !ok || e >= worst {
			return
		}
		if s, ok := d.section(); ok {
			best, worst = s, e
			bestNum, bestDen = d.num, d.den
		}
	}
	for _, clip := range []float64{0.97, 0.8} {
		den := d.matchedZ(poles, clip)
		switch {
		case hasZeros:
			num := d.matchedZ(zeros, clip)
			for k := range num {
				num[k] *= g0
			}
			try(num, den)
			if worst > 0.002 {
				if lin, ok := d.linear(g0, den); ok {
					try(lin, den)
				}
			}
		case d.b.Shape == LowCut, d.b.Shape == Notch:
			try(quadratic{1, 0, 0}, den)
		case d.b.Shape == HighCut:
			try(quadratic{1, 0, 0}, den)
			if worst > 0.002 {
				if lin, ok := d.linear(1, den); ok {
					try(lin, den)
				}
			}
		}
		if worst < 0.01 {
			break
		}
	}
	if math.IsInf(worst, 1) || worst > 0.3 { // also from the bilinear form, feasible by construction
		num, den := d.bilinear()
		try(num, den)
	}
	d.num, d.den = bestNum, bestDen
	return best, worst
}

// bilinear returns the quadratics of the bilinear form: tan²(ω/2) = u/(1-u) put into the analog squared magnitude.
func (d *design) bilinear() (num, den quadratic) {
	a := math.Pow(10, d.b.GainDB/40)
	q := d.b.Q
	k := d.u0 / (1 - d.u0) // tan²(ω0/2)
	// c2·X² + c1·X + c0 with X = v·u0/((1-v·u0)·k), over the common (1-v·u0)²
	conv := func(c0, c1, c2 float64) quadratic {
		r := d.u0
		p := r / k
		return quadratic{c0, -2*r*c0 + c1*p, r*r*c0 - c1*p*r + c2*p*p}
	}
	one := conv(1, 1/(q*q)-2, 1)
	switch d.b.Shape {
	case Bell:
		return conv(1, a*a/(q*q)-2, 1), conv(1, 1/(a*a*q*q)-2, 1)
	case LowShelf:
		return conv(a*a*a*a, a*a*(a/(q*q)-2*a), a*a), conv(1, a/(q*q)-2*a, a*a)
	case HighShelf:
		n, e := conv(1, a/(q*q)-2*a, a*a), conv(a*a, a/(q*q)-2*a, 1)
		for i := range n { // H = a·n/e; 1 at v = 0
			n[i] *= a * a / e[0]
		}
		z := e[0]
		for i := range e {
			e[i] /= z
		}
		return n, e
	case HighCut:
		return conv(1, 0, 0), one
	}
	return quadratic{1, 0, 0}, one
}

// linear fits the numerator to den by weighted linear least squares on the relative error, DC fixed.
func (d *design) linear(g0 float64, den quadratic) (quadratic, bool) {
	var m [2][3]float64
	for i, v := range d.v {
		t := math.Exp(d.want[i]) * den.at(v)
		if !(t > 0) {
			return quadratic{}, false
		}
		x, y, r := v/t, v*v/t, 1-g0/t
		w := d.weight[i]
		m[0][0] += w * x * x
		m[0][1] += w * x * y
		m[1][1] += w * y * y
		m[0][2] += w * x * r
		m[1][2] += w * y * r
	}
	det := m[0][0]*m[1][1] - m[0][1]*m[0][1]
	q := quadratic{g0, (m[0][2]*m[1][1] - m[0][1]*m[1][2]) / det, (m[0][0]*m[1][2] - m[0][1]*m[0][2]) / det}
	return q, q.positive(d.vmax)
}

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
	nf := len(d.free)
	n := len(d.v)
	e, e2, w := make([]float64, n), make([]float64, n), append([]float64(nil), d.weight...)
	sum, worst := d.errors(e, w)
	bestNum, bestDen, bestWorst := d.num, d.den, worst
	lambda := 1e-3
	var old, step [4]float64
	for round := range 14 {
		iters := 4
		if round == 0 {
			iters = 24
		}
		for range iters {
			var h [4][5]float64
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
						h[r][c] += w[i] * g[r] * g[c]
					}
					h[r][4] -= w[i] * g[r] * e[i]
				}
			}
			moved := false
			for k, p := range d.free {
				old[k] = *p
			}
			for range 8 {
				if !solve(h, nf, lambda, &step) {
					lambda *= 10
					continue
				}
				for k, p := range d.free {
					*p = old[k] + step[k]
				}
				if d.feasible() {
					if s2, w2 := d.errors(e2, w); s2 < sum {
						moved = s2 < sum*(1-1e-6)
						sum = s2
						e, e2 = e2, e
						if w2 < bestWorst {
							bestNum, bestDen, bestWorst = d.num, d.den, w2
						}
						lambda = max(lambda*0.2, 1e-12)
						break
					}
				}
				for k, p := range d.free {
					*p = old[k]
				}
				lambda *= 6
			}
			if !moved {
				break
			}
		}
		if bestWorst < 0.001 {
			break
		}
		// Lawson's reweighting: the points of large error weigh more in the next round.
		mean, total := 0.0, 0.0
		for i := range e {
			mean += w[i] * math.Abs(e[i])
			total += w[i]
		}
		mean /= total
		if mean == 0 {
			break
		}
		for i := range w {
			if d.weight[i] == 1 {
				w[i] *= 0.15 + math.Abs(e[i])/mean
			}
		}
		norm := 0.0
		for i := range w {
			if d.weight[i] == 1 {
				norm = max(norm, w[i])
			}
		}
		for i := range w {
			if d.weight[i] == 1 {
				w[i] = max(w[i]/norm, 1e-6)
			}
		}
		sum, _ = d.errors(e, w)
		lambda = min(lambda, 1)
	}
	d.num, d.den = bestNum, bestDen
	return bestWorst, true
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

// section factors both sides; false if rounding left it unstable.
func (d *design) section() (Section, bool) {
	ga, a1, a2 := d.den.factor(d.u0)
	var gb, b1, b2 float64
	switch d.b.Shape {
	case LowCut: // v² = ((1-z⁻¹)²/(4·u0))²
		gb, b1, b2 = 1/(4*d.u0), -2, 1
	case Notch: // (1-v)² = ((1 - 2·cos(ω0)·z⁻¹ + z⁻²)/(4·u0))²
		gb, b1, b2 = 1/(4*d.u0), -2*(1-2*d.u0), 1
	default:
		gb, b1, b2 = d.num.factor(d.u0)
	}
	g := gb / ga
	s := Section{g, g * b1, g * b2, a1, a2}
	return s, math.Abs(a2) < 1 && math.Abs(a1) < 1+a2 && !math.IsNaN(g)
}
