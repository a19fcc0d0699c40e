//go:build !cgo && !linux

package platform

import "cushwright/engine"

// NewDriver returns an error: this build has no device layer.
func NewDriver(server string) (engine.Driver, error) {
	return nil, devErr("open", "sound devices", engine.GiveUp, errNoCgo)
}

// NewMalgoDriver is NewDriver.
func NewMalgoDriver(server string) (engine.Driver, error) { return NewDriver(server) }
