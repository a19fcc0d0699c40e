package pulse

import (
	"github.com/jfreymuth/pulse/proto"

	"cushwright/engine"
	"cushwright/platform/device"
)

// Devices lists the sound server's outputs and sources.
func Devices(server string) ([]engine.Device, error) {
	p, err := Dial(server)
	if err != nil {
		return nil, device.Err("list devices of", server, engine.Retry, unanswered(err))
	}
	defer p.Close()
	fail := func(err error) ([]engine.Device, error) {
		return nil, device.Err("list devices of", server, engine.Retry, err)
	}
	info, err := p.info()
	if err != nil {
		return fail(err)
	}
	sinks, err := p.sinks()
	if err != nil {
		return fail(err)
	}
	var sources proto.GetSourceInfoListReply
	if err := p.c.Request(&proto.GetSourceInfoList{}, &sources); err != nil {
		return fail(err)
	}
	var all []engine.Device
	for _, s := range sinks {
		all = append(all, engine.Device{
			ID: s.SinkName, Name: device.Readable(s.Device), Playback: true, Default: s.SinkName == info.DefaultSinkName,
			RateHz: int(s.Rate), Channels: int(s.SampleSpec.Channels),
		})
	}
	for _, s := range sources {
		all = append(all, engine.Device{
			ID: s.SourceName, Name: device.Readable(s.Device), Capture: true, Default: s.SourceName == info.DefaultSourceName,
			Monitor: s.MonitorSourceIndex != proto.Undefined, // of a source: the sink that it monitors
			RateHz:  int(s.Rate), Channels: int(s.SampleSpec.Channels),
		})
	}
	return all, nil
}

// Exist is nil if the server has both devices.
func Exist(server, capture, output string) error {
	p, err := Dial(server)
	if err != nil {
		return device.Err("connect to", server, engine.Reopen, err)
	}
	defer p.Close()
	if err := p.c.Request(&proto.LookupSource{SourceName: capture}, &proto.LookupSourceReply{}); err != nil {
		return device.Err("open capture", capture, engine.Reopen, err)
	}
	if err := p.c.Request(&proto.LookupSink{SinkName: output}, &proto.LookupSinkReply{}); err != nil {
		return device.Err("open output", output, engine.Reopen, err)
	}
	return nil
}
