// Package guard is the look-ahead limiter at the end of the live path. It keeps the true peak below a ceiling and is
// a bit-exact delay while there is nothing to hold back.
//
// The gain that every frame needs is found on the interpolated signal of both ears (ITU-R BS.1770-5, Annex 2), held
// as a sliding minimum, released exponentially, and smoothed by three moving averages in a row, whose weights are
// positive and sum to one. The minimum reaches as far ahead as the averages reach back, so the smoothed gain is
// never above the gain that the frame needs: no overshoot by construction. The averages run in integers, so they
// come back to exactly one and do not drift.
package guard

import (
	"fmt"
	"math"

	"cushwright/dsp/internal/truepeak"
)

const (
	// DefaultCeilingDB is the usual ceiling, dB below full scale, true peak.
	DefaultCeilingDB = -1.0

	// DefaultLookAheadS and LeastLookAheadS are how far the guard looks ahead, s: as a rule, and at least.
	DefaultLookAheadS = 0.002
	LeastLookAheadS   = 0.001

	holdS    = 0.012 // longer than half a period of 42 Hz: the gain stands still on steady bass, so it adds no distortion
	releaseS = 0.120 // time constant back to unity
	overGapS = 0.010 // peaks above full scale closer together than this are one event
	// marginRatio is added to interpolated peaks for what an 8-fold grid misses: 20·log10(cos(π/16·20/24)) = −0.117 dB
	// at 20 kHz and 48 kHz.
	marginRatio = 1.0136
	one         = int64(1) << 36 // unit gain before the integer averages, 2⁶⁰ behind them at 384 kHz
	chunkFrames = 32
	largestIn   = 1e6 // 120 dB above full scale: larger samples are no sound, and are treated like Inf
)

// Guard is the limiter. It has one owner at a time and is not safe for concurrent use. It is a dsp.Processor.
type Guard struct {
	ceiling float64
	interp  *truepeak.Interpolator
	quiet   float64 // below this sample peak no interpolated peak can need a gain
	release float64
	lag     int
	window  int // frames of the sliding minimum

	hist  [2][]float32 // per ear: Taps−1 old samples, then the chunk
	peaks [2][chunkFrames]float32
	need  [chunkFrames]float64
	gains [chunkFrames]int64
	delay []float64 // ring of lag frames
	at    int

	minGain []float64 // deque of the sliding minimum: increasing gains
	minAt   []int64
	head, n int
	frame   int64

	env    float64
	unit   float64 // what unit gain has become behind the averages
	boxes  [3]box
	idle   int // frames since the envelope came back to one; the averages hold only ones once it reaches settle
	settle int

	lastPeak  float64 // peak of the interval before the current frame
	overFor   int     // frames until the event above full scale is over
	overGap   int
	overs     uint64
	bad       uint64
	truePeak  float64
	lowest    float64
	histQuiet float64 // largest sample in hist
}

type box struct {
	ring []int64
	at   int
	sum  int64
}

// Option changes how a Guard is made.
type Option func(*options)

type options struct{ lookAheadS float64 }

// WithLookAhead sets how far the guard looks ahead, 0.001 to 0.002 s: its whole lag, interpolation included. With less
// it turns down more abruptly; the ceiling holds as well.
func WithLookAhead(seconds float64) Option { return func(o *options) { o.lookAheadS = seconds } }

