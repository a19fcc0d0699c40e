//go:build !linux && cgo

package platform

import "cushwright/engine"

func newLinuxDriver(string) (engine.Driver, error)  { panic("not on this system") }
func serverDevices(string) ([]engine.Device, error) { panic("not on this system") }
