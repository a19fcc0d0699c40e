package pulse

import (
	"errors"
	"net"
	"os"
	"sync"

	"github.com/jfreymuth/pulse/proto"

	"cushwright/engine"
	"cushwright/platform/device"
)

// Driver is the driver over the sound server's protocol.
type Driver struct {
	server, name string
}

// NewDriver returns the driver for the server at the address; name is its kind, as Find tells it.
func NewDriver(server, name string) *Driver { return &Driver{server: server, name: name} }

// Find tells the server's address and kind. One that was named need not answer yet.
func Find(server string) (address, name string, err error) {
	named := server != "" || os.Getenv("PULSE_SERVER") != ""
	if server == "" {
		server = ServerString()
	}
	p, err := Dial(server)
	switch {
	case err == nil:
		defer p.Close()
		if p.pipewire {
			return server, "PipeWire", nil
		}
		return server, "PulseAudio", nil
	case named:
		return server, "PulseAudio", nil
	}
	return "", "", device.Err("find", "sound server", engine.Retry,
		errors.New("no PulseAudio or PipeWire answers at "+server+", and there is no sound card"))
}

// Name is the kind of server.
func (d *Driver) Name() string { return d.name }

// Devices lists what can be named in a Request.
func (d *Driver) Devices() ([]engine.Device, error) { return Devices(d.server) }

// connect makes a connection whose audio the wire handles. Each address has a wire of its own: the protocol library may still
// read from one that failed.
func (d *Driver) connect(calls callbacks) (w *wire, p *Conn, err error) {
	p, err = dialEach(d.server, func(conn net.Conn) (*Conn, error) {
		w = &wire{callbacks: calls}
		if err := w.take(conn); err != nil {
			return nil, err
		}
		p, err := handshake(w, nil)
		if err != nil {
			w.Close()
		}
		return p, err
	})
	return w, p, err
}

func streamProps(name string) proto.PropList {
	return proto.PropList{"media.name": proto.PropListString(name), "application.name": proto.PropListString(device.AppName)}
}

// Plan gives buffers in the measures in which both servers were found to run without a break. The output's buffer
// covers what is late at either end; by what the ring would keep less than nothing it is never filled, so that what is
// captured goes there at once.
func (d *Driver) Plan(delay engine.Delay, rateHz int) engine.Plan {
	ms := func(x float64) int { return int(x * 1e-3 * float64(rateHz)) }
	switch delay {
	case engine.DelayLow:
		return engine.Plan{CaptureFrames: ms(2), KeepFrames: ms(-2), OutputFrames: []int{ms(10)}}
	case engine.DelaySafe:
		return engine.Plan{CaptureFrames: ms(10), KeepFrames: ms(-10), OutputFrames: []int{ms(70)}}
	}
	return engine.Plan{CaptureFrames: ms(4), KeepFrames: ms(-4), OutputFrames: []int{ms(16), ms(22), ms(32), ms(48), ms(70)}}
}

var (
	stereoMap  = proto.ChannelMap{proto.ChannelFrontLeft, proto.ChannelFrontRight}
	fullVolume = proto.ChannelVolumes{uint32(proto.VolumeNorm), uint32(proto.VolumeNorm)}
)

