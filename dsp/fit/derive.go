package fit

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"sync"

	"cushwright/dsp"
	"cushwright/dsp/curve"
)

// Residual is how far a response is from what was asked, over the measured range, levels aside.
type Residual struct {
	RMSDB float64 `json:"rms_db"` // weighted by 1/(spread² + floor²)
	MaxDB float64 `json:"max_db"` // the largest departure anywhere, unweighted
}

// Result is a fitted correction.
type Result struct {
	Bands     []dsp.Band // by ascending frequency
	LevelDB   float64    // what the target asked for beyond the bands: a matter of the volume control
	PeakDB    float64    // highest level of the bands together, ≥ 0: the headroom a sine needs
	Before    Residual   // without any band
	After     Residual
	TargetRMS float64 // weighted RMS in dB against Prepared.WantDB: what was fitted
	Left      []Note  // by ascending frequency
	Prepared  Prepared
}

// lattice holds the steps of an equaliser.
type lattice struct {
	step, origin [3]float64 // in Hz, Q, dB; step 0: free
	octaves      bool       // the frequency's step and origin are in octaves (of 1 Hz)
}

// template4 is a band at 4 dB and its response per dB on the coarse points.
type template4 struct {
	u     unit
	shape []float64
	power float64 // weighted square of shape, about its mean where the level is free
}

type fitter struct {
	o         Options
	rateHz    float64
	fine      *problem
	coarse    *problem
	dense     *problem  // where the boost limit is held: between the points as well
	fixed     []float64 // ln warped fixed frequencies, or nil
	places    []float64 // ln warped candidate frequencies
	widths    []float64 // ln Q candidates
	templates []template4
	budget    int     // how many pairs of bands deepen may still try
	enough    float64 // weighted RMS in dB below which neither another band nor another round is spent
}

func (f *fitter) warp(hz float64) float64 {
	if f.rateHz == 0 {
		return math.Log(hz)
	}
	return math.Log(math.Tan(math.Pi * min(hz, 0.499*f.rateHz) / f.rateHz))
}

func (f *fitter) unwarp(u float64) float64 {
	if f.rateHz == 0 {
		return math.Exp(u)
	}
	return f.rateHz / math.Pi * math.Atan(math.Exp(u))
}

// Derive fits bands to the target. The error says which option or point of the target is impossible.
func Derive(t Target, o Options) (Result, error) {
	o = o.withDefaults()
	if err := o.check(); err != nil {
		return Result{}, err
	}
	p, err := Prepare(t, o)
	if err != nil {
		return Result{}, err
	}
	f := newFitter(p, o)
	if nothing, _ := residual(p.WantDB, make([]float64, curve.Points), p.Weight, o.FixedLevel); nothing.RMSDB <= p.enough {
		return f.result(t, p, nil)
	}
	best := f.search()
	units := f.finish(best)
	return f.result(t, p, units)
}

// The least ridges; where the seats prove little, more is at stake in a calm correction than in the last hundredths.
const leastRidge, lastRidge = 1e-6, 1e-8

