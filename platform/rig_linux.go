package platform

import (
	"fmt"
	"math"
	"strings"

	"github.com/jfreymuth/pulse/proto"

	"cushwright/engine"
)

// OpenRig looks up the output and input of those IDs on the sound server ("" for the default ones). An output that is
// the engine's virtual sink is allowed: what is played there goes through the running correction. The error, an
// *engine.Error, names what there is instead of a device that is missing.
func OpenRig(server, output, input string) (*Rig, error) {
	if server == "" {
		server = ServerString()
	}
	r := &Rig{server: server}
	p, err := dial(server, nil)
	if err != nil {
		return nil, devErr("open rig at", server, engine.Retry, err)
	}
	defer p.close()
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

func (r *Rig) look(p *pulse, output, input string) error {
	info, err := p.info()
	if err != nil {
		return devErr("open rig at", r.server, engine.Retry, err)
	}
	sinks, err := p.sinks()
	if err != nil {
		return devErr("open rig at", r.server, engine.Retry, err)
	}
	var sources proto.GetSourceInfoListReply
	if err := p.c.Request(&proto.GetSourceInfoList{}, &sources); err != nil {
		return devErr("open rig at", r.server, engine.Retry, err)
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
			r.Output = RigDevice{ID: s.SinkName, Name: Readable(s.Device), RateHz: int(s.Rate), Channels: int(s.SampleSpec.Channels),
				Muted: s.Mute, VolumeDB: volumeDB(s.ChannelVolumes)}
		}
		there = append(there, s.SinkName)
	}
	if r.Output.ID == "" {
		return devErr("open output", output, engine.GiveUp, fmt.Errorf("there is none of that name; there are: %s", strings.Join(there, ", ")))
	}
	there = nil
	for _, s := range sources {
		if s.SourceName == input {
			r.Input = RigDevice{ID: s.SourceName, Name: Readable(s.Device), RateHz: int(s.Rate), Channels: int(s.SampleSpec.Channels),
				Monitor: s.MonitorSourceIndex != proto.Undefined, Muted: s.Mute, VolumeDB: volumeDB(s.ChannelVolumes)}
		}
		there = append(there, s.SourceName)
	}
	if r.Input.ID == "" {
		return devErr("open microphone input", input, engine.GiveUp, fmt.Errorf("there is none of that name; there are: %s", strings.Join(there, ", ")))
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
