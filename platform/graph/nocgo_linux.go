//go:build !cgo

package graph

import (
	"cushwright/engine"
	"cushwright/platform/pulse"
)

// New returns the stand-in: the library is reached by cgo alone.
func New(standIn *pulse.Driver, _ string) engine.Driver { return standIn }
