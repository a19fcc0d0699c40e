//go:build !linux

package platform

import (
	"cushwright/engine"
	"cushwright/platform/mini"
)

// NewDriver returns the driver for this system: malgo on WASAPI or Core Audio. server means nothing here. The error is
// an *engine.Error.
func NewDriver(string) (engine.Driver, error) { return mini.OnSystem() }

// NewMalgoDriver is NewDriver: there is no other device layer here.
func NewMalgoDriver(server string) (engine.Driver, error) { return NewDriver(server) }
