// Package platform is the operating system's edge: it chooses the device layer and the router, and keeps what is the
// system's own: the folders, the single-instance lock, the guardian that undoes the routing when the engine dies, the
// background start and the per-user service, and stand-ins for systems that lack one of these.
//
// The rooms below it: pulse (the sound server's own protocol, which PulseAudio and PipeWire share), graph (PipeWire by
// its library), mini (malgo), rig (what a rig's recorder is told and tells), device (what all of them share) and thread
// (the priority of an audio thread). cgo is used in graph and mini alone: without it NewDriver returns an error that
// says so where no sound server answers. Routing exists on Linux; elsewhere NewRouter says that it does not exist yet.
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
