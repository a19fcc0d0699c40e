// Package rig measures seats of a cushion: it plays a sweep to one ear, records it, says what is wrong with it, repeats it a
// bounded number of times, and writes good seats. A Job belongs to one goroutine. What a command prints and which flags it has is
// the command's; what plays and records is a Recorder, so that a job runs against a simulated rig as well.
package rig
