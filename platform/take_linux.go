package platform

import (
	"context"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"net"
	"sync"
	"time"

	"github.com/jfreymuth/pulse/proto"

	"cushwright/engine"
)

// rigStreams is one take under way. The connection's reading goroutine calls event; mu guards what both see.
type rigStreams struct {
	c    *proto.Client
	conn net.Conn

	mu       sync.Mutex
	frames   []float32
	channels int
	bytes    []byte // of a frame that came in part
	times    pulseTimes
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
		s.times.packet(time.Now(), len(s.frames)/s.channels)
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

// connect opens a connection of the take's own: its events come to s alone.
func (s *rigStreams) connect(server string) error {
	p, err := dialEach(server, func(conn net.Conn) (*pulse, error) { return greet(conn, s.event) })
	if err == nil {
		s.c, s.conn = p.c, p.conn
	}
	return err
}

// PlayRecord plays and records at once. It returns when all is recorded. When the context ends first, what plays is faded
// out before the streams are closed, and the error is the context's. A device that goes away, a stream that somebody
// moves, and an input that stops delivering are an *engine.Error to Reopen on, an input that never delivered one to Retry;
// lost frames stand in Gaps.
func (r *Rig) PlayRecord(ctx context.Context, t Take) (Taken, error) {
	if err := ctx.Err(); err != nil {
		return Taken{}, err
	}
	s := &rigStreams{from: -1, rec: proto.Undefined, play: proto.Undefined, wake: make(chan struct{}, 1)}
	if err := s.connect(r.server); err != nil {
		return Taken{}, devErr("open rig at", r.server, engine.Retry, err)
	}
	defer s.conn.Close()
	if err := s.record(r); err != nil {
		return Taken{}, devErr("record", r.Input.ID, engine.Reopen, err)
	}
	// The input must run before anything is played.
	if err := s.waitForInput(ctx, r.Input.ID); err != nil {
		return Taken{}, err
	}
	began, err := s.startPlaying(r)
	if err != nil {
		return Taken{}, devErr("play to", r.Output.ID, engine.Reopen, err)
	}
	p := feeder{s: s, r: r, t: t, need: int(t.RecordSeconds * float64(r.Input.RateHz)), fadeFrames: int(rigFade.Seconds() * float64(r.Output.RateHz)), shown: -1}
	if err := p.run(ctx); err != nil {
		return Taken{}, err
	}
	if t.Progress != nil {
		t.Progress(1)
	}
	return s.taken(r, p.need, len(t.Stereo)/2, began), nil
}

func fullVolumes(n int) proto.ChannelVolumes {
	v := make(proto.ChannelVolumes, n)
	for i := range v {
		v[i] = uint32(proto.VolumeNorm)
	}
	return v
}

// record opens the stream that records.
func (s *rigStreams) record(r *Rig) error {
	channels, layout := 2, stereoMap
	if r.Input.Channels == 1 {
		channels, layout = 1, proto.ChannelMap{proto.ChannelMono}
	}
	s.mu.Lock()
	s.times.rate = float64(r.Input.RateHz)
	s.mu.Unlock()
	var rec proto.CreateRecordStreamReply
	err := s.c.Request(&proto.CreateRecordStream{
		SampleSpec: proto.SampleSpec{Format: proto.FormatFloat32LE, Channels: byte(channels), Rate: uint32(r.Input.RateHz)},
		ChannelMap: layout, SourceIndex: proto.Undefined, SourceName: r.Input.ID,
		BufferMaxLength: proto.Undefined, BufferFragSize: uint32(r.Input.RateHz/50) * uint32(4*channels), AdjustLatency: true,
		NoMove: true, NoRemix: r.Input.Channels > 2, DirectOnInputIndex: proto.Undefined,
		ChannelVolumes: fullVolumes(channels), VolumeSet: true, RelativeVolume: true, MutedSet: true,
		Properties: streamProps("rig microphone"),
	}, &rec)
	if err != nil {
		return err
	}
	s.mu.Lock()
	s.rec, s.channels = rec.StreamIndex, channels
	s.mu.Unlock()
	return nil
}

// recorded is how many frames have come, and what has failed.
func (s *rigStreams) recorded() (frames int, failed error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.frames) / s.channels, s.failed
}

