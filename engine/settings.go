package engine

import (
	"cushwright/dsp"
	"cushwright/dsp/guard"
)

// Match is how bypass is made as loud as the correction.
type Match string

// The ways to match loudness.
const (
	MatchProgramme Match = "programme" // BS.1770 short-term loudness of both on what plays
	MatchPink      Match = "pink"      // the fixed difference on pink noise
	MatchOff       Match = "off"       // none: switching may jump down, and what is louder comes up slowly
)

// Settings of a session. Zero frames mean what the driver plans for the delay.
type Settings struct {
	Output, Capture string // device IDs; empty: the router decides
	Follow          bool   // follow when another output is made default
	Delay           Delay
	CaptureFrames   int
	OutputFrames    int
	RateHz          int // used without a Router, default 48000
	Guard           bool
	CeilingDB       float64 // of the guard, dB re full scale
	Match           Match
}

func (s *Settings) fill() {
	if s.Delay == "" {
		s.Delay = DelayNormal
	}
	if s.RateHz == 0 {
		s.RateHz = defaultRateHz
	}
	if s.Match == "" {
		s.Match = MatchPink
	}
}

const defaultRateHz = 48000

// needsReopen reports whether going from s to n takes other streams.
func (s Settings) needsReopen(n Settings) bool {
	s.Match, n.Match, s.Follow, n.Follow = "", "", false, false
	return s != n
}

// Selection is what the engine corrects with: the fitted cushion and its correction.
type Selection struct {
	Cushion    string
	Reference  string
	Correction *dsp.Correction
	Other      *dsp.Correction // what bypass switches to; nil: no correction, loudness matched
	OtherName  string
	Shared     *Shared // nil, or the loudness that it shares with others
}

// Delay is the wish for little delay against the wish for no breaks.
type Delay string

// The delays.
const (
	DelayLow    Delay = "low"    // the least that runs without a break on an idle machine
	DelayNormal Delay = "normal" // begins low, grows after breaks, shrinks again after ten calm minutes
	DelaySafe   Delay = "safe"   // for a busy machine
)

// chains is how the chains of a session are compiled: without a delay of their own, except at DelaySafe.
func (d Delay) chains() dsp.Options { return dsp.Options{NoLag: d != DelaySafe} }

// lookAheadS is how far the guard looks ahead, s.
func (d Delay) lookAheadS() float64 {
	if d == DelayLow {
		return guard.LeastLookAheadS
	}
	return guard.DefaultLookAheadS
}
