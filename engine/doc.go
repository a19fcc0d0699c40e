// Package engine is a session of live sound: the supervisor that opens, watches and repairs the streams of two
// devices, with the audio path of package live between them. It knows no device library and no files: devices come
// through Driver and Router, corrections through Session.
//
// The states stand in states.go, Run and its loop in session.go, what Run does in open.go, watch.go and adapt.go,
// what others ask of it in requests.go. Calls that can take time go through door.go: while a server stands still,
// requests are answered.
//
// # Buffers
//
// A driver that is a Planner has a plan of buffers for each Delay. At DelayNormal a session begins with the smallest
// output buffer. It takes the next larger one when the server runs dry or the graph misses a cycle, and a smaller one
// after ten calm minutes (adapt.go). The audio path gets the frames ready that a larger buffer asks for at once.
//
// # Faults
//
// The router's events are hints: what counts is how things stand when the supervisor looks. Router.Take takes back what
// was reported before it, so that one fault is one report. An output that is only default, or followed, gives way when
// it is lost, and is used again when it returns (OutputBack). One that the settings name is waited for, in silence. The
// pause between two attempts grows to half a second.
//
// A clock that is set back changes nothing: wall-clock times stay out of the engine (TestOnlyTheMonotonicClock).
//
// # Levels
//
// Everything that is heard is a correction (or none, which is flat) at a level that is never above what its own headroom
// gives: headroom_db of its file, or with "auto" the peak of its response. share.go and compile.go decide it:
//
//   - A correction's loudness is that of pink noise through it, K-weighted (ITU-R BS.1770), mean power of both ears, at
//     its own headroom, in LU over the programme's. It is computed from the response of its chain.
//   - Where a Selection is Shared, the quietest of all corrections sets one loudness, whatever reference each is made
//     towards; 0 where none is quieter than the programme. All corrections, a cushion without one, and the other side of
//     bypass are taken down to it. One that is quieter than MostSharedDB keeps its level to itself.
//   - Where it is not, a correction plays at its own headroom, and bypass and it at the quieter one's loudness.
//   - MatchOff leaves the other side of bypass at its own headroom in both cases.
//
// A change to what is quieter comes with the crossfade. A change to what is louder, by any cause, begins as loud as the
// sound was, and comes up at 6 dB/s. What was heard is kept over a reopening of the streams.
package engine
