// Package viewtest is what the tests of the engine's views share: an engine that answers with what it is given, and a
// browser without a screen.
package viewtest

import (
	"context"

	"cushwright/cmd/internal/service"
	"cushwright/engine"
	"cushwright/engine/control"
)

// Engine answers with what it is given and records what it is asked for.
type Engine struct {
	St    control.Status
	Err   error
	Asked []string
}

func (p *Engine) Status(context.Context) (control.Status, error) { return p.St, p.Err }
func (p *Engine) Wear(_ context.Context, name string) (control.Status, error) {
	p.Asked = append(p.Asked, "wear "+name)
	return p.St, p.Err
}
func (p *Engine) Bypass(_ context.Context, mode, _ string) (bool, error) {
	p.Asked = append(p.Asked, "bypass "+mode)
	return true, p.Err
}

// Status is that of an engine in good order.
func Status() control.Status {
	st := control.Status{Status: engine.Status{State: engine.Running, Cushion: "wipe-clean", Reference: "woven",
		Driver: "simulated",
		Output: "invented booth amplifier", RateHz: 48000, HeadroomDB: -3.67, Bands: 8, DelayMS: 58.2,
		Counters: engine.Counters{InPeakDB: -18, OutPeakDB: -21.4, InTrueDB: -12.2, OutTrueDB: -15.7, InHoldDB: -3.1,
			OutHoldDB: -6.8, GuardMaxDB: 2.3, Overs: 4, DriftPPM: 12.4}},
		PID: 7, Cushions: []string{"deep-foam", "wipe-clean", "woven"}}
	st.Summary = service.Summary(st)
	return st
}
