// Package engine is a session of live sound: the supervisor that opens, watches and repairs the streams of two
// devices, with the audio path of package live between them. It knows no device library and no files: devices come
// through Driver and Router, corrections through Session.
//
// The states stand in states.go, Run and its loop in session.go, what Run does in open.go, watch.go and adapt.go,
// what others ask of it in requests.go. Calls that can take time go through door.go.
package engine
