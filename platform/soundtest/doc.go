// Package soundtest starts private sound servers for tests: a PulseAudio or a PipeWire that nobody else sees, in a
// folder of its own, with null sinks for outputs. What is missing on the machine fails the test.
//
// The servers and streams are reached over the servers' native protocol, without the packages under test. The tests'
// own clients wait until a server is complete.
//
// # Standstills
//
// A virtual machine may stand still altogether, and no program plays through more than its buffers hold. A watchman
// (Watch), a process with a thread of priority 98 on each processor, tells of such moments. On a virtual machine of two
// cores with nothing else to do, such a thread is more than 3 ms late once in 45 s, and up to 14.7 ms.
//
// Breaks at a standstill, or in the half second in which the engine comes back from it, are counted apart and not
// judged. Every other break fails the test. A test is repeated once, and only where the watchman sees a standstill of
// 3 ms in that very run (Again). Splatter figures leave out windows in which the recorded sine itself has a gap or a
// jump; TestLiveContinuity judges those.
package soundtest
