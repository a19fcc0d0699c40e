package pulse

import (
	"context"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"sync"
	"time"

	"github.com/jfreymuth/pulse/proto"

	"cushwright/engine"
	"cushwright/platform/device"
	"cushwright/platform/rig"
)

// take is one take under way.
type take struct {
	wake  chan struct{} // cap 1
	mu    sync.Mutex    // the connection's reading goroutine and the caller of PlayRecord hold it in turn
	heard               // under mu
}

// heard is what has come of a take.
type heard struct {
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
	wanted   int // bytes the server asks for
}

func newTake(input rig.Device) *take {
	s := &take{wake: make(chan struct{}, 1)}
	s.from, s.rec, s.play = -1, proto.Undefined, proto.Undefined
	s.channels, s.times.Rate = 2, float64(input.RateHz)
	if input.Channels == 1 {
		s.channels = 1
	}
	return s
}

func (s *take) signal() {
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// event is told what the server says, on the connection's reading goroutine.
func (s *take) event(m any) {
	s.mu.Lock()
	defer s.mu.Unlock()
	fail := func(text string) {
		if s.failed == nil {
			s.failed = errors.New(text)
		}
	}
	switch m := m.(type) {
	case *proto.DataPacket:
		if m.StreamIndex != s.rec {
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

// doze waits for news, but not for long.
func (s *take) doze(done <-chan struct{}) (over bool) {
	select {
	case <-done:
		return true
	case <-s.wake:
	case <-time.After(20 * time.Millisecond):
	}
	return false
}

func (s *take) recorded() (frames int, failed error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.frames) / s.channels, s.failed
}

// full is full volume on n channels.
func full(n int) proto.ChannelVolumes { return flat(uint32(proto.VolumeNorm), n) }

// record opens the recording.
func (s *take) record(c *proto.Client, input rig.Device) error {
	channels, layout := s.channels, stereoMap
	if channels == 1 {
		layout = proto.ChannelMap{proto.ChannelMono}
	}
	var rec proto.CreateRecordStreamReply
	err := c.Request(&proto.CreateRecordStream{
		SampleSpec: proto.SampleSpec{Format: proto.FormatFloat32LE, Channels: byte(channels), Rate: uint32(input.RateHz)},
		ChannelMap: layout, SourceIndex: proto.Undefined, SourceName: input.ID, BufferMaxLength: proto.Undefined,
		BufferFragSize: uint32(input.RateHz/50) * uint32(4*channels), AdjustLatency: true,
		NoMove: true, NoRemix: input.Channels > 2, DirectOnInputIndex: proto.Undefined,
		ChannelVolumes: full(channels), VolumeSet: true, RelativeVolume: true, MutedSet: true,
		Properties: streamProps("rig microphone"),
	}, &rec)
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.rec = rec.StreamIndex
	return nil
}

// awaitInput waits until the input runs, which it must before anything is played.
func (s *take) awaitInput(ctx context.Context, id string) error {
	for end := time.Now().Add(3 * time.Second); ; {
		n, failed := s.recorded()
		switch {
		case failed != nil:
			return device.Err("record", id, engine.Reopen, failed)
		case n > 0:
			return nil
		case time.Now().After(end):
			return device.Err("record", id, engine.Retry,
				errors.New("the input delivers nothing: is the microphone plugged in?"))
		}
		if s.doze(ctx.Done()) {
			return ctx.Err()
		}
	}
}

// begin opens the output and says from when on it plays.
func (s *take) begin(c *proto.Client, output rig.Device) (began time.Time, err error) {
	ahead := uint32(rig.Buffer.Seconds()*float64(output.RateHz)) * frameBytes
	var play proto.CreatePlaybackStreamReply
	err = c.Request(&proto.CreatePlaybackStream{
		SampleSpec: proto.SampleSpec{Format: proto.FormatFloat32LE, Channels: 2, Rate: uint32(output.RateHz)},
		ChannelMap: stereoMap, SinkIndex: proto.Undefined, SinkName: output.ID,
		BufferMaxLength: proto.Undefined, BufferTargetLength: ahead, BufferPrebufferLength: proto.Undefined,
		BufferMinimumRequest: proto.Undefined,
		// Relative: on a server with one volume for stream and output, a stream at full must not turn the output up.
		ChannelVolumes: full(2), VolumeSet: true, RelativeVolume: true, MutedSet: true, AdjustLatency: true, NoMove: true,
		Properties: streamProps("sweep"),
	}, &play)
	if err != nil {
		return began, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.play, s.playing = play.StreamIndex, true
	s.from = len(s.frames) / s.channels
	s.wanted += int(play.Missing)
	return time.Now(), nil
}

// feed is what is played, as far as it has been given. It is the caller's.
type feed struct {
	stereo     []float32
	fadeFrames int
	sent       int // frames
	fading     bool
	faded      int       // frames
	quietAt    time.Time // when an interrupted take has died away; zero before the fade-out is given
}

// next gives the next frames; behind the end, silence.
func (f *feed) next(frames int) []float32 {
	buf := make([]float32, 2*frames)
	if at := 2 * f.sent; at < len(f.stereo) {
		copy(buf, f.stereo[at:])
	}
	f.sent += frames
	if f.fading {
		rig.FadeOut(buf, f.faded, f.fadeFrames)
		if f.faded += frames; f.faded >= f.fadeFrames && f.quietAt.IsZero() {
			f.quietAt = time.Now().Add(rig.Buffer + 50*time.Millisecond)
		}
	}
	return buf
}

// over reports whether an interrupted take has died away.
func (f *feed) over() bool { return !f.quietAt.IsZero() && time.Now().After(f.quietAt) }

// run plays until enough is recorded, or until the context has ended and the sound has died away.
func (s *take) run(ctx context.Context, c *proto.Client, r *Rig, f *feed, need int, progress func(share float64)) error {
	done, last := ctx.Done(), -1.0
	for {
		want, got, failed := s.turn()
		if failed != nil {
			if f.fading {
				return ctx.Err()
			}
			return device.Err("play and record with", r.Output.ID, engine.Reopen, failed)
		}
		for want > 0 {
			n := min(want, mostFrames)
			if err := c.Send(s.play, float32Bytes(f.next(n))); err != nil {
				return device.Err("play to", r.Output.ID, engine.Reopen, err)
			}
			want -= n
		}
		switch {
		case f.over():
			return ctx.Err()
		case got >= need && !f.fading:
			return nil
		}
		if share := min(float64(got)/float64(need), 1); progress != nil && !f.fading && share-last > 0.02 {
			last = share
			progress(share)
		}
		if s.doze(done) {
			f.fading, done = true, nil
			s.giveUpLater()
		}
		if n, _ := s.recorded(); !f.fading && n == got+s.from && s.stalled() {
			return device.Err("record", r.Input.ID, engine.Reopen, errors.New("the input stopped delivering"))
		}
	}
}

// turn is what the server wants now, in frames, and how many are recorded since the playing was begun.
func (s *take) turn() (want, got int, failed error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	want = s.wanted / frameBytes
	s.wanted -= want * frameBytes
	return want, len(s.frames)/s.channels - s.from, s.failed
}

// giveUpLater ends an interrupted take that the server asks nothing of any more.
func (s *take) giveUpLater() {
	time.AfterFunc(rig.Buffer+rig.Fade+time.Second, func() {
		s.mu.Lock()
		if s.failed == nil {
			s.failed = io.ErrNoProgress
		}
		s.mu.Unlock()
		s.signal()
	})
}

// taken is what was recorded, need frames of it, and what is known to be lost. Behind the signal's frames lies silence:
// there the output may run dry.
func (s *take) taken(need, signal, outputHz int) rig.Taken {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := rig.Taken{Frames: s.frames[s.from*s.channels : (s.from+need)*s.channels], Channels: s.channels}
	for _, at := range s.dry {
		if frame := int(at / frameBytes); frame < signal {
			at := time.Duration(float64(frame) / float64(outputHz) * float64(time.Second))
			out.Gaps = append(out.Gaps, rig.Gap{Playing: true, At: at})
		}
	}
	if n := s.times.Lost(); n > 0 {
		out.Gaps = append(out.Gaps, rig.Gap{Frames: n})
	}
	return out
}

// stalled reports whether nothing has been recorded for two seconds.
func (s *take) stalled() bool {
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
