package drift

import "math"

// The servo's figures. They are this design's own; no source.
const (
	servoBandwidth = 0.006  // rad/s of the estimator once it is settled
	lockedTauS     = 150.0  // a fill error is worked off with this time constant in lock
	seekTauS       = 8.0    // and with this one before lock
	lockedSlew     = 5e-6   // ratio change per second in lock
	seekSlew       = 200e-6 // and before lock
	seekRange      = 500e-6 // clock error expected at first
	stepRange      = 20e-6  // doubt about the known clock error after the fill has jumped
	lockDoubt      = 3e-6   // standard deviation of the clock error at which lock is possible
	lockAfterS     = 5.0
	lockFillS      = 0.00025 // fill error at which lock is possible
	holdDoubt      = 20e-6   // standard deviation up to which a held ratio is that of the clocks; above, it is one
	holdSlew       = 1e-3    // ratio change per second on the way to a held ratio
	loseFillS      = 0.012   // fill error that ends lock; more than the wander of a plain fill
	jumpFillS      = 0.030   // a reading so far off (and 5 standard deviations) is a jump if it repeats; more than a capture block
	noiseFillS     = 0.002   // standard deviation of a reading expected at first
	leastNoiseS    = 0.0003  // least standard deviation believed
	mostNoiseS     = 0.010   // most that one reading adds to it
	noiseTauS      = 20.0
)

// Servo steers a Resampler's ratio so that the buffer between two clocks keeps its fill. A Kalman filter estimates
// the fill and the clocks' difference from noisy readings: quickly at first, then ever more slowly, because a clock
// hardly changes. The ratio follows the estimate, and a slow correction brings the fill to its target; together they
// are a PI loop whose gain schedules itself. A Servo is a plain value: a copy made when new serves to start over.
// It has one owner at a time and is not safe for concurrent use.
type Servo struct {
	rateHz, target float64

	fill, drift   float64 // estimates: frames, frames per second that come in too much
	p00, p01, p11 float64 // their covariance
	noise         float64 // variance of a reading, frames²
	ratio         float64
	tau           float64
	goodFor       float64 // s
	strange       int     // readings in a row that look like a jump
	primed        bool
	locked        bool
	held          float64 // the ratio to hold; 0: none
}

// NewServo makes a servo for the playback rate and the fill to keep, in frames.
func NewServo(rateHz, targetFrames float64) *Servo {
	s := &Servo{rateHz: rateHz, target: targetFrames}
	s.Reset()
	return s
}

// Reset forgets what was learned: the next Update seeks anew from ratio one.
func (s *Servo) Reset() {
	sq := func(x float64) float64 { return x * x }
	held := s.held
	if held != 0 {
		held = 1
	}
	*s = Servo{rateHz: s.rateHz, target: s.target, ratio: 1, tau: seekTauS, held: held,
		noise: sq(noiseFillS * s.rateHz), p11: sq(seekRange * s.rateHz)}
	s.p00 = s.noise
}

// Locked reports whether the servo has settled: the ratio then changes by at most 5 ppm per second.
func (s *Servo) Locked() bool { return s.locked }

// Update takes the fill in frames at this time, and the output frames since the last call, and returns the ratio to set
// (input frames per output frame, within MaxDeviation). Call it at the same point of every playback callback.
//
// The input arrives in blocks, so the plain fill is a saw-tooth sampled at callbacks, and where the two block rates
// beat slowly its average wanders: the ratio then wobbles by a few ppm. A fill that counts what has been captured but
// not yet delivered, fill + rate·(time since the last capture callback), has no saw-tooth; its mean is half a
// capture block higher.
func (s *Servo) Update(fillFrames float64, elapsedFrames int) (ratio float64) {
	if fillFrames-fillFrames != 0 || elapsedFrames <= 0 {
		return s.ratio
	}
	dt := float64(elapsedFrames) / s.rateHz
	if !s.primed {
		s.fill, s.primed = fillFrames, true
	} else {
		s.fill += dt * (s.drift - (s.ratio-1)*s.rateHz)
		s.p00 += dt * (2*s.p01 + dt*s.p11)
		s.p01 += dt * s.p11
		// This much wander of the clock makes the settled filter's bandwidth servoBandwidth at any noise.
		s.p11 += math.Pow(servoBandwidth, 4) * s.noise * dt * dt
	}
	s.observe(fillFrames, dt)

	off := s.fill - s.target
	s.lock(off, dt)
	slew := seekSlew
	if s.locked {
		slew = lockedSlew
		s.tau += (lockedTauS - s.tau) * min(1, dt/30)
	}
	correct := max(-300e-6, min(300e-6, off/(s.tau*s.rateHz)))
	want := 1 + s.drift/s.rateHz + correct
	if s.held != 0 {
		want, slew = s.held, holdSlew
	}
	s.ratio += max(-slew*dt, min(slew*dt, want-s.ratio))
	s.ratio = max(1-MaxDeviation, min(1+MaxDeviation, s.ratio))
	return s.ratio
}