func newFitter(p Prepared, o Options) *fitter {
	f := &fitter{budget: pairBudget, o: o, rateHz: o.rateHz(), enough: p.enough}
	mk := func(block int) *problem {
		q := &problem{scratch: &scratch{}, boost: o.MaxBoostDB, level: !o.FixedLevel,
			ridge: max(leastRidge, 0.01*p.enough*p.enough), still: max(leastRidge, 0.25*p.enough*p.enough)}
		q.lo = [3]float64{f.warp(o.FreqMinHz), math.Log(o.QMin), o.GainMinDB}
		q.hi = [3]float64{f.warp(o.FreqMaxHz), math.Log(o.QMax), o.GainMaxDB}
		for i := 0; i < len(p.FreqHz); i += block {
			e := min(i+block, len(p.FreqHz))
			w, t, l, wm := 0.0, 0.0, 0.0, 0.0
			for k := i; k < e; k++ {
				w += p.Weight[k]
				t += p.Weight[k] * p.WantDB[k]
				l += math.Log(p.FreqHz[k])
				wm += p.WantDB[k]
			}
			if w > 0 {
				t /= w
			} else {
				t = wm / float64(e-i)
			}
			u := f.warp(math.Exp(l / float64(e-i)))
			q.lnx = append(q.lnx, u)
			q.x2 = append(q.x2, math.Exp(2*u))
			q.want = append(q.want, t)
			q.weight = append(q.weight, w)
		}
		q.kappa = 30 / float64(len(q.x2))
		return q
	}
	f.fine, f.coarse, f.dense = mk(1), mk(4), f.between(p.FreqHz)
	if e := o.For; e != nil && len(e.FixedFreqHz) > 0 {
		for _, hz := range e.FixedFreqHz {
			f.fixed = append(f.fixed, f.warp(hz))
		}
		slices.Sort(f.fixed)
		f.fixed = slices.Compact(f.fixed)
		f.places = f.fixed
		for _, q := range []*problem{f.fine, f.coarse} { // fixed frequencies override the range
			q.lo[pFreq], q.hi[pFreq] = f.fixed[0], f.fixed[len(f.fixed)-1]
		}
	} else {
		lo, hi := math.Log(o.FreqMinHz), math.Log(o.FreqMaxHz)
		n := max(1, int((hi-lo)/(math.Ln2/5)))
		for i := range n + 1 {
			f.places = append(f.places, f.warp(math.Exp(lo+(hi-lo)*float64(i)/float64(n))))
		}
	}
	for _, q := range []float64{0.4, 0.7, 1.2, 2, 3.5, 6} {
		v := min(max(math.Log(q), f.fine.lo[pQ]), f.fine.hi[pQ])
		if len(f.widths) == 0 || v > f.widths[len(f.widths)-1]+1e-9 {
			f.widths = append(f.widths, v)
		}
	}
	template := func(shape dsp.Shape, u, q float64) {
		s := make([]float64, len(f.coarse.x2))
		// A band's level is near enough proportional to its gain: the response at 4 dB serves as template.
		b := unit{shape: shape, p: [3]float64{u, q, 4}, fixed: f.held()}
		f.coarse.db(&b, s)
		for i := range s {
			s[i] /= 4
		}
		num, mean := 0.0, 0.0
		for i, w := range f.coarse.weight {
			num += s[i] * s[i] * w
			mean += s[i] * w
		}
		if f.coarse.level {
			num -= mean * mean // the free level takes up the mean
		}
		f.templates = append(f.templates, template4{b, s, max(num, 1e-9)})
	}
	if o.allows(dsp.Bell) {
		for _, u := range f.places {
			for _, q := range f.widths {
				template(dsp.Bell, u, q)
			}
		}
		for _, s := range []dsp.Shape{dsp.LowShelf, dsp.HighShelf} {
			if f.fixed != nil || !o.allows(s) {
				continue
			}
			for i := 0; i < len(f.places); i += 2 {
				template(s, f.places[i], min(max(math.Log(0.7), f.fine.lo[pQ]), f.fine.hi[pQ]))
			}
		}
	}
	return f
}

// held marks what the equaliser does not let move.
func (f *fitter) held() [3]bool {
	return [3]bool{f.fixed != nil, f.o.QMin == f.o.QMax, false}
}

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

