package sweep

// Kind names what was found in a recording.
type Kind string

// The kinds of findings.
const (
	Silent      Kind = "silent"          // the input delivers digital silence: no microphone, or its channel is off
	NoSweep     Kind = "no-sweep"        // sound, but not the sweep: output muted, wrong output, cushion off the rig
	OutputMuted Kind = "output-muted"    // the sound system says so, not a recording
	WrongEar    Kind = "wrong-ear"       // the sweep is in the other channel
	Interrupted Kind = "interrupted"     // sound stopped, samples missing, recording too short
	Clipped     Kind = "clipped"         // the input was overloaded
	Burst       Kind = "burst"           // a noise during the sweep
	Noisy       Kind = "noisy"           // too much noise throughout
	ClockOff    Kind = "clock"           // the clocks of output and input are further apart than can be removed
	Distorted   Kind = "distorted"       // unusually much harmonic distortion
	Leak        Kind = "leak"            // low bass missing against the earlier seats
	Disagrees   Kind = "seats-disagree"  // unlike the earlier seats
	Unusable    Kind = "unusable-points" // some points do not stand out from the noise; the others are good
)

// Finding is one thing found in a recording, in plain words. As an error it says why there is no response at all.
type Finding struct {
	Kind   Kind
	Refuse bool // the seat should be refused and repeated
	Text   string
	FreqHz float64 // where in the sweep, 0 if that says nothing
	Amount float64 // how much: dB, samples, ppm or points, as Text says
}

// Error returns the finding as an error text.
func (f *Finding) Error() string { return `sweep: measure "seat": ` + f.Text }