// Hold keeps the ratio still, whatever the fill does, until it is called with false: a measurement through the
// resampler must not be stretched. The ratio is that of the clocks, as far as it is known. The fill is watched
// meanwhile, and its error is worked off afterwards.
func (s *Servo) Hold(on bool) {
	switch {
	case !on:
		s.held = 0
	case s.held == 0:
		s.held = 1
		if math.Sqrt(s.p11) < holdDoubt*s.rateHz {
			s.held = max(1-MaxDeviation, min(1+MaxDeviation, 1+s.drift/s.rateHz))
		}
	}
}

// Shift says that frames were added to the buffer (negative: taken out) otherwise than by the clocks, as when a
// surplus is trimmed. What is known of the clocks stays.
func (s *Servo) Shift(frames float64) {
	if s.primed && frames-frames == 0 {
		s.fill += frames
	}
}

// Again starts over with a buffer that ran dry: its fill is that of the next Update. What is known of the clocks stays.
func (s *Servo) Again() {
	s.restart(0)
	s.primed = false
}

// restart takes the fill as read, and keeps the clocks' difference with some doubt.
func (s *Servo) restart(fillFrames float64) {
	s.fill, s.p00, s.p01 = fillFrames, s.noise, 0
	s.p11 = max(s.p11, stepRange*s.rateHz*stepRange*s.rateHz)
	s.unlock()
	s.strange = 0
}

// observe corrects the estimates by one reading.
func (s *Servo) observe(fillFrames, dt float64) {
	in := fillFrames - s.fill
	sd := math.Sqrt(s.p00 + s.noise)
	if math.Abs(in) > 5*sd && math.Abs(in) > jumpFillS*s.rateHz {
		if s.strange++; s.strange >= 3 { // the buffer was trimmed or ran dry: what is known of the clocks stays
			s.restart(fillFrames)
			return
		}
	} else {
		s.strange = 0
	}
	least, most := leastNoiseS*s.rateHz, mostNoiseS*s.rateHz
	s.noise += (min(max(in*in-s.p00, least*least), most*most) - s.noise) * min(1, dt/noiseTauS)
	in = max(-4*sd, min(4*sd, in)) // one late callback must not kick the pitch
	v := s.p00 + s.noise
	k0, k1 := s.p00/v, s.p01/v
	s.fill += k0 * in
	s.drift += k1 * in
	s.p11 -= k1 * s.p01
	s.p01 -= k0 * s.p01
	s.p00 -= k0 * s.p00
	limit := 1.2 * MaxDeviation * s.rateHz
	s.drift = max(-limit, min(limit, s.drift))
}

func (s *Servo) lock(off, dt float64) {
	switch {
	case s.locked && math.Abs(off) > loseFillS*s.rateHz:
		s.p11 = max(s.p11, stepRange*s.rateHz*stepRange*s.rateHz)
		s.unlock()
	case !s.locked && math.Abs(off) < lockFillS*s.rateHz && math.Sqrt(s.p11) < lockDoubt*s.rateHz:
		if s.goodFor += dt; s.goodFor >= lockAfterS {
			s.locked = true
		}
	default:
		s.goodFor = 0
	}
}

func (s *Servo) unlock() { s.locked, s.goodFor, s.tau = false, 0, seekTauS }
