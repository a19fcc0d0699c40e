package dsp

import "math"

// companion fits a second section to what d leaves, then both in turn. It reports false if that does not help.
func (d *design) companion(rateHz, worst float64) ([]Section, bool) {
	p := &pair{first: *d, best: 0.8 * worst}
	rest := d.rest(d.want)
	p.limit = max(5/perNep, d.over(d.want))
	p.fromImages()
	if p.best >= 0.2 {
		at, big := 0, 0.0
		for i, x := range rest {
			if d.weight[i] == 1 && math.Abs(x) > big {
				at, big = i, math.Abs(x)
			}
		}
		p.fromBells(math.Asin(min(1, math.Sqrt(d.v[at]*d.u0)))/math.Pi*rateHz, rest[at]*perNep)
	}
	return p.out, p.out != nil
}

// rest is what d leaves of a wanted response, in ln of the squared magnitude.
func (d *design) rest(want []float64) []float64 {
	r := make([]float64, len(want))
	for i, v := range d.v {
		r[i] = want[i] - math.Log(d.num.at(v)/d.den.at(v))
	}
	return r
}

// over is the most by which d exceeds a wanted response above the band. A good fit below could cost a peak there.
func (d *design) over(want []float64) (most float64) {
	for i, x := range d.rest(want) {
		if d.weight[i] != 1 {
			most = max(most, -x)
		}
	}
	return most
}

// pair looks for two sections in place of one.
type pair struct {
	first design
	limit float64 // of over
	best  float64 // worst error of out in dB, or what is to be beaten
	out   []Section
}

// fromImages starts with poles and zeros where they belong. That leaves only their missing images: a smooth rest, for
// the companion's zeros or its poles.
func (p *pair) fromImages() {
	for _, inverse := range []bool{false, true} {
		a, c := p.first, p.first
		zeros, poles, hasZeros := a.b.analogSides()
		a.den = a.matchedZ(poles, 0.97)
		if hasZeros {
			g0 := a.num[0]
			a.num = a.matchedZ(zeros, 0.97)
			for i := range a.num {
				a.num[i] *= g0
			}
		}
		c.b = Band{Shape: Bell, FreqHz: a.b.FreqHz}
		c.want = a.rest(p.first.want)
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
			p.turns(a, c)
		}
		if p.best < 0.2 {
			return
		}
	}
}

// fromBells starts with a bell where the first section is off most.
func (p *pair) fromBells(freqHz, gainDB float64) {
	for _, q := range []float64{0.5, 1.5, 5} {
		if p.best < 0.2 {
			return
		}
		a, c := p.first, p.first
		c.b = Band{Shape: Bell, FreqHz: freqHz, Q: q, GainDB: gainDB}
		zeros, poles, _ := c.b.analogSides()
		for i := range zeros {
			zeros[i] *= complex(freqHz/a.b.FreqHz, 0)
			poles[i] *= complex(freqHz/a.b.FreqHz, 0)
		}
		c.num, c.den = c.matchedZ(zeros, 0.97), c.matchedZ(poles, 0.97)
		p.turns(a, c)
	}
}

// turns refines the two sections in turn, each for what the other leaves.
func (p *pair) turns(a, c design) {
	for range 10 {
		c.want = a.rest(p.first.want)
		e, ok := c.refine()
		if !ok {
			return
		}
		p.try(&a, &c, e)
		a.want = c.rest(p.first.want)
		if e, ok = a.refine(); ok {
			p.try(&a, &c, e)
		}
		if p.best < 0.1 {
			return
		}
	}
}

// try takes two sections whose worst error is e dB if they are better, tame above the band and stable.
func (p *pair) try(a, c *design, e float64) {
	if e >= p.best || a.over(c.rest(p.first.want)) > p.limit {
		return
	}
	x, okx := a.section()
	y, oky := c.section()
	if okx && oky {
		p.best, p.out = e, []Section{x, y}
	}
}
