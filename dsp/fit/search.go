package fit

import (
	"math"
	"slices"
	"sort"
	"sync"

	"cushwright/dsp"
)

// candidate is a band worth trying and the cost it would save in the linear picture.
type candidate struct {
	u    unit
	save float64
}

// candidates lists bands by what they would save, best first, at most n, those of one shape at least half an octave apart.
// There is never more than one shelf of a kind, since many equalisers have them at the ends only.
func (f *fitter) candidates(p *problem, n int) []candidate {
	p.respond()
	r := make([]float64, len(p.x2))
	for i := range r {
		r[i] = p.weight[i] * (p.want[i] - p.resp[i] - p.c)
	}
	per := make([]candidate, 0, len(f.templates))
	for k := range f.templates {
		t := &f.templates[k]
		if t.u.shape != dsp.Bell && slices.ContainsFunc(p.units, func(u unit) bool { return u.shape == t.u.shape }) ||
			f.fixed != nil && slices.ContainsFunc(p.units, func(u unit) bool { return u.p[pFreq] == t.u.p[pFreq] }) {
			continue
		}
		num, den := dot(t.shape, r), t.power
		g := min(max(num/den, p.lo[pGain], -8), p.hi[pGain], 8)
		c := candidate{t.u, 2*g*num - g*g*den}
		c.u.p[pGain] = g
		per = append(per, c)
	}
	var out []candidate
	for len(out) < n {
		best := -1
		for k := range per {
			if per[k].save > math.Inf(-1) && (best < 0 || per[k].save > per[best].save) {
				best = k
			}
		}
		if best < 0 {
			break
		}
		c := per[best]
		out = append(out, c)
		for k := range per {
			if per[k].u.shape == c.u.shape && math.Abs(per[k].u.p[pFreq]-c.u.p[pFreq]) < 0.5*math.Ln2 {
				per[k].save = math.Inf(-1) // too close
			}
		}
	}
	return out
}

func (f *fitter) shelf(s dsp.Shape, hz, q float64) unit {
	u := f.warp(min(max(hz, f.o.FreqMinHz), f.o.FreqMaxHz))
	if f.fixed != nil {
		u = f.fixed[0]
		if s == dsp.HighShelf {
			u = f.fixed[len(f.fixed)-1]
		}
	}
	return unit{s, [3]float64{u, min(max(math.Log(q), f.fine.lo[pQ]), f.fine.hi[pQ]), 0}, f.held()}
}

// start is a first arrangement of bands.
type start struct {
	shelves []unit
	rank    int // which of the best candidates is placed first
	more    int // bands placed beyond what is allowed, the least useful of which are taken out again
}

// starts lists the arrangements that are tried.
func (f *fitter) starts() (starts []start) {
	low, high := f.o.allows(dsp.LowShelf), f.o.allows(dsp.HighShelf)
	l, h := f.shelf(dsp.LowShelf, 90, 0.7), f.shelf(dsp.HighShelf, 7000, 0.7)
	if f.o.allows(dsp.Bell) || !low && !high {
		starts = append(starts, start{})
	}
	if low {
		starts = append(starts, start{shelves: []unit{l}})
	}
	if high {
		starts = append(starts, start{shelves: []unit{h}})
	}
	if low && high && f.o.Bands > 1 && (f.fixed == nil || len(f.fixed) > 1) {
		starts = append(starts, start{shelves: []unit{l, h}})
	}
	if f.o.Bands <= fewBands { // cheap, and what comes first matters more
		for _, s := range starts[:len(starts):len(starts)] {
			for rank := 1; rank < fewRanks; rank++ {
				starts = append(starts, start{shelves: s.shelves, rank: rank})
			}
		}
	}
	if n := min(f.o.Bands, moreBands); f.o.Bands <= fewBands && len(f.templates) > 0 && (f.fixed == nil || len(f.fixed) >= f.o.Bands+n) {
		for _, s := range starts {
			if s.rank == 0 {
				starts = append(starts, start{shelves: s.shelves, more: n})
			}
		}
	}
	return starts
}

