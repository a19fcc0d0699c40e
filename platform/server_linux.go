package platform

import (
	"context"

	"cushwright/engine"
	"cushwright/platform/device"
	"cushwright/platform/pulse"
)

// Rig is the pair of devices that a sweep is played on and recorded from.
type Rig = pulse.Rig

// OpenRig looks up the output and input of those IDs on the sound server ("" for the default ones). The error, an
// *engine.Error, names what there is instead of a device that is missing.
func OpenRig(server, output, input string) (*Rig, error) { return pulse.OpenRig(server, output, input) }

// ServerString is the sound server's address.
func ServerString() string { return pulse.ServerString() }

// Play plays what read gives (interleaved stereo, full scale ±1; the number of samples filled in) through the sound
// server as any other program would, until stop is called.
func Play(read func(stereo []float32) (int, error), rateHz int) (stop func(), err error) {
	return pulse.Play(read, rateHz)
}

func (o RouterOptions) filled() (RouterOptions, error) {
	if o.Server == "" {
		o.Server = ServerString()
	}
	if o.RuntimeDir == "" {
		dir, err := RuntimeDir()
		if err != nil {
			return o, err
		}
		o.RuntimeDir = dir
	}
	return o, nil
}

// pulse gives the options as the room of the sound server knows them.
func (o RouterOptions) pulse() (pulse.Options, error) {
	o, err := o.filled()
	return pulse.Options{Server: o.Server, Log: o.Log, Living: func() int { return LiveEngine(o.RuntimeDir) }}, err
}

// NewRouter returns the router for the sound server. It connects at the first Take.
func NewRouter(o RouterOptions) (engine.Router, error) {
	p, err := o.pulse()
	if err != nil {
		return nil, device.Err("route", "system sound", engine.GiveUp, err)
	}
	return pulse.NewRouter(p), nil
}

// Sweep removes the virtual sinks of engines that are dead, and puts the routing back that they left; the engine that
// holds the lock in the runtime folder is the only one alive, and the caller has no route yet. done says in words what
// was done; empty if nothing was left.
func Sweep(ctx context.Context, o RouterOptions) (done []string, err error) {
	p, err := o.pulse()
	if err != nil {
		return nil, err
	}
	return pulse.Sweep(ctx, p)
}

// Restore puts the system's sound routing back, whoever left it: every virtual sink of this program goes. Where an
// engine is alive it touches nothing. done says in words what was done; empty if there was nothing to do.
func Restore(ctx context.Context, o RouterOptions) (done []string, err error) {
	p, err := o.pulse()
	if err != nil {
		return nil, err
	}
	return pulse.Restore(ctx, p)
}