// New makes a guard for a sample rate of 44.1 to 384 kHz and a ceiling of −20 to 0 dB relative to full scale. It looks
// DefaultLookAheadS ahead.
func New(rateHz, ceilingDB float64, opts ...Option) (*Guard, error) {
	o := options{lookAheadS: DefaultLookAheadS}
	for _, f := range opts {
		f(&o)
	}
	if !(rateHz >= 44100 && rateHz <= 384000) {
		return nil, fmt.Errorf("guard: set rate_hz %q: allowed: 44100 to 384000 Hz", fmt.Sprint(rateHz))
	}
	if !(ceilingDB >= -20 && ceilingDB <= 0) {
		return nil, fmt.Errorf("guard: set ceiling_db %q: allowed: -20 to 0 dB", fmt.Sprint(ceilingDB))
	}
	if !(o.lookAheadS >= LeastLookAheadS && o.lookAheadS <= DefaultLookAheadS) {
		return nil, fmt.Errorf("guard: set look-ahead %q: allowed: %g to %g s", fmt.Sprint(o.lookAheadS), LeastLookAheadS, DefaultLookAheadS)
	}
	g := &Guard{ceiling: math.Pow(10, ceilingDB/20), interp: truepeak.New(rateHz)}
	g.quiet = g.ceiling / (g.interp.L1() * marginRatio)
	g.release = 1 - math.Exp(-1/(releaseS*rateHz))
	g.lag = int(o.lookAheadS * rateHz)
	smooth := g.lag - truepeak.Ahead // frames between a peak's discovery and its way out
	total := 0
	for i := range g.boxes {
		l := (smooth - total) / (len(g.boxes) - i)
		total += l
		g.boxes[i].ring = make([]int64, l+1)
	}
	g.overGap = int(overGapS * rateHz)
	g.settle = total + len(g.boxes)
	// The averages reach back over total frames; one more because a peak between two frames binds both.
	g.window = total + 2 + int(holdS*rateHz)
	g.minGain = make([]float64, g.window+1)
	g.minAt = make([]int64, g.window+1)
	g.delay = make([]float64, 2*g.lag)
	for e := range g.hist {
		g.hist[e] = make([]float32, truepeak.Taps-1+chunkFrames)
	}
	g.Reset()
	return g, nil
}

// LagFrames is the delay between input and output: the look-ahead.
func (g *Guard) LagFrames() int { return g.lag }

// CeilingDB is the ceiling, dB relative to full scale.
func (g *Guard) CeilingDB() float64 { return 20 * math.Log10(g.ceiling) }

// ReductionDB is the largest gain reduction since the last TakeReduction, in dB, ≥ 0.
func (g *Guard) ReductionDB() float64 {
	if g.lowest >= 1 {
		return 0
	}
	return -20 * math.Log10(max(g.lowest, 1e-9))
}

// TruePeakIn is the largest peak of the input since the last TakeReduction, as a ratio to full scale, before the
// guard. Below about −8 dB relative to the ceiling it is the sample peak, above that the true peak.
func (g *Guard) TruePeakIn() float64 { return g.truePeak }

// TakeReduction returns ReductionDB and begins a new reading of ReductionDB and TruePeakIn.
func (g *Guard) TakeReduction() float64 {
	r := g.ReductionDB()
	g.lowest, g.truePeak = 1, 0
	return r
}

// Overs counts how often the input's true peak rose above full scale. Peaks within 10 ms of one another are one
// event, so a passage that is too loud throughout counts once.
func (g *Guard) Overs() uint64 { return g.overs }

// BadFrames counts the frames that held NaN, Inf or a value beyond 10⁶ and were silenced.
func (g *Guard) BadFrames() uint64 { return g.bad }

// Reset clears the signal, the gain, the readings and the counters.
func (g *Guard) Reset() {
	for e := range g.hist {
		clear(g.hist[e])
	}
	clear(g.delay)
	g.at, g.head, g.n, g.frame = 0, 0, 0, 0
	g.env = 1
	u := one
	for i := range g.boxes {
		b := &g.boxes[i]
		for j := range b.ring {
			b.ring[j] = u
		}
		u *= int64(len(b.ring))
		b.at, b.sum = 0, u
	}
	g.unit = float64(u)
	g.idle = g.settle
	g.lastPeak, g.overFor, g.overs, g.bad, g.histQuiet = 0, 0, 0, 0, 0
	g.truePeak, g.lowest = 0, 1
}

// Process limits the interleaved stereo frames of buf in place.
func (g *Guard) Process(buf []float64) {
	for len(buf) >= 2 {
		n := min(len(buf), 2*chunkFrames)
		g.chunk(buf[:n])
		buf = buf[n:]
	}
}