// search tries every arrangement of shelves on the coarse points and returns the best two, polished, best first.
func (f *fitter) search() []*problem {
	starts := f.starts()
	found := make([]*problem, len(starts))
	cost := make([]float64, len(starts))
	var wg sync.WaitGroup
	for i, s := range starts {
		wg.Go(func() {
			p := f.coarse.fork()
			p.units = append(p.units, s.shelves...)
			found[i], cost[i] = f.arrange(p, s.rank, s.more)
		})
	}
	wg.Wait()
	order := make([]int, len(starts))
	for i := range order {
		order[i] = i
	}
	rank := func() {
		sort.SliceStable(order, func(a, b int) bool { return cost[order[a]] < cost[order[b]] })
	}
	rank()
	// Those that may still win get the other rounds.
	limit := hopeful * cost[order[0]]
	for _, i := range order {
		if cost[i] > limit {
			continue
		}
		wg.Go(func() { found[i], cost[i] = f.improve(found[i], cost[i], rounds-1) })
	}
	wg.Wait()
	rank()
	// The two best are polished on all points before one is chosen.
	n := 2
	if f.enough == leastEnough && found[order[0]].rms() <= exactDB {
		n = 4 // a target that looks as if it could be met exactly is worth every arrangement
	}
	order = order[:min(n, len(order))]
	polished := make([]*problem, len(starts))
	polish := func(i int) {
		q := f.fine.fork()
		q.units, q.c = append(q.units, found[i].units...), found[i].c
		cost[i] = q.solve(polishIters, 1e-6)
		polished[i] = q
	}
	for _, i := range order {
		wg.Go(func() {
			found[i] = f.exact(found[i])
			polish(i)
		})
	}
	wg.Wait()
	rank()
	if f.likelyExact(found[order[0]]) && found[order[0]].rms() <= deepDB {
		// One after the other, for the first that gets there ends it.
		for _, try := range [][2]int{{0, 3}, {1, 3}, {0, 5}} {
			if polished[order[0]].rms() < f.enough {
				break
			}
			if try[0] < len(order) {
				i := order[try[0]]
				found[i] = f.deepen(found[i], try[1])
				polish(i)
				rank()
			}
		}
	}
	var best []*problem
	for _, i := range order[:min(2, len(order))] {
		best = append(best, polished[i])
	}
	return best
}

// clearly is by how much an arrangement of few bands must be closer than the plain mean's to be taken in its place.
const clearly = 1.15

// orAsTheMean returns best, or what else comes near it with the arrangement that the plain mean of the seats leads to. With
// few bands several arrangements come nearly as close, and noise decides which of them is closest: what is believed turns
// on that as well as the mean does. So the mean's own arrangement stands, fitted to what is believed, unless another is
// clearly closer; a correction is then seldom worse than the plain mean's.
func (f *fitter) orAsTheMean(p Prepared, best []*problem) []*problem {
	q := p
	q.WantDB, q.Weight = p.meanDB, make([]float64, len(p.Weight))
	n := 0.0
	for _, w := range p.Weight {
		if w > 0 {
			n++
		}
	}
	for i, w := range p.Weight {
		if w > 0 {
			q.Weight[i] = 1 / n
		}
	}
	q.enough = max(p.enough, 2*leastEnough) // nothing is to be met exactly
	limit := clearly * best[0].rms()
	var mean *problem
	for _, m := range newFitter(q, f.o).search() {
		b := f.fine.fork()
		b.units, b.c = append(b.units, m.units...), m.c
		b.solve(lastIters, 1e-5)
		if b.rms() < limit {
			mean, limit = b, b.rms()
		}
	}
	if mean == nil {
		return best
	}
	return []*problem{mean}
}

// rms is the weighted RMS of the current response against what is wanted.
func (p *problem) rms() float64 {
	s := 0.0
	for i, r := range p.resp {
		e := r + p.c - p.want[i]
		s += p.weight[i] * e * e
	}
	return math.Sqrt(s)
}

// arrange places bells greedily, then takes bands out one by one and puts them back where they help most.
func (f *fitter) arrange(p *problem, rank, more int) (*problem, float64) {
	p.solve(greedyIters, 1e-3)
	if len(f.templates) == 0 {
		return p, p.solve(settleIters, 1e-5)
	}
	for len(p.units) < f.o.Bands+more {
		if p.rms() < f.enough {
			break
		}
		c := f.candidates(p, rank+1)
		if len(c) == 0 {
			break
		}
		p.units = append(p.units, c[len(c)-1].u)
		rank = 0
		p.solve(greedyIters, 1e-3)
	}
	for len(p.units) > f.o.Bands {
		p = f.without(p)
	}
	return f.improve(p, p.solve(settleIters, 1e-4), 1)
}

// without takes out the band that the rest replaces best, once it has adjusted.
func (f *fitter) without(p *problem) *problem {
	var best *problem
	least := math.Inf(1)
	for k := range p.units {
		q := p.clone()
		q.units = slices.Delete(q.units, k, k+1)
		if c := q.solve(greedyIters, 1e-3); c < least {
			best, least = q, c
		}
	}
	return best
}

// improve runs rounds of taking bands out and putting them back, until one no longer pays.
func (f *fitter) improve(p *problem, cost float64, rounds int) (*problem, float64) {
	tries := replaceTries
	if f.o.Bands <= fewBands {
		tries = fewTries
	}
	for range rounds {
		before := cost
		if p.rms() < f.enough {
			break
		}
		p, cost = f.replace(p, cost, tries)
		if math.Sqrt(before)-math.Sqrt(cost) < max(1e-3*math.Sqrt(before), 0.1*f.enough) {
			break
		}
	}
	return p, cost
}

