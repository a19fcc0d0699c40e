package soundtest

import (
	"fmt"
	"math"

	"github.com/jfreymuth/pulse/proto"
)

// AddSink makes a null sink, an output whose monitor can be recorded, and waits until it is there. Its module's index
// is for RemoveSink.
func (s *Server) AddSink(name string, rateHz, channels int) (module uint32) {
	s.t.Helper()
	chmap := ""
	if channels == 2 {
		chmap = " channel_map=front-left,front-right"
	}
	// PipeWire is told to let the monitor carry the volume, as PulseAudio does: what is recorded is what would be
	// heard.
	args := fmt.Sprintf("sink_name=%s format=float32le norewinds=1 rate=%d channels=%d%s sink_properties=\"device.description='Test output %s' monitor.channel-volumes=true\"", name, rateHz, channels, chmap, name)
	var r proto.LoadModuleReply
	s.Request(&proto.LoadModule{Name: "module-null-sink", Args: args}, &r)
	s.await("sink "+name, func() error {
		if s.sink(name) == nil {
			return fmt.Errorf("no sink %q", name)
		}
		return nil
	})
	return r.ModuleIndex
}

// RemoveSink unloads a sink's module.
func (s *Server) RemoveSink(module uint32) {
	s.t.Helper()
	s.Request(&proto.UnloadModule{ModuleIndex: module}, nil)
}

// SetDefault makes the sink default and waits until it is.
func (s *Server) SetDefault(name string) {
	s.t.Helper()
	s.Request(&proto.SetDefaultSink{SinkName: name}, nil)
	s.await("default sink "+name, func() error {
		if d := s.DefaultSink(); d != name {
			return fmt.Errorf("default is %q", d)
		}
		return nil
	})
}

// DefaultSink is the name of the default sink.
func (s *Server) DefaultSink() string {
	s.t.Helper()
	var r proto.GetServerInfoReply
	s.Request(&proto.GetServerInfo{}, &r)
	return r.DefaultSinkName
}

// Sinks are all sinks.
func (s *Server) Sinks() []*proto.GetSinkInfoReply {
	s.t.Helper()
	var r proto.GetSinkInfoListReply
	s.Request(&proto.GetSinkInfoList{}, &r)
	return r
}

// SinkNames are the names of all sinks.
func (s *Server) SinkNames() []string {
	s.t.Helper()
	var names []string
	for _, k := range s.Sinks() {
		names = append(names, k.SinkName)
	}
	return names
}

func (s *Server) sink(name string) *proto.GetSinkInfoReply {
	s.t.Helper()
	for _, k := range s.Sinks() {
		if k.SinkName == name {
			return k
		}
	}
	return nil
}

// Input is a stream that plays.
type Input struct {
	Index            uint32
	App, Media, Sink string // Sink is the name of the sink that it plays to
}

// SinkInputs are the streams that play.
func (s *Server) SinkInputs() []Input {
	s.t.Helper()
	names := map[uint32]string{}
	for _, k := range s.Sinks() {
		names[k.SinkIndex] = k.SinkName
	}
	var r proto.GetSinkInputInfoListReply
	s.Request(&proto.GetSinkInputInfoList{}, &r)
	var in []Input
	for _, i := range r {
		app := ""
		if v, ok := i.Properties["application.name"]; ok {
			app = v.String()
		}
		in = append(in, Input{Index: i.SinkInputIndex, App: app, Media: i.MediaName, Sink: names[i.SinkIndex]})
	}
	return in
}

// Volume of a sink: of each channel, where 1 is full, on the scale that people see (loudness goes with its cube).
func (s *Server) Volume(sink string) (channels []float64, mute bool) {
	s.t.Helper()
	k := s.sink(sink)
	if k == nil {
		s.t.Fatalf("soundtest: no sink %q", sink)
	}
	for _, v := range k.ChannelVolumes {
		channels = append(channels, float64(v)/float64(proto.VolumeNorm))
	}
	return channels, k.Mute
}

// SetVolume of a sink, of each channel or, if one is given, of all.
func (s *Server) SetVolume(sink string, channels ...float64) {
	s.t.Helper()
	k := s.sink(sink)
	if k == nil {
		s.t.Fatalf("soundtest: no sink %q", sink)
	}
	v := make(proto.ChannelVolumes, len(k.ChannelVolumes))
	for i := range v {
		v[i] = uint32(math.Round(channels[min(i, len(channels)-1)] * float64(proto.VolumeNorm)))
	}
	s.Request(&proto.SetSinkVolume{SinkIndex: k.SinkIndex, ChannelVolumes: v}, nil)
}

// SetMute of a sink.
func (s *Server) SetMute(sink string, mute bool) {
	s.t.Helper()
	s.Request(&proto.SetSinkMute{SinkIndex: proto.Undefined, SinkName: sink, Mute: mute}, nil)
}