func (g *Guard) chunk(buf []float64) {
	const old = truepeak.Taps - 1
	n := len(buf) / 2
	peak := 0.0
	l, r := g.hist[0][old:old+n], g.hist[1][old:old+n]
	for i := range l {
		a, b := buf[2*i], buf[2*i+1]
		p, q := math.Abs(a), math.Abs(b)
		if !(p <= largestIn && q <= largestIn) {
			a, b, p, q = 0, 0, 0, 0
			buf[2*i], buf[2*i+1] = 0, 0
			g.bad++
		}
		if p > peak { // a branch seldom taken: cheaper than max
			peak = p
		}
		if q > peak {
			peak = q
		}
		l[i], r[i] = float32(a), float32(b)
	}
	// No interpolated value exceeds L1 times the largest sample it is made of, so a quiet chunk needs no interpolation.
	if max(peak, g.histQuiet) <= g.quiet {
		g.truePeak = max(g.truePeak, peak)
		g.overFor = max(0, g.overFor-n)
		g.shiftHistory(n, peak)
		if g.n > 0 || g.idle < g.settle {
			clear(g.need[:n])
			g.limit(buf)
			return
		}
		g.lastPeak = 0
		g.pass(buf)
		return
	}
	g.interp.Peaks(g.peaks[0][:], g.hist[0], n)
	g.interp.Peaks(g.peaks[1][:], g.hist[1], n)
	if g.passes(n, peak) {
		g.pass(buf)
		return
	}
	largestNeed := g.needs(n)
	g.shiftHistory(n, peak)
	if max(largestNeed, g.lastPeak) <= g.ceiling && g.n == 0 && g.idle >= g.settle {
		g.lastPeak = g.need[n-1]
		g.pass(buf)
		return
	}
	g.limit(buf)
}

// interval is what the interpolated peaks belong to: the first of its samples is Ahead behind the newest one.
func (g *Guard) interval(n int) (l, r, pl, pr []float32) {
	const first = truepeak.Taps - 1 - truepeak.Ahead
	return g.hist[0][first : first+n], g.hist[1][first : first+n], g.peaks[0][:n], g.peaks[1][:n]
}

// passes reports whether the chunk can pass as it is, which is most often so, and takes note of its peaks where it is.
func (g *Guard) passes(n int, peak float64) bool {
	if g.n != 0 || g.idle < g.settle || g.overFor != 0 || g.lastPeak > g.ceiling {
		return false
	}
	l, r, pl, pr := g.interval(n)
	// Floats that are not negative order like integers.
	const sign = 1 << 31
	bits, sampleBits := uint32(0), uint32(0)
	for i, v := range pl {
		bits = max(bits, math.Float32bits(v), math.Float32bits(pr[i]))
		sampleBits = max(sampleBits, math.Float32bits(l[i])&^sign, math.Float32bits(r[i])&^sign)
	}
	between, sample := math.Float32frombits(bits), math.Float32frombits(sampleBits)
	if float64(max(between*marginRatio, sample*(1+0x1p-22))) > g.ceiling {
		return false
	}
	g.truePeak = max(g.truePeak, float64(max(between, sample)))
	g.lastPeak = float64(max(bigger(l[n-1], r[n-1])*(1+0x1p-22), bigger(pl[n-1], pr[n-1])*marginRatio))
	g.shiftHistory(n, peak)
	return true
}

// needs fills g.need with the level that each frame must be held down from, returns the largest of them, and counts
// overs.
func (g *Guard) needs(n int) (largestNeed float64) {
	l, r, pl, pr := g.interval(n)
	largest := 0.0
	need := g.need[:n]
	for i := range l {
		sample := bigger(l[i], r[i])
		between := bigger(pl[i], pr[i])
		pl[i] = bigger(sample, between)
		// float32 may have rounded the sample down: a part in 2^22 more covers it.
		need[i] = float64(bigger(sample*(1+0x1p-22), between*marginRatio))
		if v := float64(pl[i]); v > largest {
			largest = v
		}
		if need[i] > largestNeed {
			largestNeed = need[i]
		}
	}
	g.truePeak = max(g.truePeak, largest)
	if largest > 1 || g.overFor > 0 {
		for _, p := range pl {
			if g.overFor > 0 {
				g.overFor--
			}
			if p > 1 {
				if g.overFor == 0 {
					g.overs++
				}
				g.overFor = g.overGap
			}
		}
	}
	return largestNeed
}

// shiftHistory moves the newest Taps−1 samples to the front of the history.
func (g *Guard) shiftHistory(n int, peak float64) {
	const old = truepeak.Taps - 1
	for e := range g.hist {
		copy(g.hist[e][:old], g.hist[e][n:n+old])
	}
	if n >= old {
		// Not exact (the oldest samples may have left), but never too low.
		g.histQuiet = peak
		return
	}
	m := float32(0)
	for e := range g.hist {
		for _, v := range g.hist[e][:old] {
			m = max(m, abs32(v))
		}
	}
	g.histQuiet = float64(m) * (1 + 0x1p-23)
}

