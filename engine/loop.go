package engine

import (
	"math"
	"sync/atomic"

	"cushwright/dsp"
	"cushwright/dsp/drift"
	"cushwright/dsp/guard"
	"cushwright/dsp/loudness"
	"cushwright/dsp/peak"
)

// This file is the audio path. Nothing here allocates, locks, logs or waits once the loop is made; it reports by
// counters alone. A test fails if it imports more than arithmetic, atomics and the signal processing.

const (
	blockFrames   = 512   // largest run processed at once
	fadeSeconds   = 0.02  // program and bypass crossfades
	startSeconds  = 0.2   // fade-in of a session
	settleSeconds = 0.3   // how long the fill is averaged after a start
	stoodStillNs  = 200e6 // without a callback for so long, the machine slept or the process was stopped
	resumeSeconds = 0.02  // fade-in after a break, fade-out before a stop
	spliceSeconds = 0.01
	graceSeconds  = 2.0
	matchDBPerSec = 1.0  // how fast the loudness match lowers what is heard
	easeDBPerSec  = 0.25 // and how fast it lets it come up again
	liftDBPerSec  = 6.0  // how fast a program with less headroom comes up to its level
	fullScale     = 32766.5 / 32768
	sameSeconds   = 0.0005 // the servo works off so much of a delay that is not as it was; more is a splice
	calmSeconds   = 600.0
	growPeriods   = 4.0 // how much more than at the start is left in the ring after many breaks, in capture periods
)

// program is what the audio thread runs: side A is the correction, side B what it is compared with (bypass, or another
// correction), both of the same lag. Both run all the time, so that a switch finds settled filters. Publishing a
// program gives it to the audio thread; nobody else touches it again.
type program struct {
	a, b       *dsp.Chain
	match      match
	gainA      float64
	gainB      float64
	liftDB     float64 // ≤ 0: what is still missing to the program's own level
	side       bool    // B is heard
	fade       *dsp.Crossfade
	badA, badB uint64
}

// match makes both sides of a program equally loud: by a fixed difference, or by what plays.
//
// By what plays, both sides are measured before the match: the short-term loudness of ITU-R BS.1770 (3 s), and until
// there is one the mean of what has been heard of the programme so far. The side that is not heard follows the
// difference at once, for nobody hears it move; the side that is heard comes down only where the other would have to
// go above its ceiling, at matchDBPerSec, and comes up again at easeDBPerSec. The ceilings are the levels that pink noise
// asks for, at most 0 dB: neither side ever gets louder than it began.
type match struct {
	pinkDB         float64 // loudness of A less loudness of B on pink noise
	diffDB         float64 // and what is taken for it now
	levelA, levelB float64 // level changes in force, dB, ≤ ceiling
	topA, topB     float64 // ceilings, dB, ≤ 0
	measured       bool    // diffDB comes from what plays

	meterA, meterB *loudness.Meter // nil: the difference is fixed
	frames         int             // since the last reading
	sumA, sumB     float64         // mean squares of the readings before the first short-term one
}

// set begins a match at a difference in loudness on pink noise: the louder side comes down.
func (m *match) set(pinkDB float64) {
	m.pinkDB, m.diffDB = pinkDB, pinkDB
	m.topA, m.topB = min(0, -pinkDB), min(0, pinkDB)
	m.levelA, m.levelB = m.topA, m.topB
}

// inherit goes on where another program's match was: what plays differs from pink noise by as much as before.
func (m *match) inherit(from *match) {
	if m.meterA == nil || from.meterA == nil || !from.measured {
		return
	}
	m.measured = true
	m.diffDB += from.diffDB - from.pinkDB
	m.levelA, m.levelB = min(m.topA, m.topB-m.diffDB), min(m.topB, m.topA+m.diffDB)
}

// follow measures a block of both sides and moves their levels. fading: both are heard.
func (m *match) follow(a, b []float64, heardB, fading bool, rateHz float64) {
	const every = 0.1 // s: the meters renew their readings as often
	m.meterA.Process(a)
	m.meterB.Process(b)
	if m.frames += len(a) / 2; float64(m.frames) >= every*rateHz {
		m.frames -= int(every * rateHz)
		m.read()
	}
	step := float64(len(a)/2) / rateHz
	heard, other, wanted, top, diff := &m.levelA, &m.levelB, min(m.topA, m.topB-m.diffDB), m.topB, m.diffDB
	if heardB {
		heard, other, wanted, top, diff = other, heard, min(m.topB, m.topA+m.diffDB), m.topA, -m.diffDB
	}
	*heard += max(-matchDBPerSec*step, min(easeDBPerSec*step, wanted-*heard))
	even := min(top, *heard+diff)
	if fading {
		even = *other + max(-matchDBPerSec*step, min(matchDBPerSec*step, even-*other))
	}
	*other = even
}

