package live

import (
	"math"

	"cushwright/dsp/drift"
)

const (
	graceS    = 2.0   // after a start, a break proves nothing: the server may only just have linked the streams
	calmS     = 600.0 // without a break, before the ring holds less again
	growMost  = 4.0   // how much more than at the start the ring keeps after many breaks, in capture periods
	sourceMax = blockFrames*2 + 512
)

// feed brings what is captured to the playback thread's clock: the ring, the drift resampler with its servo, and the
// splices that change the delay without a click. It holds the account of what the device is owed.
//
// Owner: the playback thread. The ring's writing end and the wishes have owners of their own.
type feed struct {
	account
	in     *intake
	ring   *ring
	wishes *wishes
	m      *Meters
	rateHz float64
	period int // of the capture, frames

	least  int // frames to keep in the ring after a callback, at the start; negative: frames to stay owed to the device
	target int // the same, more after breaks, less again after a calm
	spare  int // frames in the ring beyond that, which a larger output buffer is about to take
	primed bool
	age    int    // frames since the start
	calm   int    // frames since the last break or change
	dryAt  uint64 // times the server had run dry at the last callback

	res        *drift.Resampler
	steering   steering
	splice     splice
	fadeIn     int // frames still to come of the fade-in of what reaches the filters after the ring ran dry
	leastFill  int // smallest fill after a callback in the window
	window     int // frames of the window
	src, comes []float64
}

func newFeed(c Config, in *intake, w *wishes, m *Meters) *feed {
	servo := drift.NewServo(c.RateHz, float64(c.LeaveFrames)+float64(c.CaptureFrames)/2)
	return &feed{in: in, ring: in.ring, wishes: w, m: m, rateHz: c.RateHz, period: c.CaptureFrames,
		least: c.LeaveFrames, target: c.LeaveFrames, leastFill: math.MaxInt,
		res: drift.New(sourceMax), steering: steering{servo: servo},
		src: make([]float64, 2*sourceMax), comes: make([]float64, 2*blockFrames)}
}

// seconds is so much time in frames.
func (f *feed) seconds(s float64) int { return int(s * f.rateHz) }

// fill is what the ring holds beyond what the device is owed and what a larger buffer is about to take.
func (f *feed) fill() int { return f.ring.fill() - f.owed - f.spare }

// due is how many of the owed frames can be given before the ring is empty. The fill is read at the first call after
// the device has asked: that is the moment at which it wants more.
func (f *feed) due(nowNs int64) int {
	asked := f.takeFresh()
	if !f.primed {
		return max(0, f.owed+min(0, f.target)) // silence
	}
	if asked > 0 {
		f.observe(asked, nowNs)
	}
	held := f.splice.ahead() // a splice reads so far beyond what is consumed
	n := max(0, min(f.owed, f.ring.fill()-held))
	for n > 0 && f.res.Need(n)+held > f.ring.fill() {
		n--
	}
	return n
}

// drop forgets what the ring holds: it is from before a standstill.
func (f *feed) drop() {
	f.ring.consume(f.ring.fill())
	f.primed = false
}

// prepare begins a callback of so many frames: it starts once the ring holds enough, and changes the delay as needed.
func (f *feed) prepare(frames int) {
	if f.primed {
		f.watch()
		return
	}
	f.spare = int(f.wishes.spare.Load())
	want := max(0, f.target) + f.spare + f.res.Need(frames)
	if f.ring.fill() < want {
		return
	}
	f.ring.consume(f.ring.fill() - want) // what piled up before the first callback is only delay
	f.primed, f.splice = true, splice{}
	f.steering.again(f.seconds(settleS))
	f.newWindow()
}

// read fills dst through the drift resampler. ranDry: the sound ends here, and begins again when the ring holds enough.
func (f *feed) read(dst []float64, in *input) (ranDry bool) {
	if !f.primed {
		clear(dst)
		return false
	}
	need := f.res.Need(len(dst) / 2)
	src := f.src[:2*need]
	if f.ring.fill() < need+f.splice.ahead() {
		f.end(dst, src, in.gain)
		return true
	}
	f.ring.peek(src, f.splice.from, 1)
	f.mixSplice(src)
	f.enter(src)
	in.condition(src)
	used := f.res.Process(dst, src)
	in.truePeak.Process(src[:2*used])
	f.ring.consume(used)
	f.fadeIn = max(0, f.fadeIn-used)
	f.moveSplice(used)
	return false
}

// end lets what is left in the ring die away.
func (f *feed) end(dst, src []float64, gain float64) {
	f.m.playback.underruns.Add(1)
	fill := f.ring.fill()
	clear(src)
	last := min(fill, len(src)/2)
	f.ring.peek(src[:2*last], min(f.splice.from, fill-last), gain)
	for i := range src[:2*last] {
		src[i] *= 0.5 + 0.5*math.Cos(math.Pi*(float64(i/2)+1)/float64(last+1))
	}
	f.ring.consume(fill)
	f.res.Process(dst, src)
	f.primed, f.splice, f.calm = false, splice{}, 0
	f.fadeIn = f.seconds(resumeS)
	// Where the server ran dry as well, a larger output buffer is the answer. Otherwise the ring keeps more from the
	// next start on.
	answered := f.wishes.grows.Load() && f.m.Underflows() != f.dryAt
	if f.age > f.seconds(graceS) && !answered {
		f.target = min(f.target+f.period/2, f.least+int(growMost*float64(f.period)))
	}
}

// enter fades src in after the ring ran dry. The filters still sound then. The fader at their output goes down and up
// as well, and may not be far down yet.
func (f *feed) enter(src []float64) {
	total := resumeS * f.rateHz
	for i := 0; i < min(f.fadeIn, len(src)/2); i++ {
		w := 0.5 + 0.5*math.Cos(math.Pi*(float64(f.fadeIn-i)-0.5)/total)
		src[2*i] *= w
		src[2*i+1] *= w
	}
}

// finish ends a callback: so many frames were given.
func (f *feed) finish(frames int, nowNs int64) {
	owed := f.give(frames)
	if f.primed {
		if !owed {
			f.observe(frames, nowNs)
		}
		if f.calm += frames; f.calm > f.seconds(calmS) && f.target > f.least {
			f.calm = 0
			f.target = max(f.least, f.target-f.period/2) // the servo works it off slowly
		}
		f.leastFill = min(f.leastFill, f.fill())
		f.window += frames
	}
	f.age += frames
	f.dryAt = f.m.Underflows()
}

// spareHeld is how many spare frames the ring holds; not ok: a splice is under way.
func (f *feed) spareHeld() (spare int, ok bool) {
	if !f.primed {
		return 0, true
	}
	return f.spare, f.splice == splice{}
}
