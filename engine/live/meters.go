package live

import (
	"math"
	"sync/atomic"
)

// level is a float64 that one thread stores and any goroutine reads.
type level struct{ bits atomic.Uint64 }

func (l *level) store(v float64) { l.bits.Store(math.Float64bits(v)) }
func (l *level) load() float64   { return math.Float64frombits(l.bits.Load()) }

// raise stores v if it is larger.
func (l *level) raise(v float64) {
	for {
		old := l.bits.Load()
		if v <= math.Float64frombits(old) || l.bits.CompareAndSwap(old, math.Float64bits(v)) {
			return
		}
	}
}

// Meters are what the audio threads report, summed over all paths that share them. Each part has one thread that writes
// it; any goroutine reads. All are atomics: the audio threads never wait.
type Meters struct {
	capture  captureMeters  // owner: the capture thread
	playback playbackMeters // owner: the playback thread
	server   serverMeters   // owner: the thread on which the driver hears of its server
}

type captureMeters struct {
	callbacks atomic.Uint64
	overruns  atomic.Uint64 // frames dropped because the ring was full
}

type serverMeters struct {
	underflows atomic.Uint64 // times the sound server ran out of what it was given
}

type playbackMeters struct {
	callbacks atomic.Uint64
	underruns atomic.Uint64 // times the ring ran dry
	trims     atomic.Uint64 // times surplus delay was cut
	late      atomic.Uint64 // callbacks more than half a period behind
	clipped   atomic.Uint64 // runs of three or more input samples at full scale
	overs     atomic.Uint64 // true peaks above full scale before the guard
	bad       atomic.Uint64 // blocks with NaN or Inf that were silenced
	ringFill  atomic.Int64  // frames in the ring beyond what the device is owed
	guardMax  level         // largest guard reduction since the engine started, dB
	guardNow  level         // guard reduction of the last block, dB
	inPeak    level         // sample peaks of the last callback, ratio
	outPeak   level
	inTrue    level // largest true peaks (ITU-R BS.1770-5) of the last 0.25 to 0.5 s, ratio
	outTrue   level
	inHold    level // and since the engine started
	outHold   level
	ratioPPM  level // drift resampler's ratio − 1
	heard     level // how loud what is heard makes pink noise, LU over the programme's; lasts when streams are closed
	matchDB   level // level change of the bypass side less that of the corrected one, dB
}

// Captured is the number of capture callbacks.
func (m *Meters) Captured() uint64 { return m.capture.callbacks.Load() }

// Played is the number of playback callbacks.
func (m *Meters) Played() uint64 { return m.playback.callbacks.Load() }

// Underflows is the number of times that the sound server ran dry.
func (m *Meters) Underflows() uint64 { return m.server.underflows.Load() }

// Underflow counts that the sound server ran dry.
func (m *Meters) Underflow() { m.server.underflows.Add(1) }

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
	InPeakDB          float64 `json:"in_peak_db"`   // last callback
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

// Snapshot reads all meters.
func (m *Meters) Snapshot() Counters {
	c, p := &m.capture, &m.playback
	return Counters{
		CaptureCallbacks: c.callbacks.Load(), OverrunFrames: c.overruns.Load(), Underflows: m.Underflows(),
		PlaybackCallbacks: p.callbacks.Load(), RingFillFrames: p.ringFill.Load(), Underruns: p.underruns.Load(),
		Trims: p.trims.Load(), LateCallbacks: p.late.Load(), ClippedRuns: p.clipped.Load(), Overs: p.overs.Load(),
		BadBlocks: p.bad.Load(), GuardDB: p.guardNow.load(), GuardMaxDB: p.guardMax.load(),
		InPeakDB: levelDB(p.inPeak.load()), OutPeakDB: levelDB(p.outPeak.load()),
		InTrueDB: levelDB(p.inTrue.load()), OutTrueDB: levelDB(p.outTrue.load()),
		InHoldDB: levelDB(p.inHold.load()), OutHoldDB: levelDB(p.outHold.load()),
		DriftPPM: p.ratioPPM.load(), MatchDB: p.matchDB.load(),
	}
}
