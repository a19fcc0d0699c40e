package engine

import (
	"math"
	"sync/atomic"
)

// level is a float64 that one thread stores and any goroutine reads.
type level struct{ bits atomic.Uint64 }

func (l *level) store(v float64) { l.bits.Store(math.Float64bits(v)) }
func (l *level) load() float64   { return math.Float64frombits(l.bits.Load()) }

// raise stores v if it is larger. Only for levels that one thread writes; drain may come from any other.
func (l *level) raise(v float64) {
	for {
		old := l.bits.Load()
		if v <= math.Float64frombits(old) || l.bits.CompareAndSwap(old, math.Float64bits(v)) {
			return
		}
	}
}

// meters are what the audio threads report. The capture thread writes captured, overruns; the playback thread all
// else (underflows comes from a thread of the driver's); everybody reads. All are atomics: the audio threads never wait.
type meters struct {
	captured   atomic.Uint64 // capture callbacks
	overruns   atomic.Uint64 // frames dropped because the ring was full
	callbacks  atomic.Uint64 // playback callbacks
	underruns  atomic.Uint64 // times the ring ran dry
	underflows atomic.Uint64 // times the sound server ran out of what it was given
	trims      atomic.Uint64 // times surplus delay was cut
	late       atomic.Uint64 // playback callbacks more than half a period behind
	clipped    atomic.Uint64 // runs of three or more input samples at full scale
	overs      atomic.Uint64 // true peaks above full scale before the guard
	bad        atomic.Uint64 // blocks with NaN or Inf that were silenced
	lag        atomic.Int64  // frames of delay inside the loop, ring excluded
	ringFill   atomic.Int64  // frames left in the ring after the last callback
	guardMax   level         // largest guard reduction since the session opened, dB
	guardNow   level         // guard reduction of the last block, dB
	inPeak     level         // sample peaks of the last block, ratio
	outPeak    level
	inTrue     level // largest true peaks (ITU-R BS.1770-5) of the last 0.25 to 0.5 s, ratio
	outTrue    level
	inHold     level // and since the engine started
	outHold    level
	ratioPPM   level // drift resampler's ratio − 1
	matchDB    level // level change of the bypass side less that of the corrected one, dB
}

// Counters is a snapshot of the meters, summed over the streams opened since the engine started.
type Counters struct {
	CaptureCallbacks  uint64  `json:"capture_callbacks"`
	PlaybackCallbacks uint64  `json:"playback_callbacks"`
	RingFillFrames    int64   `json:"ring_fill_frames"`
	Underruns         uint64  `json:"underruns"`
	Underflows        uint64  `json:"underflows"` // times the sound server ran dry, as far as the driver hears of it
	OverrunFrames     uint64  `json:"overrun_frames"`
	Trims             uint64  `json:"trims"`
	LateCallbacks     uint64  `json:"late_callbacks"`
	ClippedRuns       uint64  `json:"clipped_runs"` // the programme itself was clipped
	Overs             uint64  `json:"overs"`        // true peaks above full scale before the guard
	BadBlocks         uint64  `json:"bad_blocks"`
	GuardDB           float64 `json:"guard_db"`     // reduction now
	GuardMaxDB        float64 `json:"guard_max_db"` // largest reduction
	InPeakDB          float64 `json:"in_peak_db"`   // last block
	OutPeakDB         float64 `json:"out_peak_db"`
	InTrueDB          float64 `json:"in_true_db"` // true peak of the last 0.25 to 0.5 s
	OutTrueDB         float64 `json:"out_true_db"`
	InHoldDB          float64 `json:"in_hold_db"` // largest true peak since the start
	OutHoldDB         float64 `json:"out_hold_db"`
	DriftPPM          float64 `json:"drift_ppm"`
	MatchDB           float64 `json:"match_db"` // level change of the bypass side less that of the corrected one
}

// floorDB is what a level of nothing is reported as: JSON has no −Inf.
const floorDB = -200

func levelDB(x float64) float64 {
	if x < 1e-10 {
		return floorDB
	}
	return 20 * math.Log10(x)
}

func (m *meters) snapshot() Counters {
	return Counters{
		CaptureCallbacks: m.captured.Load(), PlaybackCallbacks: m.callbacks.Load(),
		RingFillFrames: m.ringFill.Load(), Underruns: m.underruns.Load(), Underflows: m.underflows.Load(), OverrunFrames: m.overruns.Load(),
		Trims: m.trims.Load(), LateCallbacks: m.late.Load(), ClippedRuns: m.clipped.Load(), Overs: m.overs.Load(),
		BadBlocks: m.bad.Load(), GuardDB: m.guardNow.load(), GuardMaxDB: m.guardMax.load(),
		InPeakDB: levelDB(m.inPeak.load()), OutPeakDB: levelDB(m.outPeak.load()),
		InTrueDB: levelDB(m.inTrue.load()), OutTrueDB: levelDB(m.outTrue.load()),
		InHoldDB: levelDB(m.inHold.load()), OutHoldDB: levelDB(m.outHold.load()),
		DriftPPM: m.ratioPPM.load(), MatchDB: m.matchDB.load(),
	}
}
