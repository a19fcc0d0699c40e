//go:build !cgo

package platform

import (
	"errors"

	"cushwright/engine"
)

// NewDriver returns an error: this build has no device layer.
func NewDriver(server string) (engine.Driver, error) {
	return nil, devErr("open", "sound devices", engine.GiveUp, errors.New("this build was made without cgo and has no device layer; build it with CGO_ENABLED=1 and a C compiler"))
}
