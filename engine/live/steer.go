package live

import "cushwright/dsp/drift"

const (
	settleS = 0.3    // how long the fill is averaged after a start
	sameS   = 0.0005 // a delay that is off by up to this is the servo's to work off; more is a splice's
)

// steering sets the drift resampler's ratio from the fill. The delay that a start happens to have is kept, within a
// capture period of the target: the servo's fill counts from what is found in the first settleS. A splice takes out
// what is beyond that. After a break a splice brings the delay back.
//
// Owner: the playback thread.
type steering struct {
	servo   *drift.Servo
	found   float64 // sum of the fills while it settles
	settle  int     // frames still to be averaged
	settled int     // callbacks averaged
	bias    float64 // of the delay that is heard, against the target
	known   bool    // bias is that of a delay that was heard
}

// again begins anew after a break. What is known of the clocks stays.
func (s *steering) again(settle int) {
	s.servo.Again()
	s.found, s.settle, s.settled = 0, settle, 0
}

// observe reads the fill when the device has asked for frames. What the capture device holds back until its next period
// belongs to the delay as well: without it the fill beats with the two periods, and the servo follows that.
func (f *feed) observe(frames int, nowNs int64) {
	fill := f.fill()
	f.m.playback.ringFill.Store(int64(fill + f.spare))
	held := min(float64(nowNs-f.in.last.Load())*1e-9*f.rateHz, 2*float64(f.period))
	if f.steering.settle > 0 {
		f.findDelay(float64(fill)+held, frames)
		return
	}
	s := &f.steering
	s.servo.Hold(f.wishes.steady.Load())
	ratio := s.servo.Update(float64(fill)+held-s.bias-float64(f.target-f.least), frames)
	f.res.SetRatio(ratio)
	f.m.playback.ratioPPM.store((ratio - 1) * 1e6)
}

// findDelay averages the fill after a start, and keeps the delay or comes back to the one before.
func (f *feed) findDelay(fill float64, frames int) {
	s := &f.steering
	s.found += fill
	s.settled++
	if s.settle -= frames; s.settle > 0 {
		return
	}
	period := float64(f.period)
	off := s.found/float64(s.settled) - float64(f.target) - period/2
	if !s.known && off <= period && off >= -period/2 {
		s.bias = off
	}
	s.known = true
	switch more := off - s.bias; {
	case more > sameS*f.rateHz:
		f.trim(int(more))
	case more < -sameS*f.rateHz:
		f.lengthen(int(-more))
	}
}
