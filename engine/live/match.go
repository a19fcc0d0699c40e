package live

import (
	"math"

	"cushwright/dsp/loudness"
)

const (
	lowerDBPerS = 1.0  // how fast the match lowers what is heard
	raiseDBPerS = 0.25 // and how fast it lets it come up again
)

// match makes both sides of a program equally loud: by a fixed difference, or by what plays.
//
// By what plays, both sides are measured before the match: the short-term loudness of ITU-R BS.1770 (3 s), and until
// there is one the mean of what has been heard of the programme so far. The side that is not heard follows the
// difference at once, for nobody hears it move. The side that is heard comes down only where the other would have to
// go above its ceiling, at lowerDBPerS, and comes up again at raiseDBPerS. The ceilings are the levels that pink noise
// asks for, at most 0 dB: neither side ever gets louder than it began.
//
// Owner: the playback thread, once the program is published.
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

// set begins a match where pink noise asks for it.
func (m *match) set(s Sides) {
	m.pinkDB = s.PinkADB - s.PinkBDB
	m.diffDB = m.pinkDB
	m.topA, m.topB = s.DownADB, s.DownBDB
	m.levelA, m.levelB = m.topA, m.topB
}

// inherit goes on where another program's match stands: what plays differs from pink noise by as much as before.
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
	*heard += max(-lowerDBPerS*step, min(raiseDBPerS*step, wanted-*heard))
	even := min(top, *heard+diff)
	if fading {
		even = *other + max(-lowerDBPerS*step, min(lowerDBPerS*step, even-*other))
	}
	*other = even
}

// read takes the meters' readings. Silence and noise floors say nothing about the match.
func (m *match) read() {
	const floorLUFS = -60
	a, b := m.meterA.ShortTermLUFS(), m.meterB.ShortTermLUFS()
	if math.IsInf(a, -1) && math.IsInf(b, -1) {
		a, b = m.meterA.MomentaryLUFS(), m.meterB.MomentaryLUFS()
		// an inherited difference is better than a momentary one
		if !(a > floorLUFS && b > floorLUFS) || m.measured && m.sumA == 0 {
			return
		}
		m.sumA, m.sumB = m.sumA+math.Pow(10, a/10), m.sumB+math.Pow(10, b/10)
		a, b = 10*math.Log10(m.sumA), 10*math.Log10(m.sumB)
	} else if !(a > floorLUFS && b > floorLUFS) {
		return
	}
	m.diffDB, m.measured = a-b, true
}