// read takes the meters' readings. Silence and noise floors say nothing about the match.
func (m *match) read() {
	const floorLUFS = -60
	a, b := m.meterA.ShortTermLUFS(), m.meterB.ShortTermLUFS()
	if math.IsInf(a, -1) && math.IsInf(b, -1) {
		a, b = m.meterA.MomentaryLUFS(), m.meterB.MomentaryLUFS()
		if !(a > floorLUFS && b > floorLUFS) || m.measured && m.sumA == 0 { // an inherited difference is better than this
			return
		}
		m.sumA, m.sumB = m.sumA+math.Pow(10, a/10), m.sumB+math.Pow(10, b/10)
		a, b = 10*math.Log10(m.sumA), 10*math.Log10(m.sumB)
	} else if !(a > floorLUFS && b > floorLUFS) {
		return
	}
	m.diffDB, m.measured = a-b, true
}

// run processes buf (side A, result) with other as scratch of the same length.
func (p *program) run(buf, other []float64, wantB bool, rateHz float64) {
	copy(other, buf)
	p.a.Process(buf)
	p.b.Process(other)
	if p.fade.Done() && p.side != wantB {
		p.side = wantB
		p.fade.Restart()
	}
	if p.match.meterA != nil {
		p.match.follow(buf, other, p.side, !p.fade.Done(), rateHz)
	}
	ga, gb := dsp.Ratio(p.match.levelA), dsp.Ratio(p.match.levelB)
	if p.liftDB < 0 {
		p.liftDB = min(0, p.liftDB+liftDBPerSec*float64(len(buf)/2)/rateHz)
		ga, gb = ga*dsp.Ratio(p.liftDB), gb*dsp.Ratio(p.liftDB)
	}
	scale(buf, p.gainA, ga)
	scale(other, p.gainB, gb)
	p.gainA, p.gainB = ga, gb
	switch {
	case !p.fade.Done() && p.side:
		p.fade.Mix(buf, other)
	case !p.fade.Done():
		p.fade.Mix(other, buf)
		copy(buf, other)
	case p.side:
		copy(buf, other)
	}
}

// scale multiplies by a gain that goes from one value to another along a straight line.
func scale(buf []float64, from, to float64) {
	if from == 1 && to == 1 {
		return
	}
	step := 2 * (to - from) / float64(len(buf))
	for i := 0; i+1 < len(buf); i += 2 {
		from += step
		buf[i] *= from
		buf[i+1] *= from
	}
}

// ramp is a level that moves between silence and unity along a raised cosine.
type ramp struct {
	at, step float64 // position 0..1, per frame
}

func (r *ramp) apply(buf []float64, up bool) {
	if up && r.at >= 1 {
		return
	}
	step := r.step
	if !up {
		step = -math.Abs(step)
	}
	for i := 0; i+1 < len(buf); i += 2 {
		r.at = max(0, min(1, r.at+step))
		g := 0.5 - 0.5*math.Cos(math.Pi*r.at)
		buf[i] *= g
		buf[i+1] *= g
	}
}