// waitForInput waits for the first frame of the input.
func (s *rigStreams) waitForInput(ctx context.Context, input string) error {
	for end := time.Now().Add(3 * time.Second); ; {
		n, failed := s.recorded()
		if failed != nil {
			return devErr("record", input, engine.Reopen, failed)
		}
		if n > 0 {
			return nil
		}
		if time.Now().After(end) {
			return devErr("record", input, engine.Retry, errors.New("the input delivers nothing: is the microphone plugged in?"))
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-s.wake:
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// startPlaying opens the stream that plays, and says when that was.
func (s *rigStreams) startPlaying(r *Rig) (began time.Time, err error) {
	ahead := uint32(rigBuffer.Seconds()*float64(r.Output.RateHz)) * frameBytes
	var play proto.CreatePlaybackStreamReply
	err = s.c.Request(&proto.CreatePlaybackStream{
		SampleSpec: proto.SampleSpec{Format: proto.FormatFloat32LE, Channels: 2, Rate: uint32(r.Output.RateHz)},
		ChannelMap: stereoMap, SinkIndex: proto.Undefined, SinkName: r.Output.ID,
		BufferMaxLength: proto.Undefined, BufferTargetLength: ahead, BufferPrebufferLength: proto.Undefined, BufferMinimumRequest: proto.Undefined,
		// Relative: on a server with one volume for stream and output, a stream at full must not turn the output up.
		ChannelVolumes: fullVolumes(2), VolumeSet: true, RelativeVolume: true, MutedSet: true, AdjustLatency: true, NoMove: true,
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

// feeder feeds a take's output until all is recorded. It belongs to the goroutine of PlayRecord.
type feeder struct {
	s          *rigStreams
	r          *Rig
	t          Take
	need       int // frames to record
	fadeFrames int // length of the fade-out of an interrupted take

	sent    int // frames
	fading  bool
	faded   int       // frames of the fade-out that are sent
	quietAt time.Time // when an interrupted take has died away; zero: not yet known
	shown   float64   // share that Progress was told last
}

func (p *feeder) run(ctx context.Context) error {
	done := ctx.Done()
	for {
		want, got, failed := p.s.asked()
		if failed != nil {
			if p.fading {
				return ctx.Err()
			}
			return devErr("play and record with", p.r.Output.ID, engine.Reopen, failed)
		}
		if err := p.give(want); err != nil {
			return devErr("play to", p.r.Output.ID, engine.Reopen, err)
		}
		if p.fading && p.faded >= p.fadeFrames && p.quietAt.IsZero() {
			p.quietAt = time.Now().Add(rigBuffer + 50*time.Millisecond)
		}
		if p.fading && !p.quietAt.IsZero() && time.Now().After(p.quietAt) {
			return ctx.Err()
		}
		if got >= p.need && !p.fading {
			return nil
		}
		p.progress(got)
		select {
		case <-done:
			p.fading, done = true, nil
			p.s.giveUpAfter(rigBuffer + rigFade + time.Second) // should the server ask for nothing any more
		case <-p.s.wake:
		case <-time.After(20 * time.Millisecond):
		}
		if n, _ := p.s.recorded(); !p.fading && n == got+p.s.from && p.s.stalled() {
			return devErr("record", p.r.Input.ID, engine.Reopen, errors.New("the input stopped delivering"))
		}
	}
}

// give sends so many frames: of the signal, of silence behind its end, fading where the take is interrupted.
func (p *feeder) give(frames int) error {
	for frames > 0 {
		n := min(frames, mostFrames)
		buf := make([]float32, 2*n)
		if 2*p.sent < len(p.t.Stereo) {
			copy(buf, p.t.Stereo[2*p.sent:])
		}
		if p.fading {
			fadeOut(buf, p.faded, p.fadeFrames)
			p.faded += n
		}
		if err := p.s.c.Send(p.s.play, float32Bytes(buf)); err != nil {
			return err
		}
		p.sent, frames = p.sent+n, frames-n
	}
	return nil
}

func (p *feeder) progress(got int) {
	if share := min(float64(got)/float64(p.need), 1); p.t.Progress != nil && !p.fading && share-p.shown > 0.02 {
		p.shown = share
		p.t.Progress(share)
	}
}

// asked is how many frames the server asks for, how many are recorded since the playing began, and what has failed.
func (s *rigStreams) asked() (want, got int, failed error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	want = s.wanted / frameBytes
	s.wanted -= want * frameBytes
	return want, len(s.frames)/s.channels - s.from, s.failed
}

// giveUpAfter ends the take after a while, unless it has ended by then.
func (s *rigStreams) giveUpAfter(d time.Duration) {
	time.AfterFunc(d, func() {
		s.mu.Lock()
		if s.failed == nil {
			s.failed = io.ErrNoProgress
		}
		s.mu.Unlock()
		s.signal()
	})
}

// taken is what was recorded, of which need frames are wanted; played is the length of the signal in frames.
func (s *rigStreams) taken(r *Rig, need, played int, began time.Time) Taken {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := Taken{Frames: s.frames[s.from*s.channels : (s.from+need)*s.channels], Channels: s.channels, RateHz: r.Input.RateHz, Began: began}
	for _, at := range s.dry {
		// What lies behind the signal is silence: there it may run dry.
		if frame := int(at / frameBytes); frame < played {
			out.Gaps = append(out.Gaps, Gap{Playing: true, At: time.Duration(float64(frame) / float64(r.Output.RateHz) * float64(time.Second))})
		}
	}
	if n := s.times.lost(); n > 0 {
		out.Gaps = append(out.Gaps, Gap{Frames: n})
	}
	return out
}

// stalled reports whether nothing has been recorded for two seconds.
func (s *rigStreams) stalled() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return time.Since(s.times.last) > 2*time.Second
}

func float32Bytes(v []float32) []byte {
	b := make([]byte, 0, 4*len(v))
	for _, x := range v {
		b = binary.LittleEndian.AppendUint32(b, math.Float32bits(x))
	}
	return b
}
