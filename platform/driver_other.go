//go:build !linux && cgo

package platform

import (
	"fmt"
	"runtime"

	"github.com/gen2brain/malgo"

	"cushwright/engine"
)

// NewDriver returns the driver for this system: malgo on WASAPI or Core Audio. The back end is always named, because an
// open choice can end in a silent one. server means nothing here. The error is an *engine.Error.
func NewDriver(server string) (engine.Driver, error) {
	switch runtime.GOOS {
	case "windows":
		return &driver{backend: malgo.Backend(malgo.BackendWasapi), name: "WASAPI"}, nil
	case "darwin":
		return &driver{backend: malgo.Backend(malgo.BackendCoreaudio), name: "Core Audio"}, nil
	}
	return nil, devErr("open", "sound devices", engine.GiveUp, fmt.Errorf("no device layer for %s yet", runtime.GOOS))
}

// NewMalgoDriver is NewDriver: there is no other device layer here.
func NewMalgoDriver(server string) (engine.Driver, error) { return NewDriver(server) }

func serverDevices(string) ([]engine.Device, error) { panic("not on this system") }