// loop is one open session's audio path. capture runs on the capture thread, render on the playback thread; the fields
// in the first group are shared and atomic, all others belong to the playback thread.
type loop struct {
	pending atomic.Pointer[program]
	bypass  atomic.Bool  // side B wanted
	mute    atomic.Bool  // fade out and stay silent
	silent  atomic.Bool  // the fade-out is over
	steady  atomic.Bool  // keep the resampler's ratio still
	grows   atomic.Bool  // a server that ran dry is answered with a larger output buffer; see Session.adapt
	gap     atomic.Bool  // the device ran dry: what comes next is a beginning
	stretch atomic.Int64 // frames that the ring is to hold more from now on: the output's buffer is about to take them
	lastIn  atomic.Int64 // when the last capture callback came, ns
	m       *meters
	ring    *ring

	rateHz    float64
	keep      int // frames that should be left in the ring after a callback, to start with; negative: owed to the device
	target    int // the same, more after breaks, less again when it was calm for long
	age       int // frames rendered
	owed      int // frames that the device waits for: asked about and not rendered yet
	calm      int // frames since the last break or change
	opened    int // the output's period with which the streams were opened, frames
	asked     int // frames of the last callback: the period may have become longer
	period    int // of the capture, frames
	lastNs    int64
	now       func() int64 // monotonic clock, ns
	inputGain func() float32
	gain      float64

	res    *drift.Resampler
	servo  *drift.Servo
	primed bool
	minFil int // smallest fill after a read since winLen was 0
	winLen int
	// The delay that a start happens to have is kept: the servo's fill is counted from what was found in the first
	// settleSeconds, within a capture period of the target. What it has beyond that is taken out, or put in, by a splice;
	// and so is what a break has left it with more or less than before.
	found, bias float64
	settle      int    // frames still to be averaged
	settled     int    // callbacks averaged
	kept        bool   // bias is that of a delay that was heard
	asks        bool   // the output has a buffer of its own, from which it can wait
	flows       uint64 // times the server had run dry at the last callback

	cur, next *program
	fade      *dsp.Crossfade
	level     ramp
	guard     *guard.Guard // nil: switched off
	overs     uint64       // of the guard, as counted already
	inTrue    *peak.Meter
	outTrue   *peak.Meter
	clipRun   [2]int

	splice             splice
	entry              int // frames of the fade-in that are still to come, of what comes into the filters after the ring ran dry
	src, buf, old, tmp []float64
}

// splice is a crossfade from the frames that stand from places ahead in the ring to those that stand to places ahead: delay
// is taken out or put in without a click.
type splice struct {
	from, to  int
	at, total int // frames done; none is under way at total
}

type loopConfig struct {
	rateHz                      float64
	captureFrames, outputFrames int
	keepFrames                  int // left in the ring after a callback; see Plan
	guard                       bool
	ceilingDB                   float64
	aheadS                      float64 // how far the guard looks ahead, s
	inputGain                   func() float32
	now                         func() int64
}

func newLoop(c loopConfig, m *meters, first *program) (*loop, error) {
	const maxIn = blockFrames*2 + 512 // generous: ratio and filter length
	l := &loop{m: m, rateHz: c.rateHz, inputGain: c.inputGain, now: c.now, gain: float64(c.inputGain()),
		keep: c.keepFrames, target: c.keepFrames, period: c.captureFrames, ring: newRing(max(8*(c.captureFrames+c.outputFrames), int(c.rateHz/2))),
		opened: c.outputFrames, res: drift.New(maxIn), servo: drift.NewServo(c.rateHz, float64(c.keepFrames)+float64(c.captureFrames)/2),
		cur: first, fade: dsp.NewCrossfade(int(fadeSeconds * c.rateHz)), level: ramp{step: 1 / (startSeconds * c.rateHz)},
		src: make([]float64, 2*maxIn), buf: make([]float64, 2*blockFrames), old: make([]float64, 2*blockFrames),
		tmp: make([]float64, 2*blockFrames)}
	for !l.fade.Done() { // no fade is under way yet
		l.fade.Mix(l.buf, l.buf)
	}
	var err error
	if l.inTrue, err = peak.New(c.rateHz); err != nil {
		return nil, err
	}
	if l.outTrue, err = peak.New(c.rateHz); err != nil {
		return nil, err
	}
	lag := l.res.LagFrames() + first.a.LagFrames()
	if c.guard {
		g, err := guard.New(c.rateHz, c.ceilingDB, guard.WithLookAhead(c.aheadS))
		if err != nil {
			return nil, err
		}
		l.guard = g
		lag += g.LagFrames()
	}
	m.lag.Store(int64(lag))
	return l, nil
}

// capture takes what the capture device delivers.
func (l *loop) capture(in []float32) {
	l.m.captured.Add(1)
	l.lastIn.Store(l.now())
	if d := l.ring.write(in); d > 0 {
		l.m.overruns.Add(uint64(d))
	}
}

