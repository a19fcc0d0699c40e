//go:build !cgo

package mini

import (
	"errors"

	"cushwright/engine"
	"cushwright/platform/device"
)

var errNoCgo = errors.New("this build was made without cgo and lacks that device layer; " +
	"build it with CGO_ENABLED=1 and a C compiler")

// OnServer returns an error: malgo is reached by cgo alone.
func OnServer(_, name string, _ func() ([]engine.Device, error)) (engine.Driver, error) {
	return nil, device.Err("open", name, engine.GiveUp, errNoCgo)
}

// OnALSA returns an error: malgo is reached by cgo alone.
func OnALSA() (engine.Driver, error) { return nil, device.Err("open", "ALSA", engine.GiveUp, errNoCgo) }

// OnSystem returns an error: malgo is reached by cgo alone.
func OnSystem() (engine.Driver, error) {
	return nil, device.Err("open", "sound devices", engine.GiveUp, errNoCgo)
}