// Open opens both streams and starts them.
func (d *Driver) Open(req engine.Request) (engine.Stream, error) {
	if req.CaptureFrames <= 0 {
		req.CaptureFrames = device.CaptureFrames
	}
	if req.OutputFrames <= 0 {
		req.OutputFrames = device.OutputFrames
	}
	s := &stream{}
	spec := proto.SampleSpec{Format: proto.FormatFloat32LE, Channels: 2, Rate: uint32(req.RateHz)}
	fail := func(action, object string, err error) (engine.Stream, error) {
		s.Close()
		return nil, device.Err(action, object, engine.Reopen, err)
	}
	if req.Outlet == nil {
		return nil, device.Err("open output", req.OutputID, engine.GiveUp, errors.New("nobody counts what it is owed"))
	}
	w, p, err := d.connect(callbacks{capture: req.Capture, playback: req.Playback, outlet: req.Outlet,
		underflow: req.Underflow, gap: req.Gap, lost: req.Lost})
	if err != nil {
		return fail("connect to", d.server, err)
	}
	s.w, s.p = w, p
	var rec proto.CreateRecordStreamReply
	err = p.c.Request(&proto.CreateRecordStream{
		SampleSpec: spec, ChannelMap: stereoMap, SourceIndex: proto.Undefined, SourceName: req.CaptureID,
		BufferMaxLength: proto.Undefined, BufferFragSize: uint32(req.CaptureFrames * frameBytes), AdjustLatency: true,
		DirectOnInputIndex: proto.Undefined, NoMove: true, ChannelVolumes: fullVolume, VolumeSet: true,
		Properties: streamProps("sound to correct"),
	}, &rec)
	if err != nil {
		return fail("open capture", req.CaptureID, err)
	}
	s.record = rec.StreamIndex

	var play proto.CreatePlaybackStreamReply
	err = p.c.Request(&proto.CreatePlaybackStream{
		SampleSpec: spec, ChannelMap: stereoMap, SinkIndex: proto.Undefined, SinkName: req.OutputID,
		BufferMaxLength: proto.Undefined, BufferTargetLength: uint32(req.OutputFrames * frameBytes),
		BufferPrebufferLength: 0, BufferMinimumRequest: minimumRequest(req.OutputFrames),
		SyncID: 0, ChannelVolumes: fullVolume, VolumeSet: true, NoMove: true, EarlyRequests: true,
		Properties: streamProps("corrected sound"),
	}, &play)
	if err != nil {
		return fail("open output", req.OutputID, err)
	}
	s.play = play.StreamIndex
	w.patient(play.BufferTargetLength, play.BufferMinimumRequest)
	if err := w.silence(play.StreamIndex, int(play.Missing/frameBytes)); err != nil {
		return fail("start output", req.OutputID, err)
	}
	s.delay = int(play.BufferTargetLength/frameBytes) + int(float64(play.SinkLatency)*1e-6*float64(req.RateHz))
	s.rest = s.delay - int(play.BufferTargetLength/frameBytes)
	if !w.opened() {
		return fail("start output", req.OutputID, errors.New("the connection ended"))
	}
	return s, nil
}

// minimumRequest is the least that the server is to ask for at once, in bytes: an eighth of the buffer. With early
// requests the device takes as much at once, and all the rest of the delay lies in the buffer; by itself the server
// gives half of it to the device.
func minimumRequest(outputFrames int) uint32 { return uint32(outputFrames / 8 * frameBytes) }

type stream struct {
	p            *Conn
	w            *wire
	record, play uint32
	delay        int // of the supervisor, like all here
	rest         int // of delay, what is not the output's buffer
	once         sync.Once
}

func (s *stream) DelayFrames() int { return s.delay }

// Resize changes the output's buffer while it plays; what more it takes it asks for at once.
func (s *stream) Resize(outputFrames int) (int, error) {
	var got proto.SetPlaybackStreamBufferAttrReply
	err := s.p.c.Request(&proto.SetPlaybackStreamBufferAttr{StreamIndex: s.play, BufferMaxLength: proto.Undefined,
		BufferTargetLength: uint32(outputFrames * frameBytes), BufferPrebufferLength: 0,
		BufferMinimumRequest: minimumRequest(outputFrames), EarlyRequests: true}, &got)
	if err != nil {
		return 0, device.Err("resize the buffer of", "corrected sound", engine.Reopen, err)
	}
	s.w.patient(got.BufferTargetLength, got.BufferMinimumRequest)
	n := int(got.BufferTargetLength / frameBytes)
	s.delay = s.rest + n
	return n, nil
}

// Close ends the connection, which ends both streams.
func (s *stream) Close() error {
	s.once.Do(func() {
		if s.p != nil {
			s.p.Close()
		}
	})
	return nil
}