// search tries every arrangement of shelves on the coarse points and returns the best two, polished, best first.
func (f *fitter) search() []*problem {
	type start struct {
		shelves []unit
		rank    int // which of the best candidates is placed first
		more    int // bands placed beyond what is allowed, the least useful of which are taken out again
	}
	var starts []start
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

// Effort, by counts and never by the clock, so that the result is the same everywhere.
var (
	greedyIters  = 6
	settleIters  = 25
	replaceIters = 12
	replaceTries = 2
	rounds       = 3
	extraRounds  = 8
	extraTries   = 8
	exactDB      = 0.15
	polishIters  = 8
	fewBands     = 5
	fewRanks     = 6
	fewTries     = 3
	moreBands    = 4
	lastIters    = 40
	hopeful      = 1.6
	pairBudget   = 1200
	deepDB       = 0.1
	pairsApart   = 2
)

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

// finish rounds to the steps, re-optimising what is still free, then walks on the steps while that helps; and it makes
// sure of the boost limit.
func (f *fitter) finish(best []*problem) []unit {
	l := f.steps()
	for _, p := range best {
		p.kappa = 300 / float64(len(p.x2))
		if f.enough > leastEnough {
			f.prune(p)
		} else {
			p.ridge, p.still = lastRidge, lastRidge
		}
		p.solve(lastIters, 1e-3)
		if l.step == [3]float64{} {
			f.holdBoost(p)
			return p.units
		}
	}
	// What rounds best need not be what fitted best, nor is one order of rounding always the better one.
	type way struct {
		p     *problem
		gains bool
	}
	var ways []way
	for _, p := range best {
		ways = append(ways, way{p.fork(), false}, way{p.fork(), true})
	}
	cost := make([]float64, len(ways))
	var wg sync.WaitGroup
	for i, w := range ways {
		wg.Go(func() {
			q := f.coarse.fork()
			q.kappa = 300 / float64(len(q.x2))
			q.ridge, q.still = w.p.ridge, w.p.still
			q.units, q.c = append(q.units, w.p.units...), w.p.c
			f.round(q, l, w.gains)
			f.walk(q, l, 6)
			w.p.units, w.p.c = append(w.p.units[:0], q.units...), q.c
			f.holdBoostOnSteps(w.p, l)
			w.p.respond()
			cost[i] = w.p.cost()
		})
	}
	wg.Wait()
	at := 0
	for i := range cost {
		if cost[i] < cost[at] {
			at = i
		}
	}
	p := ways[at].p
	f.walk(p, l, 6) // on all points
	f.holdBoostOnSteps(p, l)
	return p.units
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
	// cost with the level at its best for the response
	costOf := func(resp []float64, gains float64) float64 {
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
	best := costOf(total, gains)
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
					if c := costOf(trial, g); c < best*(1-1e-6) {
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
		if l.step[pGain] > 0 && f.walkPairs(p, l, each, total, &gains, &best, costOf) {
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

func (f *fitter) result(t Target, pr Prepared, units []unit) (Result, error) {
	p := f.fine
	resp := make([]float64, curve.Points)
	r := Result{Prepared: pr}
	var kept []unit
	for k := range units {
		u := &units[k]
		b := dsp.Band{Shape: u.shape, Ear: t.Ear, FreqHz: f.value(u, pFreq), GainDB: u.p[pGain], Q: f.value(u, pQ)}
		l := f.steps()
		for j, v := range []*float64{&b.FreqHz, &b.Q, &b.GainDB} {
			if l.step[j] > 0 {
				*v = f.snap(l, j, *v, 0)
			}
		}
		if f.fixed != nil { // as typed, not as warped and back
			for _, hz := range f.o.For.FixedFreqHz {
				if math.Abs(hz/b.FreqHz-1) < 1e-9 {
					b.FreqHz = hz
				}
			}
		}
		b.FreqHz = min(max(b.FreqHz, dsp.MinFreqHz), dsp.MaxFreqHz)
		b.Q = min(max(b.Q, f.o.QMin), f.o.QMax)
		if f.o.For != nil && f.o.For.FixedQ != 0 {
			b.Q = f.o.For.FixedQ
		}
		if math.Abs(b.GainDB) < 0.005 {
			continue // an idle band says nothing
		}
		if err := b.Check(); err != nil {
			return Result{}, fmt.Errorf("fit: derive band %d: %w", k+1, err)
		}
		r.Bands = append(r.Bands, b)
		kept = append(kept, *u)
		p.db(u, resp)
	}
	sort.SliceStable(r.Bands, func(a, b int) bool { return r.Bands[a].FreqHz < r.Bands[b].FreqHz })
	zero := make([]float64, curve.Points)
	var c float64
	r.Before, _ = residual(pr.AskedDB, zero, pr.Weight, f.o.FixedLevel)
	r.After, c = residual(pr.AskedDB, resp, pr.Weight, f.o.FixedLevel)
	fitted, cw := residual(pr.WantDB, resp, pr.Weight, f.o.FixedLevel)
	r.TargetRMS = fitted.RMSDB
	if !f.o.FixedLevel {
		r.LevelDB = pr.LevelDB + c
	}
	rest := make([]float64, curve.Points)
	r.PeakDB = max(0, f.peak(kept))
	for i, v := range resp {
		rest[i] = v + cw
	}
	// What the bands leave of what they were to reach.
	why := WhyBands
	if f.o.For != nil {
		why = WhySettings
	}
	for _, n := range runs(pr.FreqHz, pr.WantDB, rest, pr.Weight, 1, why) {
		if curve.Index(n.HighHz)-curve.Index(n.LowHz) >= 3 {
			r.Left = append(r.Left, n)
		}
	}
	r.Left = append(r.Left, pr.Left...)
	sort.SliceStable(r.Left, func(a, b int) bool { return r.Left[a].LowHz < r.Left[b].LowHz })
	return r, nil
}

// residual compares a response with what is wanted; the level is at its best unless fixed.
func residual(want, resp, weight []float64, fixedLevel bool) (Residual, float64) {
	c := 0.0
	if !fixedLevel {
		for i := range want {
			c += weight[i] * (want[i] - resp[i])
		}
	}
	var r Residual
	sq := 0.0
	for i := range want {
		if weight[i] == 0 {
			continue
		}
		e := resp[i] + c - want[i]
		sq += weight[i] * e * e
		r.MaxDB = max(r.MaxDB, math.Abs(e))
	}
	r.RMSDB = math.Sqrt(sq)
	return r, c
}