// ready says how many of the next frames can be rendered before the ring is empty. The device is owed those that it asks
// about until they are rendered: they count as taken from the ring. With the first call it says that it wants more, so that
// is the moment at which the fill is read.
func (l *loop) ready(frames int) int {
	asked := frames - l.owed
	l.owed, l.asks = frames, true
	if !l.primed {
		return max(0, frames+min(0, l.target)) // silence
	}
	if asked > 0 {
		l.observe(asked, l.now())
	}
	ahead := l.splice.to
	if l.splice.total > 0 {
		ahead = max(ahead, l.splice.from)
	}
	n := max(0, min(frames, l.ring.fill()-ahead))
	for n > 0 && l.res.Need(n)+ahead > l.ring.fill() {
		n--
	}
	return n
}

// fill is what the ring holds beyond what the device is owed already, frames.
func (l *loop) fill() int { return l.ring.fill() - l.owed }

// render fills out with the next frames.
func (l *loop) render(out []float32) {
	now := l.now()
	if l.lastNs != 0 && float64(now-l.lastNs)*1e-9*l.rateHz > 1.5*float64(max(l.opened, l.asked)) {
		l.m.late.Add(1)
	}
	gap := l.gap.Swap(false)
	if l.lastNs != 0 && now-l.lastNs > stoodStillNs {
		gap = true
		l.ring.consume(l.ring.fill()) // from before
		l.primed = false
	}
	if gap {
		if l.level.at >= 1 { // the fade-in of a start stays as slow as it is
			l.level.step = 1 / (resumeSeconds * l.rateHz)
		}
		l.level.at = 0
		if l.guard != nil {
			l.guard.Reset()
			l.overs = 0
		}
	}
	frames := len(out) / 2
	l.lastNs, l.asked = now, frames
	if want := max(0, l.target) + l.res.Need(frames); !l.primed && l.ring.fill() >= want {
		l.ring.consume(l.ring.fill() - want) // what piled up before the first callback is only delay
		l.primed, l.splice = true, splice{}
		l.servo.Again() // the clocks are as they were
		l.found, l.settle, l.settled = 0, int(settleSeconds*l.rateHz), 0
		l.minFil, l.winLen = math.MaxInt, 0
	}
	if l.primed {
		l.watchFill()
	}
	inPeak, outPeak := 0.0, 0.0
	for rest := out; len(rest) > 0; {
		n := min(len(rest), 2*blockFrames)
		i, o := l.block(rest[:n])
		inPeak, outPeak = max(inPeak, i), max(outPeak, o)
		rest = rest[n:]
	}
	l.m.inPeak.store(inPeak)
	l.m.outPeak.store(outPeak)
	l.m.inTrue.store(max(inPeak, l.inTrue.Recent()))
	l.m.outTrue.store(max(outPeak, l.outTrue.Recent()))
	l.m.inHold.raise(max(inPeak, l.inTrue.Largest()))
	l.m.outHold.raise(max(outPeak, l.outTrue.Largest()))
	owed := l.owed > 0
	l.owed = max(0, l.owed-frames)
	if l.primed {
		if !owed {
			l.observe(frames, now)
		}
		if l.calm += frames; l.calm > int(calmSeconds*l.rateHz) && l.target > l.keep {
			l.calm = 0
			l.target = max(l.keep, l.target-l.period/2) // the servo works it off slowly
		}
		l.minFil = min(l.minFil, l.fill())
		l.winLen += frames
	}
	l.age += frames
	l.flows = l.m.underflows.Load()
	l.m.callbacks.Add(1)
}

// observe reads the fill when the device has asked for frames.
func (l *loop) observe(frames int, now int64) {
	fill := l.fill()
	l.m.ringFill.Store(int64(fill))
	// What the capture device holds back until its next period belongs to the delay as well: without it the fill
	// beats with the two periods, and the servo would follow that.
	held := min(float64(now-l.lastIn.Load())*1e-9*l.rateHz, 2*float64(l.period))
	l.steer(float64(fill)+held, frames)
}

// steer sets the drift resampler's ratio from the fill.
func (l *loop) steer(fill float64, frames int) {
	if l.settle > 0 {
		l.found += fill
		l.settled++
		if l.settle -= frames; l.settle <= 0 {
			period := float64(l.period)
			off := l.found/float64(l.settled) - float64(l.target) - period/2
			if !l.kept && off <= period && off >= -period/2 {
				l.bias = off
			}
			l.kept = true
			switch more := off - l.bias; {
			case more > sameSeconds*l.rateHz:
				l.trim(int(more))
			case more < -sameSeconds*l.rateHz:
				l.lengthen(int(-more))
			}
		}
		return
	}
	l.servo.Hold(l.steady.Load())
	ratio := l.servo.Update(fill-l.bias-float64(l.target-l.keep), frames)
	l.res.SetRatio(ratio)
	l.m.ratioPPM.store((ratio - 1) * 1e6)
}