// replace takes each band out, the least useful first, and puts it back wherever it helps.
func (f *fitter) replace(p *problem, cost float64, tries int) (*problem, float64) {
	type use struct {
		k    int
		loss float64
	}
	var uses []use
	for k := range p.units {
		if p.units[k].shape != dsp.Bell && f.fixed != nil {
			continue
		}
		q := p.clone()
		q.units = slices.Delete(q.units, k, k+1)
		q.respond()
		uses = append(uses, use{k, q.cost()})
	}
	sort.SliceStable(uses, func(a, b int) bool { return uses[a].loss < uses[b].loss })
	for _, u := range uses {
		base := p.clone()
		base.units = slices.Delete(base.units, u.k, u.k+1)
		base.solve(4, 1e-3)
		for _, c := range f.candidates(base, tries) {
			q := base.clone()
			q.units = slices.Insert(q.units, u.k, c.u)
			if q.solve(replaceIters/3, 1e-3) > 1.2*cost { // hopeless
				continue
			}
			if v := q.solve(replaceIters, 1e-3); v < cost*(1-1e-4) {
				cost = v
				p = q
			}
		}
	}
	return p, p.solve(settleIters, 1e-4)
}

// likelyExact reports whether the target looks as if it could be met exactly, but is not yet.
func (f *fitter) likelyExact(p *problem) bool {
	return f.enough == leastEnough && f.fixed == nil && len(f.templates) > 0 && p.rms() <= exactDB && p.rms() >= f.enough
}

// exact goes on where the target looks as if it could be met exactly, as the response of a correction can: broad bells may
// stand for shelves and shelves for each other, which re-placing bells alone does not undo.
func (f *fitter) exact(p *problem) *problem {
	p.solve(settleIters, 1e-5)
	if !f.likelyExact(p) {
		return p
	}
	ridge, still := p.ridge, p.still
	p.ridge, p.still = lastRidge, lastRidge
	cost := p.solve(settleIters, 1e-5)
	for range extraRounds {
		if p.rms() < f.enough {
			break
		}
		before := cost
		for k := range p.units {
			old := p.units[k]
			if old.shape == dsp.Bell && old.p[pQ] > 0 {
				continue
			}
			for _, n := range []unit{f.shelf(dsp.LowShelf, 90, 0.7), f.shelf(dsp.HighShelf, 7000, 0.7)} {
				if !f.o.allows(n.shape) {
					continue
				}
				q := p.clone()
				n.p[pGain] = min(max(old.p[pGain], -4), 4)
				q.units[k] = n
				if v := q.solve(2*settleIters, 1e-4); v < cost*(1-1e-4) {
					cost, p = v, q
				}
			}
		}
		p, cost = f.replace(p, cost, extraTries)
		if math.Sqrt(before)-math.Sqrt(cost) < 1e-5 {
			break
		}
	}
	p.ridge, p.still = ridge, still
	return p
}

// deepen goes on from where exact got stuck, two bands at a time.
func (f *fitter) deepen(p *problem, tries int) *problem {
	ridge, still := p.ridge, p.still
	p.ridge, p.still = lastRidge, lastRidge
	cost := p.solve(settleIters, 1e-5)
	for range extraRounds {
		if p.rms() < f.enough {
			break
		}
		before := cost
		p, cost = f.replaceTwo(p, cost, tries)
		if cost >= before {
			break
		}
		p, cost = f.replace(p, cost, extraTries)
	}
	p.ridge, p.still = ridge, still
	return p
}

// replaceTwo takes two bands out at once and puts two back wherever they help, the first time that helps for good: where two
// bands do what two others should, taking out one of them helps nothing.
func (f *fitter) replaceTwo(p *problem, cost float64, tries int) (*problem, float64) {
	order := make([]int, len(p.units))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool { return p.units[order[a]].p[pFreq] < p.units[order[b]].p[pFreq] })
	wide := func(k int) bool { return p.units[k].shape != dsp.Bell || p.units[k].p[pQ] < 0 }
	for apart := 1; apart < len(order); apart++ {
		for i := range len(order) - apart {
			a, b := order[i], order[i+apart]
			if apart > pairsApart && !wide(a) && !wide(b) {
				continue // too far apart to do each other's work
			}
			base := p.clone()
			base.units = slices.Delete(base.units, max(a, b), max(a, b)+1)
			base.units = slices.Delete(base.units, min(a, b), min(a, b)+1)
			base.solve(greedyIters, 1e-3)
			for _, first := range f.candidates(base, tries) {
				one := base.clone()
				one.units = append(one.units, first.u)
				one.solve(greedyIters, 1e-3)
				for _, second := range f.candidates(one, tries) {
					two := one.clone()
					two.units = append(two.units, second.u)
					if f.budget--; f.budget < 0 {
						return p, cost
					}
					if two.solve(replaceIters, 1e-3) > 8*cost { // hopeless
						continue
					}
					if v := two.solve(2*settleIters, 1e-4); v < 0.9*cost {
						return two, v
					}
				}
			}
		}
	}
	return p, cost
}
