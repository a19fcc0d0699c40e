// Package rig measures seats of a cushion: it plays a sweep to one ear, records it, says what is wrong with it, repeats
// it a bounded number of times, and writes good seats. A Job belongs to one goroutine. What a command prints and which
// flags it has is the command's; what plays and records is a Recorder, so that a job runs against a simulated rig as
// well.
//
// The same analytic sweep is played at the output's rate and deconvolved at the input's, so nothing is resampled. While
// a sweep plays the engine stands aside, or keeps its resampler's ratio where the sweep goes through it: see
// control.Asider. With Series.Impulse the impulse response lies beside the seat, as seats/NAME/left-01.wav.
package rig
