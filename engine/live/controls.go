package live

import "sync/atomic"

// Wishes is how the path is to sound.
type Wishes struct {
	Bypass bool // side B is heard
	Mute   bool // fade out and stay silent
	Steady bool // keep the resampler's ratio still
	Grows  bool // a server that runs dry is answered with a larger output buffer: the ring holds no more for it
}

// wishes are Wishes as the playback thread reads them, and how many spare frames the ring is to hold.
type wishes struct {
	bypass, mute, steady, grows atomic.Bool
	spare                       atomic.Int64
}

// answers are what the supervisor waits for.
type answers struct {
	silent atomic.Bool  // the fade-out is over
	spare  atomic.Int64 // frames that the ring holds for a larger buffer
}

// marks are left by one thread and taken away by another.
type marks struct {
	published atomic.Pointer[Program] // left by the supervisor, taken by the playback thread
	gap       atomic.Bool             // left by the driver, taken by the playback thread
}

// Wish sets how the path is to sound. The supervisor alone calls it.
func (p *Path) Wish(w Wishes) {
	p.wishes.bypass.Store(w.Bypass)
	p.wishes.mute.Store(w.Mute)
	p.wishes.steady.Store(w.Steady)
	p.wishes.grows.Store(w.Grows)
}

// Publish gives a program away: it is heard by one crossfade. One that is published before the last was taken
// replaces it.
func (p *Path) Publish(next *Program) { p.marks.published.Store(next) }

// Gap says that what is rendered next is heard straight after a gap.
func (p *Path) Gap() { p.marks.gap.Store(true) }

// Underflow says that the server ran out of what it was given.
func (p *Path) Underflow() { p.m.Underflow() }

// Spare asks for so many frames in the ring beyond what the delay needs, for a larger output buffer to take at once.
// Spare(0) ends that once the buffer has taken them.
func (p *Path) Spare(frames int) { p.wishes.spare.Store(int64(frames)) }

// SpareHeld is how many of them the ring holds.
func (p *Path) SpareHeld() int { return int(p.answers.spare.Load()) }

// Silent reports that the fade-out of a Mute is over.
func (p *Path) Silent() bool { return p.answers.silent.Load() }

// LagFrames is the delay of the signal processing, the ring excluded.
func (p *Path) LagFrames() int { return p.lag }
