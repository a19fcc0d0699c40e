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
	if p.meanDB != nil && o.Bands <= fewBands {
		best = f.orAsTheMean(p, best)
	}
	units := f.finish(best)
	return f.result(t, p, units)
}

// The least ridges; where the seats prove little, more is at stake in a calm correction than in the last hundredths.
const leastRidge, lastRidge = 1e-6, 1e-8

func newFitter(p Prepared, o Options) *fitter {
	f := &fitter{budget: pairBudget, o: o, rateHz: o.rateHz(), enough: p.enough}
	f.fine, f.coarse, f.dense = f.problemOf(p, 1), f.problemOf(p, 4), f.between(p.FreqHz)
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
	if o.allows(dsp.Bell) {
		for _, u := range f.places {
			for _, q := range f.widths {
				f.template(dsp.Bell, u, q)
			}
		}
		for _, s := range []dsp.Shape{dsp.LowShelf, dsp.HighShelf} {
			if f.fixed != nil || !o.allows(s) {
				continue
			}
			for i := 0; i < len(f.places); i += 2 {
				f.template(s, f.places[i], min(max(math.Log(0.7), f.fine.lo[pQ]), f.fine.hi[pQ]))
			}
		}
	}
	return f
}

// problemOf is the problem on blocks of so many points.
func (f *fitter) problemOf(p Prepared, block int) *problem {
	o := f.o
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

// template adds a band worth trying.
func (f *fitter) template(shape dsp.Shape, u, q float64) {
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

// held marks what the equaliser does not let move.
func (f *fitter) held() [3]bool {
	return [3]bool{f.fixed != nil, f.o.QMin == f.o.QMax, false}
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
