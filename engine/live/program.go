package live

import (
	"sync/atomic"

	"cushwright/dsp"
	"cushwright/dsp/loudness"
)

const (
	crossfadeS = 0.02 // from a program to the next, and from side to side
	liftDBPerS = 6.0  // how fast what is louder than what was heard comes up to its level
)

// Sides is how loud the sides of a program are.
type Sides struct {
	PinkADB, PinkBDB float64 // loudness on pink noise at no more than the chain's own headroom, LU over the programme's
	DownADB, DownBDB float64 // what is taken off beyond that headroom, as a level change, ≤ 0 dB
	Matched          bool    // with it both are equally loud on pink noise
	ByProgramme      bool    // Matched, and from there on the loudness of what plays is followed
}

// Program is what the playback thread runs: side A is the correction, side B what it is compared with (bypass, or
// another correction), both of the same lag. Both run all the time, so that a switch finds settled filters.
//
// Owner: who makes it, until it is published; the playback thread from then on.
type Program struct {
	a, b    *dsp.Chain
	sides   Sides
	match   match
	gainA   float64
	gainB   float64
	liftADB float64 // ≤ 0: what is still missing to the side's own level
	liftBDB float64
	side    bool // B is heard
	fade    *dsp.Crossfade
	bad     uint64 // blocks that the chains have silenced, as counted already
}

// NewProgram makes a program of two chains of the same lag.
func NewProgram(a, b *dsp.Chain, rateHz float64, s Sides) (*Program, error) {
	p := &Program{a: a, b: b, sides: s, fade: settledFade(rateHz)}
	p.match.set(s)
	if s.ByProgramme {
		var err error
		if p.match.meterA, err = loudness.New(rateHz, loudness.WithoutTruePeak()); err != nil {
			return nil, err
		}
		if p.match.meterB, err = loudness.New(rateHz, loudness.WithoutTruePeak()); err != nil {
			return nil, err
		}
	}
	p.gainA, p.gainB = p.gains()
	return p, nil
}

// HeadroomDB is the level change of side A that does not come of its bands, ≤ 0.
func (p *Program) HeadroomDB() float64 { return p.a.HeadroomDB() + p.sides.DownADB + 0 }

// LagFrames is the delay of both sides.
func (p *Program) LagFrames() int { return p.a.LagFrames() }

// settledFade makes a crossfade that is not under way.
func settledFade(rateHz float64) *dsp.Crossfade {
	f := dsp.NewCrossfade(int(crossfadeS * rateHz))
	over := make([]float64, 2*blockFrames)
	for !f.Done() {
		f.Mix(over, over)
	}
	return f
}

// gains are the factors of both sides now.
func (p *Program) gains() (a, b float64) {
	return dsp.Ratio(p.match.levelA + p.liftADB), dsp.Ratio(p.match.levelB + p.liftBDB)
}

// heardDB is how loud the side that is heard makes pink noise, LU over the programme's.
func (p *Program) heardDB() float64 {
	if p.side {
		return p.sides.PinkBDB + p.match.levelB + p.liftBDB
	}
	return p.sides.PinkADB + p.match.levelA + p.liftADB
}

// begin takes over from the program before.
func (p *Program) begin(before *Program, wantB bool) {
	p.side = wantB
	p.match.inherit(&before.match)
	p.rise(before.heardDB())
}

// rise begins as loud as the sound was where the program is louder: that would be a jump up. Both sides come up.
func (p *Program) rise(fromDB float64) {
	p.liftADB, p.liftBDB = 0, 0
	lift := min(0, fromDB-p.heardDB())
	p.liftADB, p.liftBDB = lift, lift
	p.gainA, p.gainB = p.gains()
}

// turn begins the crossfade to the other side. Where loudness is not matched, a louder one begins as loud as this.
func (p *Program) turn() {
	from := p.heardDB()
	p.side = !p.side
	p.fade.Restart()
	if p.sides.Matched {
		return
	}
	lift := &p.liftADB
	if p.side {
		lift = &p.liftBDB
	}
	*lift = 0
	*lift = min(0, from-p.heardDB())
	p.gainA, p.gainB = p.gains()
}

// run processes buf (side A, result) with other as scratch of the same length.
func (p *Program) run(buf, other []float64, wantB bool, rateHz float64) {
	copy(other, buf)
	p.a.Process(buf)
	p.b.Process(other)
	if p.fade.Done() && p.side != wantB {
		p.turn()
	}
	if p.match.meterA != nil {
		p.match.follow(buf, other, p.side, !p.fade.Done(), rateHz)
	}
	step := liftDBPerS * float64(len(buf)/2) / rateHz
	p.liftADB, p.liftBDB = min(0, p.liftADB+step), min(0, p.liftBDB+step)
	ga, gb := p.gains()
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

// newBad is the number of blocks that the chains have silenced since the last call.
func (p *Program) newBad() uint64 {
	n := p.a.BadBlocks() + p.b.BadBlocks()
	more := n - p.bad
	p.bad = n
	return more
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

// stage runs the program in force and crossfades to the next. A newer one waits until the fade is over.
//
// Owner: the playback thread.
type stage struct {
	rateHz     float64
	cur, next  *Program
	fade       *dsp.Crossfade
	old, other []float64 // scratch
}

func newStage(first *Program, rateHz float64) stage {
	return stage{rateHz: rateHz, cur: first, fade: settledFade(rateHz),
		old: make([]float64, 2*blockFrames), other: make([]float64, 2*blockFrames)}
}

func (s *stage) run(buf []float64, published *atomic.Pointer[Program], wantB bool, m *playbackMeters) {
	if s.next == nil {
		if p := published.Swap(nil); p != nil {
			p.begin(s.cur, wantB)
			s.next = p
			s.fade.Restart()
		}
	}
	other := s.other[:len(buf)]
	if s.next == nil {
		s.cur.run(buf, other, wantB, s.rateHz)
	} else {
		old := s.old[:len(buf)]
		copy(old, buf)
		s.cur.run(old, other, wantB, s.rateHz)
		s.next.run(buf, other, wantB, s.rateHz)
		s.fade.Mix(old, buf)
		copy(buf, old)
		if s.fade.Done() {
			s.cur, s.next = s.next, nil
		}
	}
	heard := s.cur
	if s.next != nil {
		heard = s.next
	}
	m.heard.store(heard.heardDB())
	m.matchDB.store(s.cur.match.levelB - s.cur.match.levelA)
	if bad := s.cur.newBad(); bad > 0 {
		m.bad.Add(bad)
	}
}
