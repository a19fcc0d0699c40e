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
package engine
