// Package live is the audio path of one open pair of streams. A frame meets, in this order, the capture (input.go), the
// ring (ring.go), splices and the drift resampler (feed.go, splice.go, steer.go), the program and its crossfades
// (program.go, match.go), the fade of starts and silences, the guard and the meters (output.go), and the output.
//
// Nothing here allocates, locks, logs or waits once a Path is made; it reports by counters alone. cmd/check holds the
// package to arithmetic, atomics and the signal processing.
//
// # The ring and the delay
//
// After each playback callback the ring keeps what the driver's plan says. After every break it keeps half a capture
// period more, up to four periods, and after ten calm minutes half a period less. Where the server ran dry as well and
// its buffer can grow, that buffer is the answer: the ring keeps no more.
//
// The delay that a start happens to have is kept: the servo counts from what it finds in the first 0.3 s. After a break
// a crossfade brings that delay back (TestBreakKeepsTheDelay); without it the delay would be anything within a capture
// period. What is known of the two clocks stays, so that a break does not change the pitch (TestBreakKeepsThePitch).
// What the capture device holds back counts as fill, or the fill would beat with the two periods. A crossfade takes out
// what a stall leaves too much in the ring.
//
// A larger output buffer asks for its frames at once. So they come first: Path.Spare wishes for them, a splice puts
// them into the ring, Path.SpareHeld says so, and then the buffer grows and takes them. So it does not click.
//
// # Programs
//
// A program that is published is given away: the supervisor never reads it again. Old and new run side by side for one
// crossfade. It gives the old one alone for 10 ms, in which the filters of the new one settle, and then fades for 20
// ms. A newer program waits until that is over. The two sides of a program run all the time, padded to the same delay,
// so that a switch is a crossfade of two settled signals.
//
// No switch jumps up. A program with less headroom than the one before starts as low as the sound is and comes up at
// 6 dB/s. Where loudness is matched by programme, the side that nobody hears follows the difference at once. The side
// that is heard comes down at 1 dB/s at most, and only where the other would pass the level that it began with.
package live
