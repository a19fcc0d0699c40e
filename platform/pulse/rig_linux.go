package pulse

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"sync"
	"time"

	"github.com/jfreymuth/pulse/proto"

	"cushwright/engine"
	"cushwright/platform/device"
	"cushwright/platform/rig"
)

// Rig is the pair of devices that a sweep is played on and recorded from: the output that the headphones hang on, and the
// input of the rig's microphones.
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

// rigStreams is one take under way. The connection's reading goroutine calls event; mu guards what both see.
type rigStreams struct {
	c *proto.Client

	mu       sync.Mutex
	frames   []float32
	channels int
	bytes    []byte // of a frame that came in part
	times    rig.Arrivals
	from     int // frame of the recording at which the playing was begun; −1 before
	rec      uint32
	play     uint32
	playing  bool
	dry      []int64 // offsets in bytes at which the output ran dry
	failed   error
	wanted   int           // bytes the server asks for
	wake     chan struct{} // cap 1
}

func (s *rigStreams) signal() {
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

func (s *rigStreams) event(m any) {
	s.mu.Lock()
	defer s.mu.Unlock()
	fail := func(text string) {
		if s.failed == nil {
			s.failed = errors.New(text)
		}
	}
	switch m := m.(type) {
	case *proto.DataPacket:
		if m.StreamIndex != s.rec || s.channels == 0 {
			return
		}
		b := m.Data
		if len(s.bytes) > 0 {
			b = append(s.bytes, b...)
		}
		for ; len(b) >= 4; b = b[4:] {
			s.frames = append(s.frames, math.Float32frombits(binary.LittleEndian.Uint32(b)))
		}
		s.bytes = append(s.bytes[:0:0], b...)
		s.times.Packet(time.Now(), len(s.frames)/s.channels)
	case *proto.Request:
		if s.playing && m.StreamIndex == s.play {
			s.wanted += int(m.Length)
		}
	case *proto.Underflow:
		if s.playing && m.StreamIndex == s.play {
			s.dry = append(s.dry, m.Offset)
		}
	case *proto.PlaybackStreamKilled:
		fail("the output was taken away")
	case *proto.RecordStreamKilled:
		fail("the microphone input was taken away")
	case *proto.PlaybackStreamMoved:
		fail("the sweep was moved to another output: " + m.DestName)
	case *proto.RecordStreamMoved:
		fail("the recording was moved to another input: " + m.DestName)
	case *proto.PlaybackStreamSuspended:
		if m.Suspended {
			fail("the output was suspended")
		}
	case *proto.RecordStreamSuspended:
		if m.Suspended {
			fail("the microphone input was suspended")
		}
	case *proto.ConnectionClosed:
		fail("the sound server is gone")
	}
	s.signal()
}

// PlayRecord plays and records at once. It returns when all is recorded. When the context ends first, what plays is faded
// out before the streams are closed, and the error is the context's. A device that goes away, a stream that somebody
// moves, and an input that stops delivering are an *engine.Error to Reopen on, an input that never delivered one to Retry;
// lost frames stand in Gaps.
func (r *Rig) PlayRecord(ctx context.Context, t rig.Take) (rig.Taken, error) {
	none := rig.Taken{}
	if err := ctx.Err(); err != nil {
		return none, err
	}
	s := &rigStreams{from: -1, rec: proto.Undefined, play: proto.Undefined, wake: make(chan struct{}, 1)}
	p, err := dial(r.server, s.event)
	if err != nil {
		return none, device.Err("open rig at", r.server, engine.Retry, err)
	}
	defer p.Close()
	s.c = p.c

	channels, layout := 2, proto.ChannelMap{proto.ChannelFrontLeft, proto.ChannelFrontRight}
	if r.Input.Channels == 1 {
		channels, layout = 1, proto.ChannelMap{proto.ChannelMono}
	}
	full := func(n int) proto.ChannelVolumes {
		v := make(proto.ChannelVolumes, n)
		for i := range v {
			v[i] = uint32(proto.VolumeNorm)
		}
		return v
	}
	var rec proto.CreateRecordStreamReply
	s.mu.Lock()
	s.times.Rate = float64(r.Input.RateHz)
	s.mu.Unlock()
	err = s.c.Request(&proto.CreateRecordStream{
		SampleSpec: proto.SampleSpec{Format: proto.FormatFloat32LE, Channels: byte(channels), Rate: uint32(r.Input.RateHz)},
		ChannelMap: layout, SourceIndex: proto.Undefined, SourceName: r.Input.ID,
		BufferMaxLength: proto.Undefined, BufferFragSize: uint32(r.Input.RateHz/50) * uint32(4*channels), AdjustLatency: true,
		NoMove: true, NoRemix: r.Input.Channels > 2, DirectOnInputIndex: proto.Undefined,
		ChannelVolumes: full(channels), VolumeSet: true, RelativeVolume: true, MutedSet: true,
		Properties: proto.PropList{"media.name": proto.PropListString("rig microphone"), "application.name": proto.PropListString(device.AppName)},
	}, &rec)
	if err != nil {
		return none, device.Err("record", r.Input.ID, engine.Reopen, err)
	}
	s.mu.Lock()
	s.rec, s.channels = rec.StreamIndex, channels
	s.mu.Unlock()
	recorded := func() (frames int, failed error) {
		s.mu.Lock()
		defer s.mu.Unlock()
		return len(s.frames) / channels, s.failed
	}
	// The input must run before anything is played.
	for end := time.Now().Add(3 * time.Second); ; {
		n, failed := recorded()
		if failed != nil {
			return none, device.Err("record", r.Input.ID, engine.Reopen, failed)
		}
		if n > 0 {
			break
		}
		if time.Now().After(end) {
			return none, device.Err("record", r.Input.ID, engine.Retry, errors.New("the input delivers nothing: is the microphone plugged in?"))
		}
		select {
		case <-ctx.Done():
			return none, ctx.Err()
		case <-s.wake:
		case <-time.After(20 * time.Millisecond):
		}
	}

	ahead := uint32(rig.Buffer.Seconds()*float64(r.Output.RateHz)) * 8
	var play proto.CreatePlaybackStreamReply
	err = s.c.Request(&proto.CreatePlaybackStream{
		SampleSpec: proto.SampleSpec{Format: proto.FormatFloat32LE, Channels: 2, Rate: uint32(r.Output.RateHz)},
		ChannelMap: proto.ChannelMap{proto.ChannelFrontLeft, proto.ChannelFrontRight},
		SinkIndex:  proto.Undefined, SinkName: r.Output.ID,
		BufferMaxLength: proto.Undefined, BufferTargetLength: ahead, BufferPrebufferLength: proto.Undefined, BufferMinimumRequest: proto.Undefined,
		// Relative: on a server with one volume for stream and output, a stream at full must not turn the output up.
		ChannelVolumes: full(2), VolumeSet: true, RelativeVolume: true, MutedSet: true, AdjustLatency: true, NoMove: true,
		Properties: proto.PropList{"media.name": proto.PropListString("sweep"), "application.name": proto.PropListString(device.AppName)},
	}, &play)
	if err != nil {
		return none, device.Err("play to", r.Output.ID, engine.Reopen, err)
	}
	s.mu.Lock()
	s.play, s.playing = play.StreamIndex, true
	s.from = len(s.frames) / channels
	began := time.Now()
	s.wanted += int(play.Missing)
	s.mu.Unlock()

	sent, fading, faded := 0, false, 0 // in frames
	total := len(t.Stereo) / 2
	fadeFrames := int(rig.Fade.Seconds() * float64(r.Output.RateHz))
	need := int(t.RecordSeconds * float64(r.Input.RateHz))
	var quietAt time.Time // when an interrupted take has died away
	done := ctx.Done()
	last := -1.0
	for {
		s.mu.Lock()
		want := s.wanted / 8
		s.wanted -= want * 8
		got, failed := len(s.frames)/channels-s.from, s.failed
		s.mu.Unlock()
		if failed != nil {
			if fading {
				return none, ctx.Err()
			}
			return none, device.Err("play and record with", r.Output.ID, engine.Reopen, failed)
		}
		for want > 0 {
			n := min(want, 8192)
			buf := make([]float32, 2*n) // silence behind the end
			if sent < total {
				copy(buf, t.Stereo[2*sent:])
			}
			if fading {
				rig.FadeOut(buf, faded, fadeFrames)
				faded += n
			}
			if err := s.c.Send(s.play, float32Bytes(buf)); err != nil {
				return none, device.Err("play to", r.Output.ID, engine.Reopen, err)
			}
			sent, want = sent+n, want-n
		}
		if fading && faded >= fadeFrames && quietAt.IsZero() {
			quietAt = time.Now().Add(rig.Buffer + 50*time.Millisecond)
		}
		if fading && (!quietAt.IsZero() && time.Now().After(quietAt)) {
			return none, ctx.Err()
		}
		if got >= need && !fading {
			break
		}
		if share := min(float64(got)/float64(need), 1); t.Progress != nil && !fading && share-last > 0.02 {
			last = share
			t.Progress(share)
		}
		select {
		case <-done:
			fading, done = true, nil
			// Should the server ask for nothing any more, there is nothing to wait for.
			time.AfterFunc(rig.Buffer+rig.Fade+time.Second, func() {
				s.mu.Lock()
				if s.failed == nil {
					s.failed = io.ErrNoProgress
				}
				s.mu.Unlock()
				s.signal()
			})
		case <-s.wake:
		case <-time.After(20 * time.Millisecond):
		}
		if n, _ := recorded(); !fading && n == got+s.from && s.stalled() {
			return none, device.Err("record", r.Input.ID, engine.Reopen, errors.New("the input stopped delivering"))
		}
	}
	if t.Progress != nil {
		t.Progress(1)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	out := rig.Taken{Frames: s.frames[s.from*channels : (s.from+need)*channels], Channels: channels, RateHz: r.Input.RateHz, Began: began}
	for _, at := range s.dry {
		// What lies behind the signal is silence: there it may run dry.
		if frame := int(at / 8); frame < total {
			out.Gaps = append(out.Gaps, rig.Gap{Playing: true, At: time.Duration(float64(frame) / float64(r.Output.RateHz) * float64(time.Second))})
		}
	}
	if n := s.times.Lost(); n > 0 {
		out.Gaps = append(out.Gaps, rig.Gap{Frames: n})
	}
	return out, nil
}

// stalled reports whether nothing has been recorded for two seconds.
func (s *rigStreams) stalled() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return time.Since(s.times.Last) > 2*time.Second
}

func float32Bytes(v []float32) []byte {
	b := make([]byte, 0, 4*len(v))
	for _, x := range v {
		b = binary.LittleEndian.AppendUint32(b, math.Float32bits(x))
	}
	return b
}
