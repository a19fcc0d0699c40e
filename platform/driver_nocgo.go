//go:build !cgo

package platform

import (
	"errors"

	"cushwright/engine"
)

var errNoCgo = errors.New("this build was made without cgo and lacks that device layer; build it with CGO_ENABLED=1 and a C compiler")

func newServerDriver(server, name string) (engine.Driver, error) {
	return nil, devErr("open", name, engine.GiveUp, errNoCgo)
}

func newALSADriver() (engine.Driver, error) {
	return nil, devErr("open", "ALSA", engine.GiveUp, errNoCgo)
}
