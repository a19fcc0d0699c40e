// Package device holds what all device layers share: the names under which this program introduces itself, the form of
// a device error, the periods of a request that names none, and how a device's own name is shown.
package device

import "cushwright/engine"

// AppName is how our streams and connections introduce themselves to the sound server. A stream of this name is ours
// and is never moved to the virtual sink.
const AppName = "cushwright"

// VirtualSink is the name of the virtual sink; its monitor is VirtualSink + ".monitor".
const VirtualSink = "cushwright"

// The periods of a Request that names none, in frames.
const (
	CaptureFrames = 480
	OutputFrames  = 1920
)

// Err is the error of an action on an object.
func Err(action, object string, r engine.Reaction, err error) *engine.Error {
	return &engine.Error{Action: action, Object: object, Reaction: r, Err: err}
}