// pass delays frames that need no gain.
func (g *Guard) pass(buf []float64) {
	g.frame += int64(len(buf) / 2)
	d := g.delay[g.at:]
	if len(d) < len(buf) {
		swap(buf[:len(d)], d)
		buf = buf[len(d):]
		g.at, d = 0, g.delay
	}
	swap(buf, d)
	if g.at += len(buf); g.at == len(g.delay) {
		g.at = 0
	}
}

func swap(a, b []float64) {
	b = b[:len(a)]
	for i, v := range a {
		a[i], b[i] = b[i], v
	}
}

// limit moves frames through the delay and applies the gain. g.need holds the peak of each frame's newest interval.
func (g *Guard) limit(buf []float64) {
	n := len(buf) / 2
	q := g.gains[:n]
	last, env := g.lastPeak, g.env
	for i := range q {
		p := g.need[i]
		need := 1.0
		if p > g.ceiling {
			need = g.ceiling / p
		}
		if last > g.ceiling && last > p {
			need = g.ceiling / last
		}
		last = p
		held := 1.0
		if need < 1 || g.n > 0 {
			held = g.hold(need)
		}
		g.frame++
		switch {
		case held < env:
			env = held
		case env < 1:
			if env += (1 - env) * g.release; env > held {
				env = held
			}
			if env > 1-1e-7 && held == 1 {
				env = 1
			}
		}
		if env < 1 {
			g.idle = 0
		} else {
			g.idle++
		}
		q[i] = int64(env * float64(one)) // rounded down: never above what is needed
	}
	g.lastPeak, g.env = last, env
	for b := range g.boxes {
		bx := &g.boxes[b]
		ring, at, sum := bx.ring, bx.at, bx.sum
		for i, v := range q {
			sum += v - ring[at]
			ring[at] = v
			if at++; at == len(ring) {
				at = 0
			}
			q[i] = sum // not divided: unit grows from average to average
		}
		bx.at, bx.sum = at, sum
	}
	lowest := g.lowest
	delay, at, c := g.delay, g.at, g.ceiling
	for i, v := range q {
		gain := float64(v) / g.unit // exactly 1 when all of the averages' inputs were
		if gain < lowest {
			lowest = gain
		}
		f := buf[2*i : 2*i+2 : 2*i+2]
		d := delay[at : at+2 : at+2]
		a, b := d[0]*gain, d[1]*gain
		d[0], d[1] = f[0], f[1]
		if at += 2; at == len(delay) {
			at = 0
		}
		// The clamp only takes off the last rounding.
		if a > c {
			a = c
		} else if a < -c {
			a = -c
		}
		if b > c {
			b = c
		} else if b < -c {
			b = -c
		}
		f[0], f[1] = a, b
	}
	g.at, g.lowest = at, lowest
}

// hold returns the smallest gain of the last window frames, need included.
func (g *Guard) hold(need float64) float64 {
	if g.n > 0 && g.minAt[g.head] <= g.frame-int64(g.window) {
		if g.head++; g.head == len(g.minGain) {
			g.head = 0
		}
		g.n--
	}
	if need < 1 {
		at := g.head + g.n
		if at >= len(g.minGain) {
			at -= len(g.minGain)
		}
		for g.n > 0 {
			last := at - 1
			if last < 0 {
				last = len(g.minGain) - 1
			}
			if g.minGain[last] < need {
				break
			}
			at = last
			g.n--
		}
		g.minGain[at], g.minAt[at] = need, g.frame
		g.n++
	}
	if g.n == 0 {
		return 1
	}
	return g.minGain[g.head]
}

func abs32(x float32) float32 { return math.Float32frombits(math.Float32bits(x) &^ (1 << 31)) }

// bigger returns the larger magnitude of two finite numbers. Without their sign, floats order like integers, and the
// comparison of those needs no branch.
func bigger(a, b float32) float32 {
	return math.Float32frombits(max(math.Float32bits(a)&^(1<<31), math.Float32bits(b)&^(1<<31)))
}
