package fit

import (
	"math"
	"slices"
)

// lattice holds the steps of an equaliser.
type lattice struct {
	step, origin [3]float64 // in Hz, Q, dB; step 0: free
	octaves      bool       // the frequency's step and origin are in octaves (of 1 Hz)
}

// hz, q and gain as a user sees them.
func (f *fitter) value(u *unit, j int) float64 {
	switch j {
	case pFreq:
		return f.unwarp(u.p[pFreq])
	case pQ:
		return math.Exp(u.p[pQ])
	}
	return u.p[pGain]
}

func (f *fitter) set(u *unit, j int, v float64) {
	switch j {
	case pFreq:
		u.p[pFreq] = f.warp(v)
	case pQ:
		u.p[pQ] = math.Log(v)
	default:
		u.p[pGain] = v
	}
}

func (f *fitter) steps() lattice {
	l := lattice{step: [3]float64{f.o.FreqStepHz, f.o.QStep, f.o.GainStepDB}}
	if e := f.o.For; e != nil { // a described range starts on a step
		l.origin = [3]float64{e.FreqMinHz, e.QMin, e.GainMinDB}
		if e.FreqStepOctaves > 0 {
			l.octaves, l.step[pFreq], l.origin[pFreq] = true, e.FreqStepOctaves, math.Log2(f.o.FreqMinHz)
		}
	}
	if f.fixed != nil {
		l.step[pFreq] = 0
	}
	return l
}

func (f *fitter) limits(j int) (lo, hi float64) {
	switch j {
	case pFreq:
		return f.o.FreqMinHz, f.o.FreqMaxHz
	case pQ:
		return f.o.QMin, f.o.QMax
	}
	return f.o.GainMinDB, f.o.GainMaxDB
}

// snap returns the step next to v, n steps further, within the range.
func (f *fitter) snap(l lattice, j int, v float64, n int) float64 {
	lo, hi := f.limits(j)
	s, o := l.step[j], l.origin[j]
	octaves := l.octaves && j == pFreq
	if octaves {
		lo, hi, v = math.Log2(lo), math.Log2(hi), math.Log2(v)
	}
	k := math.Round((v-o)/s) + float64(n)
	const tiny = 1e-9
	k = max(k, math.Ceil((lo-o)/s-tiny))
	k = min(k, math.Floor((hi-o)/s+tiny))
	x := o + k*s
	if octaves {
		x = math.Exp2(x)
	}
	// Steps such as 0.1 should print as typed.
	return math.Round(x*1e9) / 1e9
}

// prune takes out bands that the rest can do without.
func (f *fitter) prune(p *problem) {
	for len(p.units) > 1 {
		best, loss := -1, math.Inf(1)
		for k := range p.units {
			q := p.clone()
			q.units = slices.Delete(q.units, k, k+1)
			q.respond()
			if c := q.cost(); c < loss {
				best, loss = k, c
			}
		}
		q := p.clone()
		q.units = slices.Delete(q.units, best, best+1)
		q.solve(settleIters, 1e-3)
		if q.rms() > f.enough {
			return
		}
		p.units, p.c = append(p.units[:0], q.units...), q.c
	}
}

// round fixes one parameter kind at a time, the coarsest in effect last: frequency and Q of the band that suffers least
// first, then the gains likewise, each time letting the rest adjust.
func (f *fitter) round(p *problem, l lattice, gainsFirst bool) {
	order := [][]int{{pFreq, pQ}, {pGain}}
	if gainsFirst {
		order[0], order[1] = order[1], order[0]
	}
	for _, kinds := range order {
		left := map[int]bool{}
		for k := range p.units {
			left[k] = true
		}
		for len(left) > 0 {
			bestK, bestCost := -1, math.Inf(1)
			for k := range p.units {
				if !left[k] {
					continue
				}
				old := p.units[k]
				for _, j := range kinds {
					if l.step[j] > 0 {
						f.set(&p.units[k], j, f.snap(l, j, f.value(&old, j), 0))
					}
				}
				p.respond()
				if c := p.cost(); c < bestCost {
					bestK, bestCost = k, c
				}
				p.units[k] = old
			}
			for _, j := range kinds {
				u := &p.units[bestK]
				if l.step[j] > 0 {
					f.set(u, j, f.snap(l, j, f.value(u, j), 0))
					u.fixed[j] = true
				}
			}
			delete(left, bestK)
			p.solve(4, 1e-3)
		}
	}
}

// costOf is the cost of a response with the level at its best, where the gains' squares add up to gains.
func (p *problem) costOf(resp []float64, gains float64) float64 {
	s, m, over := 0.0, 0.0, 0.0
	for i, r := range resp {
		e := r - p.want[i]
		s += p.weight[i] * e * e
		m += p.weight[i] * e
		if o := r - p.boost; o > 0 {
			over += o * o
		}
	}
	if p.level {
		s -= m * m
	} else {
		s += 2*m*p.c + p.c*p.c
	}
	return s + p.kappa*over + p.ridge*gains
}

