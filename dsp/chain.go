package dsp

import "math"

// Processor is a stage of the live loop. Signals are interleaved stereo float64 frames (left, right), full scale ±1.
// Process works in place on any whole number of frames from 1 up, allocates nothing, and gives the same output
// however the signal is split into blocks. NaN or Inf in gives silence out, and never reaches the state.
type Processor interface {
	// Process replaces the frames in buf (len even).
	Process(buf []float64)
	// Reset returns the processor to the state it was made in.
	Reset()
	// LagFrames is the delay between input and output.
	LagFrames() int
}

// Options says how a correction is compiled.
type Options struct {
	// LagFrames pads the chain's delay to this many frames where its own is shorter, so that two chains, or a chain
	// and its bypass, can be crossfaded in step. 0: as short as the chain allows.
	LagFrames int
}

// Chain is a correction compiled for one rate, with its own filter state: headroom, then one list of sections per ear.
// It has one owner at a time and is not safe for concurrent use.
type Chain struct {
	sections   [2][]Section // left, right
	state      [2][][2]float64
	rateHz     float64
	gain       float64
	headroomDB float64
	bad        uint64
}

// Compile builds the chain for one rate, 44.1 to 384 kHz.
func (c *Correction) Compile(rateHz float64, o Options) (*Chain, error) {
	ch := &Chain{rateHz: rateHz}
	if err := checkRate(rateHz); err != nil {
		return nil, err
	}
	for _, b := range c.bands {
		s, err := Matched(b, rateHz)
		if err != nil {
			return nil, err
		}
		for i, e := range []Ear{Left, Right} {
			if b.Covers(e) {
				ch.sections[i] = append(ch.sections[i], s)
			}
		}
	}
	ch.headroomDB = c.headroomDB
	if c.AutoHeadroom() {
		ch.headroomDB = -max(0, ch.peakDB())
	}
	ch.gain = Ratio(ch.headroomDB)
	for i := range ch.state {
		ch.state[i] = make([][2]float64, len(ch.sections[i]))
	}
	return ch, nil
}

func (c *Chain) peakDB() float64 {
	m := 0.0
	for f := 10.0; f < c.rateHz/2; f *= 1.002 {
		m = max(m, c.DB(Left, f), c.DB(Right, f))
	}
	return m
}

// Sections returns a copy of one ear's sections (Left or Right), headroom not included.
func (c *Chain) Sections(e Ear) []Section { return append([]Section(nil), c.sections[e-Left]...) }

// RateHz is the rate the chain was compiled for.
func (c *Chain) RateHz() float64 { return c.rateHz }

// HeadroomDB is the level change the chain makes before its sections, ≤ 0 dB.
func (c *Chain) HeadroomDB() float64 { return c.headroomDB }

// DB returns the level of one ear's sections (Left or Right) at freqHz, without headroom, in dB.
func (c *Chain) DB(e Ear, freqHz float64) float64 {
	p := 0.0
	for _, s := range c.sections[e-Left] {
		p += s.DB(freqHz, c.rateHz)
	}
	return p
}

// BadBlocks counts the blocks that held NaN or Inf and were silenced.
func (c *Chain) BadBlocks() uint64 { return c.bad }

// LagFrames is the delay of the chain, padding included.
func (c *Chain) LagFrames() int { return 0 }

// Reset clears the filter state.
func (c *Chain) Reset() {
	for i := range c.state {
		clear(c.state[i])
	}
}

// Process runs headroom and sections in place.
func (c *Chain) Process(buf []float64) {
	for i := range buf {
		x := buf[i] * c.gain
		ear := i & 1
		for k := range c.sections[ear] {
			s, st := &c.sections[ear][k], &c.state[ear][k]
			y := s.B0*x + st[0]
			st[0] = s.B1*x - s.A1*y + st[1]
			st[1] = s.B2*x - s.A2*y
			x = y
		}
		if math.IsNaN(x) || math.IsInf(x, 0) {
			c.Reset()
			c.bad++
			x = 0
		}
		buf[i] = x
	}
}
