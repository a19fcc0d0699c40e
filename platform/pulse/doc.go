// Package pulse is everything over the sound server's own protocol, which PulseAudio speaks and PipeWire serves too:
// the driver, the router with its volume mirror, the undoing of a route, the list of devices and the rig's recorder. It
// is pure Go and exists on Linux only.
//
// # Connections
//
// One dial serves all of them. It tries the parts of a server string in turn. It cuts long strings before the protocol
// library sees them: the library gives a connection up at a string of 1024 bytes, and any program can give a stream a
// longer name.
//
// # The driver
//
// Both streams of the driver share a connection and a locked thread, which waits in read(2) and runs the engine's
// callbacks on what arrives: no goroutine has to be woken in between. The protocol library makes the requests at start
// and end. The audio packets are read and written here, without allocation. The output's buffer is ours to choose and
// to change while it plays.
//
// What the server asks for is told to Request.Outlet, which alone counts what is owed. The driver gives as many of the
// owed frames as there is sound for, and stays owing the rest. It gives that when the capture has brought it, or when
// the buffer is about to run dry; then the engine ends the sound softly. So one buffer, and not two, covers what is late at either end. Where a plan keeps less than nothing
// in the ring, so much stays owed: the buffer is never full, and what is captured goes there at once. The fill that
// steers the engine's servo is the ring's less what is owed, read when the server asks.
//
// A server whose output ran dry does not wait. Its clock goes on, it asks for the frames whose time is over like for
// all others, and it drops them when they come. More owed than the buffer holds is therefore exactly what will be
// dropped. The driver gives silence for that much, whether the ring has it or not, says Request.Gap and goes on with
// what the ring has, so that the fade-in is heard from its beginning (TestLiveGapEndsSoftly). After a stop of 150 ms
// the connection is full, and the server asks for the rest only when that was read: so what it still has to say is
// waited for. Where an answer was on its way the sound has gone on by itself, and a fade would only be a second step.
//
// The thread takes one mutex, for the length of a write. Only a request of the supervisor's on the same connection
// (start, resize) contends for it. The callback runs before the mutex is taken. A connection is lost from the moment on
// that its stream is open; before, opening it fails.
//
// What breaks the sound at small buffers is the server's main thread, which hands streams over and has no real-time
// priority. The server's own loopback lives in its real-time threads. That is why the one buffer has to cover capture
// and requests at once: a second one in the ring would only add delay. PipeWire's version of the protocol keeps three
// requests of 256 frames in the output's buffer (version 0.3.65), which is why package graph does not use it.
//
// # The router
//
// Events only set a bit and wake the router's loop, which then reads how things stand: what is true counts, not what
// was reported. What to do is decided by functions that do nothing themselves (decide, missing, stolen, toMove,
// astray), from what the server says (world), what the router knows of its route (memory) and the output that is wished
// for.
//
// Another default counts as somebody's choice after 60 ms, because a sink that is being removed first loses its place
// as default. In the 2 s after our sink is made it counts after 240 ms: a server under load is behind.
//
// A PipeWire that starts again is left alone for 0.7 s (startingTime). The session manager of version 0.3.65
// (WirePlumber 0.4.13) can stay shut for ever where clients come before it: their streams are there before it begins,
// and PipeWire's stand-in output (auto_null) is then not ready for five seconds. Other programs of a user's need not be
// so patient. Then the engine tries on until the session manager is started anew.
package pulse
