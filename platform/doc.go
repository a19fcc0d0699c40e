// Package platform holds the edges of the operating system: the sound devices (through the sound server's own protocol on
// Linux, through malgo elsewhere), the routing of the
// system's sound into the engine and back, the guardian that undoes the routing when the engine dies, the folders, the
// single-instance lock, the background start and the per-user service.
//
// cgo is used here alone, and only for malgo's devices: without it NewDriver returns an error that says so where no sound
// server answers. Routing exists on Linux, over the native protocol that PulseAudio and PipeWire share; elsewhere NewRouter says that it does not exist yet.
package platform

import (
	"errors"
	"fmt"

	"cushwright/engine"
)

// appName is how our streams and connections introduce themselves to the sound server. A stream of this name is ours and
// is never moved to the virtual sink.
const appName = "cushwright"

// VirtualSink is the name of the virtual sink; its monitor is VirtualSink + ".monitor".
const VirtualSink = "cushwright"

// ErrLocked is the cause in the error of Lock when another process holds the lock.
var ErrLocked = errors.New("another engine of this user runs")

// RouterOptions name the sound server and the folder that shows who is alive.
type RouterOptions struct {
	Server     string               // sound server; "" for the one that ServerString finds
	RuntimeDir string               // folder of the engine's lock; "" for RuntimeDir()
	Log        func(message string) // told of notable events; nil for none. Called from any goroutine.
}

func (o RouterOptions) log(format string, args ...any) {
	if o.Log != nil {
		o.Log(fmt.Sprintf(format, args...))
	}
}

func devErr(action, object string, r engine.Reaction, err error) *engine.Error {
	return &engine.Error{Action: action, Object: object, Reaction: r, Err: err}
}

// The periods of a Request that names none, in frames.
const (
	defaultCaptureFrames = 480
	defaultOutputFrames  = 1920
)
