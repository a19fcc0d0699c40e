package fit

import (
	"math"
	"slices"
)

// densePerPoint is how many points hold the boost limit for each that the fit looks at.
const densePerPoint = 4

// between is a problem without goal on points densePerPoint times as close as those given.
func (f *fitter) between(hz []float64) *problem {
	p := &problem{scratch: &scratch{}}
	for i := range hz {
		for k := range densePerPoint {
			x := hz[i]
			if k > 0 {
				if i+1 == len(hz) {
					break
				}
				x *= math.Pow(hz[i+1]/hz[i], float64(k)/densePerPoint)
			}
			p.x2 = append(p.x2, math.Exp(2*f.warp(x)))
		}
	}
	return p
}

// peak is the largest level of the units together on the points of dense and at their own frequencies, in dB; 0 without
// units.
func (f *fitter) peak(units []unit) float64 {
	if len(units) == 0 {
		return 0
	}
	p := f.dense.fork() // several goroutines ask
	p.units = units
	p.x2 = slices.Clip(p.x2)
	for k := range units {
		if u := units[k].p[pFreq]; u >= f.fine.lo[pFreq] && u <= f.fine.hi[pFreq] {
			p.x2 = append(p.x2, math.Exp(2*u))
		}
	}
	p.respond()
	return slices.Max(p.resp)
}

// holdBoost makes the limit good where the penalty has left a rest: first by weighing what is over it more, then by
// lowerAll, which cannot fail.
func (f *fitter) holdBoost(p *problem) {
	limit := f.o.MaxBoostDB
	for round := range 6 {
		p.boost = limit
		if f.peak(p.units) <= limit {
			p.respond()
			return
		}
		p.kappa *= 10
		p.boost = max(0, limit-0.02*float64(round+1))
		p.solve(8, 1e-5)
	}
	p.boost = limit
	f.lowerAll(p, lattice{})
}

// holdBoostOnSteps does it on an equaliser's steps: a step at a time off the band that boosts most at the peak, then by
// lowerAll.
func (f *fitter) holdBoostOnSteps(p *problem, l lattice) {
	one := make([]float64, len(p.x2))
	for range 100 {
		if f.peak(p.units) <= f.o.MaxBoostDB {
			p.respond()
			return
		}
		p.respond()
		at := 0
		for i, r := range p.resp {
			if r > p.resp[at] {
				at = i
			}
		}
		best, bestDB := -1, 0.0
		for k := range p.units {
			clear(one)
			p.db(&p.units[k], one)
			if one[at] > bestDB && p.units[k].p[pGain] > 0 {
				best, bestDB = k, one[at]
			}
		}
		if best < 0 {
			break
		}
		if l.step[pGain] > 0 {
			f.set(&p.units[best], pGain, f.snap(l, pGain, p.units[best].p[pGain], -1))
		} else {
			p.units[best].p[pGain] -= 0.1
		}
	}
	f.lowerAll(p, l)
}

// lowerAll brings the units below the boost limit, whatever they are: by the largest part of the boosts that keeps it;
// where the cuts alone are over it, as the overshoots of narrow shelves may be, by the largest part of all gains. A
// unit without gain is taken out.
func (f *fitter) lowerAll(p *problem, l lattice) {
	with := func(gains []float64) []unit {
		var out []unit
		for k, u := range p.units {
			if u.p[pGain] = gains[k]; gains[k] != 0 {
				out = append(out, u)
			}
		}
		return out
	}
	ok := func(gains []float64) bool { return f.peak(with(gains)) <= f.o.MaxBoostDB }
	var all, cuts []float64
	for _, u := range p.units {
		all, cuts = append(all, u.p[pGain]), append(cuts, min(0, u.p[pGain]))
	}
	step, origin := l.step[pGain], l.origin[pGain]
	cutsHold := ok(cuts)
	gains := commonPart(all, func(g, part float64) float64 {
		if g < 0 && cutsHold {
			return g
		}
		return towardsZero(g*part, step, origin)
	}, ok)
	p.units = with(gains)
	p.respond()
}

// commonPart gives each gain the largest common part, found by halving, that ok accepts. With part 0 every gain is to
// be such that ok accepts them; so the end is always one that it has accepted.
func commonPart(gains []float64, part func(gain, part float64) float64, ok func(gains []float64) bool) []float64 {
	at := func(share float64) []float64 {
		out := make([]float64, len(gains))
		for k, g := range gains {
			out[k] = part(g, share)
		}
		return out
	}
	if all := at(1); ok(all) {
		return all
	}
	kept := at(0)
	for lo, hi, n := 0.0, 1.0, 0; n < 40; n++ {
		mid := (lo + hi) / 2
		if try := at(mid); ok(try) {
			lo, kept = mid, try
		} else {
			hi = mid
		}
	}
	return kept
}

// towardsZero is the step next to a gain on the side of zero, 0 where none is left there; step 0: the gain itself.
func towardsZero(gain, step, origin float64) float64 {
	if step == 0 || gain == 0 {
		return gain
	}
	const tiny = 1e-9
	var x float64
	if gain > 0 {
		x = max(0, origin+step*math.Floor((gain-origin)/step+tiny))
	} else {
		x = min(0, origin+step*math.Ceil((gain-origin)/step-tiny))
	}
	return math.Round(x*1e9)/1e9 + 0
}
