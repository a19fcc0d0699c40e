package dsp

import (
	"fmt"
	"math"
	"slices"
	"sync/atomic"
	"unsafe"
)

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
	// NoLag runs the fastest code that has no delay of its own, about 0.7 ns a frame dearer where "avx512" would run.
	NoLag bool
}

// Lags reports whether a chain compiled with o may have a delay of its own, padding not counted.
func (o Options) Lags() bool { return o.kernel().lags() }

// kernel is the one that o's chains run on.
func (o Options) kernel() kernel {
	for _, k := range kernels {
		if !o.NoLag || !k.lags() {
			return k
		}
	}
	return plain
}

// Chain is a correction compiled for one rate, with its own filter state: headroom, then one list of sections per ear.
// It has one owner at a time and is not safe for concurrent use.
type Chain struct {
	sections   [2][]Section // left, right
	passes     []*pass
	kernel     string
	rateHz     float64
	gain       float64
	headroomDB float64
	bad        uint64
	lag        int       // frames
	ring       []float64 // the frames held back by padding
	ringAt     int
	clock      int  // frames since the states were last flushed
	still      bool // all states are zero
}

var compilations atomic.Int64

// Compilations is how many chains this process has compiled. Compiling takes milliseconds: a test can tell by it that no
// more is compiled than is played.
func Compilations() int64 { return compilations.Load() }

// flushEvery is how many frames lie between two flushes of decayed states. Flushes follow this count and not the
// blocks, so that the output does not depend on how the signal is cut.
const flushEvery = 1024

// Compile builds the chain for one rate, 44.1 to 384 kHz. The sections are those of Realise. The error is a
// *RangeError.
func (c *Correction) Compile(rateHz float64, o Options) (*Chain, error) {
	return c.compile(rateHz, o, o.kernel())
}

func (c *Correction) compile(rateHz float64, o Options, k kernel) (*Chain, error) {
	compilations.Add(1)
	ch := &Chain{rateHz: rateHz}
	if err := checkRate(rateHz); err != nil {
		return nil, err
	}
	if o.LagFrames < 0 {
		return nil, &RangeError{Key: "lag", Value: fmt.Sprint(o.LagFrames), Allowed: "0 frames or more"}
	}
	for _, b := range c.bands {
		s, err := Realise(b, rateHz)
		if err != nil {
			return nil, err
		}
		for i, e := range []Ear{Left, Right} {
			if b.Covers(e) {
				ch.sections[i] = append(ch.sections[i], s...)
			}
		}
	}
	ch.headroomDB = c.headroomDB
	if c.AutoHeadroom() {
		if peak := ch.PeakDB(); peak > leastPeakDB {
			ch.headroomDB = -peak
		} else {
			ch.headroomDB = 0
		}
	}
	ch.gain = Ratio(ch.headroomDB)
	ch.build(k, o.LagFrames)
	return ch, nil
}

// build makes the passes for k, and pads their delay.
func (c *Chain) build(k kernel, lagFrames int) {
	c.kernel = k.name
	c.passes = k.newPasses(c.sections, c.gain)
	c.lag = 0
	for _, p := range c.passes {
		c.lag += p.lag()
	}
	c.ring = make([]float64, 2*max(0, lagFrames-c.lag))
	c.lag += len(c.ring) / 2
	c.Reset()
}

// Kernel names the code that runs the chain on this processor: "avx512", "avx2" or "plain". They differ from each other
// by less than -200 dBFS.
func (c *Chain) Kernel() string { return c.kernel }

// Sections returns a copy of one ear's sections (Left or Right), headroom not included; a band may have two, see
// Realise.
func (c *Chain) Sections(e Ear) []Section { return append([]Section(nil), c.sections[e-Left]...) }

// RateHz is the rate the chain was compiled for.
func (c *Chain) RateHz() float64 { return c.rateHz }

// leastPeakDB is the peak below which no headroom is taken: rounding leaves as much.
const leastPeakDB = 1e-6

// HeadroomDB is the level change the chain makes before its sections, ≤ 0 dB.
func (c *Chain) HeadroomDB() float64 { return c.headroomDB }

// DB returns the level of one ear's sections (Left or Right) at freqHz, without headroom, in dB, LeastDB or more.
func (c *Chain) DB(e Ear, freqHz float64) float64 {
	p := 0.0
	for _, s := range c.sections[e-Left] {
		p += s.DB(freqHz, c.rateHz)
	}
	return max(p, LeastDB)
}