// block makes one run of at most blockFrames and returns the sample peaks at input and output.
func (l *loop) block(out []float32) (inPeak, outPeak float64) {
	buf := l.buf[:len(out)]
	inPeak = l.fetch(buf)

	if l.next == nil {
		if p := l.pending.Swap(nil); p != nil {
			p.side = l.bypass.Load()
			p.match.inherit(&l.cur.match)
			p.gainA, p.gainB = dsp.Ratio(p.match.levelA), dsp.Ratio(p.match.levelB)
			// less headroom than before would be a jump up: start as low as the sound was and come up
			p.liftDB = min(0, l.cur.a.HeadroomDB()+l.cur.liftDB-p.a.HeadroomDB())
			p.gainA, p.gainB = p.gainA*dsp.Ratio(p.liftDB), p.gainB*dsp.Ratio(p.liftDB)
			l.next = p
			l.fade.Restart()
		}
	}
	wantB := l.bypass.Load()
	tmp := l.tmp[:len(buf)]
	if l.next != nil {
		old := l.old[:len(buf)]
		copy(old, buf)
		l.cur.run(old, tmp, wantB, l.rateHz)
		l.next.run(buf, tmp, wantB, l.rateHz)
		l.fade.Mix(old, buf)
		copy(buf, old)
		if l.fade.Done() {
			l.cur, l.next = l.next, nil
		}
	} else {
		l.cur.run(buf, tmp, wantB, l.rateHz)
	}
	l.m.matchDB.store(l.cur.match.levelB - l.cur.match.levelA)
	l.countBad(l.cur)

	mute := l.mute.Load()
	if mute {
		l.level.step = 1 / (resumeSeconds * l.rateHz)
	}
	l.level.apply(buf, l.primed && !mute)
	l.silent.Store(mute && l.level.at == 0)

	if l.guard != nil {
		l.guard.Process(buf)
		r := l.guard.TakeReduction()
		l.m.guardNow.store(r)
		l.m.guardMax.raise(r)
		o := l.guard.Overs()
		l.m.overs.Add(o - l.overs)
		l.overs = o
	}
	l.outTrue.Process(buf)
	for i, x := range buf {
		if l.guard == nil && math.Abs(x) > 1 {
			l.m.overs.Add(1)
		}
		outPeak = max(outPeak, math.Abs(x))
		out[i] = float32(x)
	}
	return inPeak, outPeak
}

func (l *loop) countBad(p *program) {
	if a, b := p.a.BadBlocks(), p.b.BadBlocks(); a != p.badA || b != p.badB {
		l.m.bad.Add(a - p.badA + b - p.badB)
		p.badA, p.badB = a, b
	}
}

// fetch fills dst from the ring through the drift resampler and returns the sample peak of what it took.
func (l *loop) fetch(dst []float64) (peak float64) {
	if !l.primed {
		clear(dst)
		return 0
	}
	n := len(dst) / 2
	need := l.res.Need(n)
	src := l.src[:2*need]
	fill := l.ring.fill()
	g := float64(l.inputGain())
	ahead := 0
	if l.splice.total > 0 {
		ahead = l.splice.from
	}
	if fill < need+max(ahead, l.splice.to) { // dry: let what is left die away, then wait until there is enough again
		l.m.underruns.Add(1)
		clear(src)
		last := min(fill, need)
		l.ring.peek(src[:2*last], min(ahead, fill-last), l.gain)
		for i := range src[:2*last] {
			src[i] *= 0.5 + 0.5*math.Cos(math.Pi*(float64(i/2)+1)/float64(last+1))
		}
		l.ring.consume(fill)
		l.res.Process(dst, src)
		l.primed, l.splice, l.calm = false, splice{}, 0
		l.entry = int(resumeSeconds * l.rateHz)
		answered := l.grows.Load() && l.m.underflows.Load() != l.flows
		if l.age > int(graceSeconds*l.rateHz) && !answered { // the next start keeps more in hand; a server that only just links the streams proves nothing
			l.target = min(l.target+l.period/2, l.keep+int(growPeriods*float64(l.period)))
		}
		l.level.step = 1 / (resumeSeconds * l.rateHz) // down over the filters' tails, up again when sound is back
		return 0
	}
	l.ring.peek(src, ahead, 1)
	if l.splice.at < l.splice.total {
		l.mixSplice(src)
	}
	l.enter(src)
	peak = l.meterInput(src)
	scale(src, l.gain, g)
	l.gain = g
	used := l.res.Process(dst, src)
	l.inTrue.Process(src[:2*used])
	l.ring.consume(used)
	l.entry = max(0, l.entry-used)
	if l.splice.total > 0 {
		l.splice.at += used
	}
	if l.splice.total > 0 && l.splice.at >= l.splice.total {
		l.ring.consume(l.splice.to)
		l.servo.Shift(-float64(l.splice.to))
		l.splice = splice{}
		l.minFil, l.winLen = math.MaxInt, 0
	}
	return peak * g
}