// walk moves bands by single steps, one band at a time in up to three parameters, and pairs of gains against each other,
// while the cost falls.
func (f *fitter) walk(p *problem, l lattice, sweeps int) {
	n := len(p.x2)
	each := make([][]float64, len(p.units))
	total := make([]float64, n)
	for k := range p.units {
		each[k] = make([]float64, n)
		p.db(&p.units[k], each[k])
		for i, v := range each[k] {
			total[i] += v
		}
	}
	gains := 0.0
	for k := range p.units {
		gains += p.units[k].p[pGain] * p.units[k].p[pGain]
	}
	best := p.costOf(total, gains)
	trial, own := make([]float64, n), make([]float64, n)
	for range sweeps {
		moved := false
		for k := range p.units {
			for {
				var bestU unit
				found := false
				for m := range 27 {
					d := [3]int{m/9 - 1, m/3%3 - 1, m%3 - 1}
					u := p.units[k]
					same := true
					for j := range 3 {
						if d[j] == 0 || l.step[j] == 0 || p.units[k].fixed[j] && f.held()[j] {
							continue
						}
						n := d[j]
						if j == pFreq && !l.octaves { // a step must be worth something: about 3 %, at least one
							n *= max(1, int(0.03*f.value(&u, j)/l.step[j]))
						}
						f.set(&u, j, f.snap(l, j, f.value(&u, j), n))
						same = same && u.p[j] == p.units[k].p[j]
					}
					if same {
						continue
					}
					clear(own)
					p.db(&u, own)
					for i := range trial {
						trial[i] = total[i] - each[k][i] + own[i]
					}
					g := gains - p.units[k].p[pGain]*p.units[k].p[pGain] + u.p[pGain]*u.p[pGain]
					if c := p.costOf(trial, g); c < best*(1-1e-6) {
						best, bestU, found = c, u, true
					}
				}
				if !found {
					break
				}
				moved = true
				gains += bestU.p[pGain]*bestU.p[pGain] - p.units[k].p[pGain]*p.units[k].p[pGain]
				p.units[k] = bestU
				clear(own)
				p.db(&bestU, own)
				for i := range total {
					total[i] += own[i] - each[k][i]
					each[k][i] = own[i]
				}
			}
		}
		if l.step[pGain] > 0 && f.walkPairs(p, l, each, total, &gains, &best, p.costOf) {
			moved = true
		}
		if !moved {
			break
		}
	}
	if p.level {
		p.c = 0
		for i, r := range total {
			p.c -= p.weight[i] * (r - p.want[i])
		}
	}
}

// walkPairs moves two gains by a step each while that helps, and reports whether anything moved. It keeps each, total,
// gains and best, the unit levels, their sum, the sum of squared gains and the cost, in step.
func (f *fitter) walkPairs(p *problem, l lattice, each [][]float64, total []float64, gains, best *float64,
	costOf func(resp []float64, gains float64) float64) (moved bool) {
	n := len(p.x2)
	type step struct {
		u     unit
		delta []float64 // what the step changes, dB
		gain2 float64   // change of the sum of squared gains
		ok    bool
	}
	steps := make([][2]step, len(p.units))
	prepare := func(k int) {
		for i, d := range []int{1, -1} {
			s := &steps[k][i]
			s.u = p.units[k]
			g := s.u.p[pGain]
			s.u.p[pGain] = f.snap(l, pGain, g, d)
			if s.ok = s.u.p[pGain] != g; !s.ok {
				continue
			}
			s.delta = fit(s.delta, n)
			clear(s.delta)
			p.db(&s.u, s.delta)
			for i := range s.delta {
				s.delta[i] -= each[k][i]
			}
			s.gain2 = s.u.p[pGain]*s.u.p[pGain] - g*g
		}
	}
	for k := range p.units {
		prepare(k)
	}
	trial := make([]float64, n)
	for a := range p.units {
		for b := range a {
			for m := range 4 {
				s, t := &steps[a][m/2], &steps[b][m%2]
				if !s.ok || !t.ok {
					continue
				}
				for i := range trial {
					trial[i] = total[i] + s.delta[i] + t.delta[i]
				}
				g := *gains + s.gain2 + t.gain2
				if c := costOf(trial, g); c < *best*(1-1e-6) {
					*best, *gains, moved = c, g, true
					copy(total, trial)
					for i := range n {
						each[a][i] += s.delta[i]
						each[b][i] += t.delta[i]
					}
					p.units[a], p.units[b] = s.u, t.u
					prepare(a)
					prepare(b)
				}
			}
		}
	}
	return moved
}
