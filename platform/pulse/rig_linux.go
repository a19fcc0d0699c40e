package pulse

import (
	"context"
	"fmt"
	"math"
	"strings"

	"github.com/jfreymuth/pulse/proto"

	"cushwright/engine"
	"cushwright/platform/device"
	"cushwright/platform/rig"
)

// Rig is the pair of devices that a sweep is played on and recorded from: the output that the headphones hang on, and
// the input of the rig's microphones.
type Rig struct {
	Output, Input rig.Device
	server        string
}

// OpenRig looks up the output and input of those IDs on the sound server ("" for the default ones). An output that is
// the engine's virtual sink is allowed: what is played there goes through the running correction. The error, an
// *engine.Error, names what there is instead of a device that is missing.
func OpenRig(server, output, input string) (*Rig, error) {
	if server == "" {
		server = ServerString()
	}
	r := &Rig{server: server}
	p, err := Dial(server)
	if err != nil {
		return nil, device.Err("open rig at", server, engine.Retry, err)
	}
	defer p.Close()
	if err := r.look(p, output, input); err != nil {
		return nil, err
	}
	return r, nil
}

// Refresh looks the devices up again: volumes, mutes and rates may have changed.
func (r *Rig) Refresh() error {
	fresh, err := OpenRig(r.server, r.Output.ID, r.Input.ID)
	if err == nil {
		*r = *fresh
	}
	return err
}

func (r *Rig) look(p *Conn, output, input string) error {
	info, err := p.info()
	if err != nil {
		return device.Err("open rig at", r.server, engine.Retry, err)
	}
	sinks, err := p.sinks()
	if err != nil {
		return device.Err("open rig at", r.server, engine.Retry, err)
	}
	var sources proto.GetSourceInfoListReply
	if err := p.c.Request(&proto.GetSourceInfoList{}, &sources); err != nil {
		return device.Err("open rig at", r.server, engine.Retry, err)
	}
	if output == "" {
		output = info.DefaultSinkName
	}
	if input == "" {
		input = info.DefaultSourceName
	}
	var there []string
	for _, s := range sinks {
		if s.SinkName == output {
			r.Output = rig.Device{ID: s.SinkName, Name: device.Readable(s.Device), RateHz: int(s.Rate), Channels: int(s.SampleSpec.Channels),
				Muted: s.Mute, VolumeDB: volumeDB(s.ChannelVolumes)}
		}
		there = append(there, s.SinkName)
	}
	if r.Output.ID == "" {
		return device.Err("open output", output, engine.GiveUp, fmt.Errorf("there is none of that name; there are: %s", strings.Join(there, ", ")))
	}
	there = nil
	for _, s := range sources {
		if s.SourceName == input {
			r.Input = rig.Device{ID: s.SourceName, Name: device.Readable(s.Device), RateHz: int(s.Rate), Channels: int(s.SampleSpec.Channels),
				Monitor: s.MonitorSourceIndex != proto.Undefined, Muted: s.Mute, VolumeDB: volumeDB(s.ChannelVolumes)}
		}
		there = append(there, s.SourceName)
	}
	if r.Input.ID == "" {
		return device.Err("open microphone input", input, engine.GiveUp, fmt.Errorf("there is none of that name; there are: %s", strings.Join(there, ", ")))
	}
	return nil
}

func volumeDB(v proto.ChannelVolumes) float64 {
	if len(v) == 0 {
		return 0
	}
	lowest := v[0]
	for _, x := range v {
		lowest = min(lowest, x)
	}
	return 20 * math.Log10(linear(lowest))
}

// PlayRecord plays and records at once. It returns when all is recorded. When the context ends first, what plays is
// faded out before the streams are closed, and the error is the context's. A device that goes away, a stream that
// somebody moves, and an input that stops delivering are an *engine.Error to Reopen on, an input that never delivered
// one to Retry; lost frames stand in Gaps.
func (r *Rig) PlayRecord(ctx context.Context, t rig.Take) (rig.Taken, error) {
	none := rig.Taken{}
	if err := ctx.Err(); err != nil {
		return none, err
	}
	s := newTake(r.Input)
	p, err := dial(r.server, s.event)
	if err != nil {
		return none, device.Err("open rig at", r.server, engine.Retry, err)
	}
	defer p.Close()
	if err := s.record(p.c, r.Input); err != nil {
		return none, device.Err("record", r.Input.ID, engine.Reopen, err)
	}
	if err := s.awaitInput(ctx, r.Input.ID); err != nil {
		return none, err
	}
	began, err := s.begin(p.c, r.Output)
	if err != nil {
		return none, device.Err("play to", r.Output.ID, engine.Reopen, err)
	}
	f := &feed{stereo: t.Stereo, fadeFrames: int(rig.Fade.Seconds() * float64(r.Output.RateHz))}
	need := int(t.RecordSeconds * float64(r.Input.RateHz))
	if err := s.run(ctx, p.c, r, f, need, t.Progress); err != nil {
		return none, err
	}
	if t.Progress != nil {
		t.Progress(1)
	}
	out := s.taken(need, len(t.Stereo)/2, r.Output.RateHz)
	out.RateHz, out.Began = r.Input.RateHz, began
	return out, nil
}
