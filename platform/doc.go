// Package platform is the operating system's edge: it chooses the device layer and the router, and keeps what is the
// system's own: the folders, the single-instance lock, the guardian that undoes the routing when the engine dies, the
// background start and the per-user service, and stand-ins for systems that lack one of these.
//
// The packages below it: pulse (the sound server's own protocol, which PulseAudio and PipeWire share), graph (PipeWire
// by its library), mini (malgo), rig (what goes into a rig's recorder and comes out of it), device (what all of them
// share) and thread (the priority of an audio thread). cgo is used in graph and mini alone: without it NewDriver
// returns an error that says so where no sound server answers. Routing exists on Linux; elsewhere NewRouter says that
// there is none.
//
// # The delay
//
// What each driver adds between two null sinks over 60 s, on two idle cores, at 48 kHz with 10 bands, in ms:
//
//	                                    PulseAudio   PipeWire
//	the server's own loopback, 10 ms    8.9 to 10.1  5.3
//	low                                 9.5          4.5
//	normal, before any break            15.7         8.2
//	safe                                70           31
//	malgo                               57 to 66     66
//
// The signal processing takes 1.7 of it at low (guard 1.0, resampler 0.7), 2.7 at normal (guard 2.0) and at most 3.7 at
// safe (chain 1.0 with AVX-512). The command is
//
//	CUSHWRIGHT_LONG=1 go test ./cmd/cushwright -run LiveDelay -v
package platform

import (
	"errors"

	"cushwright/platform/device"
	"cushwright/platform/rig"
)

// VirtualSink is the name of the virtual sink; its monitor is VirtualSink + ".monitor".
const VirtualSink = device.VirtualSink

// ErrLocked is the cause in the error of Lock when another process holds the lock.
var ErrLocked = errors.New("another engine of this user runs")

// What a rig is told and tells; see package rig.
type (
	RigDevice = rig.Device
	Take      = rig.Take
	Taken     = rig.Taken
	Gap       = rig.Gap
)

// Readable makes a device's own name fit to be shown on one line.
func Readable(name string) string { return device.Readable(name) }

// RouterOptions name the sound server and the folder that shows who is alive.
type RouterOptions struct {
	Server     string               // sound server; "" for the one that ServerString finds
	RuntimeDir string               // folder of the engine's lock; "" for RuntimeDir()
	Log        func(message string) // told of notable events; nil for none. Called from any goroutine.
}
