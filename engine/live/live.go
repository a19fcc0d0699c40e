package live

import (
	"cushwright/dsp/guard"
	"cushwright/dsp/peak"
)

const (
	blockFrames  = 512   // largest run processed at once
	stoodStillNs = 200e6 // without a callback for so long, the machine slept or the process was stopped
)

// Config is what a Path is made for.
type Config struct {
	RateHz                      float64
	CaptureFrames, OutputFrames int            // frames per period
	LeaveFrames                 int            // kept in the ring after a callback; negative: kept owed to the output
	Guard                       bool           // limit the output
	CeilingDB                   float64        // of the guard, dB re full scale
	LookAheadS                  float64        // of the guard, s
	InputGain                   func() float32 // factor for what is captured; called on the playback thread
	NowNs                       func() int64   // monotonic clock, ns; called on both threads
}

// Path is the audio path of one open pair of streams. Capture runs on the capture thread; Render, Ask, Owed and Due
// on the playback thread; the methods of controls.go on any.
type Path struct {
	wishes  wishes  // owner: the supervisor; the playback thread reads
	answers answers // owner: the playback thread; the supervisor reads
	marks   marks   // owner: shared, see there
	now     func() int64
	m       *Meters
	lag     int // frames of delay in the signal processing; never changes

	in intake // owner: the capture thread

	// owner of all below: the playback thread
	cadence cadence
	feed    *feed
	input   input
	stage   stage
	fader   fader
	out     output
	buf     []float64 // scratch
}

// New makes a path that begins with a program and as the wishes say.
func New(c Config, m *Meters, first *Program, w Wishes) (*Path, error) {
	p := &Path{now: c.NowNs, m: m, cadence: cadence{rateHz: c.RateHz, opened: c.OutputFrames},
		stage: newStage(first, c.RateHz), fader: newFader(c.RateHz), buf: make([]float64, 2*blockFrames)}
	first.side = w.Bypass
	if m.Played() > 0 { // streams that are opened again: they are no louder than those before
		first.rise(m.playback.heard.load())
	}
	p.Wish(w)
	p.in = intake{ring: newRing(max(8*(c.CaptureFrames+c.OutputFrames), int(c.RateHz/2))), m: &m.capture}
	p.feed = newFeed(c, &p.in, &p.wishes, m)
	p.input = input{gainNow: c.InputGain, gain: float64(c.InputGain()), m: &m.playback}
	p.out = output{m: &m.playback}
	var err error
	if p.input.truePeak, err = peak.New(c.RateHz); err != nil {
		return nil, err
	}
	if p.out.truePeak, err = peak.New(c.RateHz); err != nil {
		return nil, err
	}
	p.lag = p.feed.res.LagFrames() + first.LagFrames()
	if c.Guard {
		if p.out.guard, err = guard.New(c.RateHz, c.CeilingDB, guard.WithLookAhead(c.LookAheadS)); err != nil {
			return nil, err
		}
		p.lag += p.out.guard.LagFrames()
	}
	return p, nil
}

// Capture takes what the capture device delivers.
func (p *Path) Capture(in []float32) { p.in.take(in, p.now()) }

// Ask says that the device asks for so many frames more.
func (p *Path) Ask(frames int) { p.feed.ask(frames) }

// Owed is how many frames the device has asked for and not been given.
func (p *Path) Owed() int { return p.feed.owed }

// Due is how many of the owed frames there is sound for.
func (p *Path) Due() int { return p.feed.due(p.now()) }

// Render fills out with the next frames.
func (p *Path) Render(out []float32) {
	now, frames := p.now(), len(out)/2
	p.begin(frames, now)
	p.feed.prepare(frames)
	for rest := out; len(rest) > 0; {
		n := min(len(rest), 2*blockFrames)
		p.block(rest[:n])
		rest = rest[n:]
	}
	p.input.report()
	p.out.report()
	p.feed.finish(frames, now)
	if spare, ok := p.feed.spareHeld(); ok {
		p.answers.spare.Store(int64(spare))
	}
	p.m.playback.callbacks.Add(1)
}

// begin looks at the time since the last callback. After a gap at the device, and after a standstill of the process,
// the sound begins anew.
func (p *Path) begin(frames int, nowNs int64) {
	late, stoodStill := p.cadence.tick(frames, nowNs)
	if late {
		p.m.playback.late.Add(1)
	}
	gap := p.marks.gap.Swap(false)
	if stoodStill {
		p.feed.drop()
	}
	if gap || stoodStill {
		p.fader.restart()
		p.out.restart()
	}
}

// block makes one run of at most blockFrames.
func (p *Path) block(out []float32) {
	buf := p.buf[:len(out)]
	if ranDry := p.feed.read(buf, &p.input); ranDry {
		p.fader.quicken() // down over the filters' tails, up again when sound is back
	}
	p.stage.run(buf, &p.marks.published, p.wishes.bypass.Load(), &p.m.playback)
	mute := p.wishes.mute.Load()
	if mute {
		p.fader.quicken()
	}
	p.fader.apply(buf, p.feed.primed && !mute)
	p.answers.silent.Store(mute && p.fader.at == 0)
	p.out.put(out, buf)
}

// cadence times the callbacks.
//
// Owner: the playback thread.
type cadence struct {
	rateHz float64
	opened int   // the output's period with which the streams were opened, frames
	asked  int   // frames of the last callback: the period may have become longer
	lastNs int64 // when it came; 0: none came yet
}

// tick tells whether a callback comes more than half a period late, and whether the process stood still before it.
func (c *cadence) tick(frames int, nowNs int64) (late, stoodStill bool) {
	if since := nowNs - c.lastNs; c.lastNs != 0 {
		late = float64(since)*1e-9*c.rateHz > 1.5*float64(max(c.opened, c.asked))
		stoodStill = since > stoodStillNs
	}
	c.asked, c.lastNs = frames, nowNs
	return late, stoodStill
}