// enter fades src in after the ring ran dry. The filters are still sounding then: the level at their output goes down and up over what that
// leaves, and may not have got far.
func (l *loop) enter(src []float64) {
	total := resumeSeconds * l.rateHz
	for i := 0; i < min(l.entry, len(src)/2); i++ {
		w := 0.5 + 0.5*math.Cos(math.Pi*(float64(l.entry-i)-0.5)/total)
		src[2*i] *= w
		src[2*i+1] *= w
	}
}

// watchFill begins a splice where the supervisor wishes for more frames in the ring, or where a second's worth of fills
// shows that a stall has left more than the delay needs.
func (l *loop) watchFill() {
	if l.splice.total > 0 {
		return
	}
	if more := int(l.stretch.Load()); more != 0 {
		l.stretch.Store(0)
		l.lengthen(more)
		return
	}
	if l.winLen > int(l.rateHz) {
		if surplus := l.minFil - l.target - 2*l.period - int(l.rateHz/500); surplus > 0 && l.minFil != math.MaxInt {
			l.trim(l.minFil - max(0, l.target)) // what stands in the device's own buffer is out of reach
		}
		l.minFil, l.winLen = math.MaxInt, 0
	}
}

// trim takes skip frames of delay out. An output with a buffer of its own waits until the ring has them.
func (l *loop) trim(skip int) {
	if skip > 0 && (l.ring.fill() > skip || l.asks && skip <= 2*l.period) && l.splice.total == 0 {
		l.splice = splice{to: skip, total: int(spliceSeconds * l.rateHz)}
		l.m.trims.Add(1)
	}
}

// lengthen puts more frames of delay in: frames read already are read again. The servo is not told: it has not begun, or the
// output's buffer takes the same number in a moment.
func (l *loop) lengthen(more int) {
	if l.splice.total == 0 && l.ring.unread(more) {
		l.splice = splice{from: more, total: int(spliceSeconds * l.rateHz)}
	}
}

// mixSplice mixes into src, which holds the frames of the side that goes, those of the side that comes.
func (l *loop) mixSplice(src []float64) {
	sp := &l.splice
	n := len(src) / 2
	for at := 0; at < n; at += blockFrames {
		k := min(blockFrames, n-at)
		comes := l.old[:2*k]
		l.ring.peek(comes, sp.to+at, 1)
		for i := range k {
			w := 1.0
			if x := float64(sp.at+at+i) + 0.5; x < float64(sp.total) {
				w = 0.5 - 0.5*math.Cos(math.Pi*x/float64(sp.total))
			}
			j := 2 * (at + i)
			src[j] += w * (comes[2*i] - src[j])
			src[j+1] += w * (comes[2*i+1] - src[j+1])
		}
	}
}

// meterInput finds the peak and counts runs of three or more samples at full scale: the programme itself was
// clipped. Bad samples become silence here, so that they reach neither filter nor detector.
func (l *loop) meterInput(src []float64) (peak float64) {
	bad := false
	for i, x := range src {
		a := math.Abs(x)
		if !(a <= math.MaxFloat32) {
			src[i], a, bad = 0, 0, true
		}
		peak = max(peak, a)
		e := i & 1
		if a*l.gain >= fullScale {
			if l.clipRun[e]++; l.clipRun[e] == 3 {
				l.m.clipped.Add(1)
			}
		} else {
			l.clipRun[e] = 0
		}
	}
	if bad {
		l.m.bad.Add(1)
	}
	return peak
}
