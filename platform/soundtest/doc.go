// Package soundtest starts private sound servers for tests: a PulseAudio or a PipeWire that nobody else sees, in a
// folder of its own, with null sinks for outputs. What is missing on the machine fails the test.
//
// The servers and streams are reached over the servers' native protocol, without the packages under test.
package soundtest