// Power returns the square of the magnitude of one ear's response (Left or Right) at freqHz, without headroom.
func (c *Chain) Power(e Ear, freqHz float64) float64 {
	sin := math.Sin(math.Pi * freqHz / c.rateHz)
	phi, p := sin*sin, 1.0
	for i := range c.sections[e-Left] {
		p *= c.sections[e-Left][i].power(phi)
	}
	return max(p, 0) // a zero may come out below it by rounding
}

// sameEars reports whether both ears have the same sections.
func (c *Chain) sameEars() bool { return slices.Equal(c.sections[0], c.sections[1]) }

// BadBlocks counts the blocks that held NaN or Inf and were silenced.
func (c *Chain) BadBlocks() uint64 { return c.bad }

// LagFrames is the delay of the chain, padding included. Without padding it is 0, or with "avx512" at most two frames a
// section (three for two).
func (c *Chain) LagFrames() int { return c.lag }

// Reset clears the filter state and the frames held back by padding.
func (c *Chain) Reset() {
	c.clear()
	clear(c.ring)
	c.ringAt, c.clock = 0, 0
	for _, p := range c.passes {
		p.odd = false
	}
}

func (c *Chain) clear() {
	for _, p := range c.passes {
		clear(p.state)
	}
	c.still = true
}

// Process runs headroom and sections in place. A block with NaN or Inf comes out as silence and clears the filter
// state.
func (c *Chain) Process(buf []float64) {
	ok := true
	for at := 0; at < len(buf); {
		n := min(len(buf)-at, 2*(flushEvery-c.clock))
		ok = c.run(buf[at:at+n]) && ok
		at += n
	}
	if !ok {
		c.bad++
	}
	c.delay(buf)
}

// run processes up to the next flush. It reports false if the frames were bad.
func (c *Chain) run(buf []float64) bool {
	flushing := false
	if c.clock += len(buf) / 2; c.clock == flushEvery {
		c.clock, flushing = 0, true
	}
	if c.still && silent(buf) {
		for _, p := range c.passes {
			p.skip(len(buf) / 2)
		}
		return true
	}
	if len(c.passes) == 0 && c.gain != 1 {
		for i := range buf {
			buf[i] *= c.gain
		}
	}
	zero, finite := true, true
	for _, p := range c.passes {
		p.process(buf)
		var z, f bool
		if flushing {
			z, f = p.flush()
		} else {
			z, f = p.check()
		}
		zero, finite = zero && z, finite && f
	}
	c.still = zero
	// A bad number stays in the state of any section it meets. With no state there is nothing that could hold it.
	if !finite || (zero && !allFinite(buf)) {
		c.clear()
		clear(buf)
		return false
	}
	return true
}

// delay holds the frames back by the padding.
func (c *Chain) delay(buf []float64) {
	for len(buf) > 0 && len(c.ring) > 0 {
		held := c.ring[c.ringAt:]
		n := min(len(held), len(buf))
		held = held[:n]
		for i, x := range buf[:n] {
			buf[i], held[i] = held[i], x
		}
		buf = buf[n:]
		if c.ringAt += n; c.ringAt == len(c.ring) {
			c.ringAt = 0
		}
	}
}

func silent(buf []float64) bool {
	bits := unsafe.Slice((*uint64)(unsafe.Pointer(unsafe.SliceData(buf))), len(buf))
	for ; len(bits) >= 8; bits = bits[8:] {
		if (bits[0]|bits[1]|bits[2]|bits[3]|bits[4]|bits[5]|bits[6]|bits[7])<<1 != 0 {
			return false
		}
	}
	for _, b := range bits {
		if b<<1 != 0 { // all but the sign
			return false
		}
	}
	return true
}

func allFinite(buf []float64) bool {
	const top = 0x7ff << 53 // exponent of Inf and NaN, without the sign
	bits := unsafe.Slice((*uint64)(unsafe.Pointer(unsafe.SliceData(buf))), len(buf))
	for ; len(bits) >= 4; bits = bits[4:] {
		if max(max(bits[0]<<1, bits[1]<<1), max(bits[2]<<1, bits[3]<<1)) >= top {
			return false
		}
	}
	for _, b := range bits {
		if b<<1 >= top {
			return false
		}
	}
	return true
}
