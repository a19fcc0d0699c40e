package soundtest

import (
	"encoding/binary"
	"math"
	"sync"

	"github.com/jfreymuth/pulse/proto"
)

// Playback is a stream of a test's own that plays a signal.
type Playback struct {
	c     *conn
	index uint32
	input uint32
	done  chan struct{} // closed when all has been handed over
	gone  chan struct{} // closed when the server has ended the stream, or itself

	frame func() (l, r float32, ok bool) // of the sending goroutine
	ended bool                           // of the sending goroutine
}

// Index is the stream's number among SinkInputs.
func (p *Playback) Index() uint32 { return p.input }

// Handed is closed when the whole signal has been handed to the server (which still has to play its buffer).
func (p *Playback) Handed() <-chan struct{} { return p.done }

// Gone is closed when the server has ended the stream or has gone itself, also after Stop.
func (p *Playback) Gone() <-chan struct{} { return p.gone }

// Stop ends the stream.
func (p *Playback) Stop() { p.c.net.Close() }

// bufferSeconds is the server's buffer for a test's stream: long enough for a busy machine.
const bufferSeconds = 0.2

// Play starts a stream that plays the interleaved stereo signal once, to the sink or, if that is "", to the default
// one.
func (s *Server) Play(sink string, rateHz int, stereo []float32) *Playback {
	s.t.Helper()
	n := 0
	return s.PlayFunc(sink, rateHz, func() (float32, float32, bool) {
		if n+1 >= len(stereo) {
			return 0, 0, false
		}
		l, r := stereo[n], stereo[n+1]
		n += 2
		return l, r, true
	})
}

// PlayFunc starts a stream that plays what frame gives, until it says false; frame is called from one goroutine.
func (s *Server) PlayFunc(sink string, rateHz int, frame func() (l, r float32, ok bool)) *Playback {
	s.t.Helper()
	return s.PlayAhead(sink, rateHz, bufferSeconds, frame)
}

// PlayAhead is PlayFunc with so many seconds of sound ready in the server: the more, the longer the machine may
// stumble.
func (s *Server) PlayAhead(sink string, rateHz int, seconds float64, frame func() (l, r float32, ok bool)) *Playback {
	s.t.Helper()
	p, err := s.tryPlay(sink, rateHz, seconds, frame)
	if err != nil {
		s.t.Fatalf("soundtest: play to %q: %v", sink, err)
	}
	s.t.Cleanup(p.Stop)
	return p
}

// TryPlay is PlayFunc for a server that may not be there; the caller stops the stream.
func (s *Server) TryPlay(sink string, rateHz int, frame func() (l, r float32, ok bool)) (*Playback, error) {
	if !s.complete.Load() {
		return nil, errNotThere
	}
	return s.tryPlay(sink, rateHz, bufferSeconds, frame)
}

func (s *Server) tryPlay(sink string, rateHz int, seconds float64, frame func() (l, r float32, ok bool)) (*Playback, error) {
	p := &Playback{done: make(chan struct{}), gone: make(chan struct{}), frame: frame}
	var once sync.Once
	ready := make(chan struct{})
	want := make(chan int, 64)
	c, err := s.connect("soundtest player", func(m any) {
		switch m := m.(type) {
		case *proto.Request:
			select {
			case want <- int(m.Length):
			default: // far behind already
			}
		case *proto.PlaybackStreamKilled:
			once.Do(func() { close(p.gone) })
		case *proto.ConnectionClosed:
			once.Do(func() { close(p.gone) })
			close(want)
		}
	})
	if err != nil {
		return nil, err
	}
	p.c = c
	length := uint32(seconds*float64(rateHz)) * 8
	var reply proto.CreatePlaybackStreamReply
	err = c.Request(&proto.CreatePlaybackStream{
		SampleSpec: proto.SampleSpec{Format: proto.FormatFloat32LE, Channels: 2, Rate: uint32(rateHz)},
		ChannelMap: proto.ChannelMap{proto.ChannelFrontLeft, proto.ChannelFrontRight},
		SinkIndex:  proto.Undefined, SinkName: sink,
		BufferMaxLength: proto.Undefined, BufferTargetLength: length,
		BufferPrebufferLength: proto.Undefined, BufferMinimumRequest: proto.Undefined,
		ChannelVolumes: proto.ChannelVolumes{uint32(proto.VolumeNorm), uint32(proto.VolumeNorm)},
		VolumeSet:      true, AdjustLatency: true,
		Properties: proto.PropList{"media.name": proto.PropListString("soundtest signal"), "application.name": proto.PropListString("soundtest player")},
	}, &reply)
	if err != nil {
		c.net.Close()
		return nil, err
	}
	p.index, p.input = reply.StreamIndex, reply.SinkInputIndex
	go func() {
		<-ready
		p.send(int(reply.Missing))
		for n := range want {
			p.send(n)
		}
	}()
	close(ready)
	return p, nil
}

func (p *Playback) send(bytes int) {
	if p.ended {
		return
	}
	buf := make([]byte, 0, bytes)
	for len(buf)+8 <= bytes {
		l, r, ok := p.frame()
		if !ok {
			p.ended = true
			close(p.done)
			break
		}
		buf = binary.LittleEndian.AppendUint32(buf, math.Float32bits(l))
		buf = binary.LittleEndian.AppendUint32(buf, math.Float32bits(r))
	}
	if len(buf) > 0 {
		p.c.Send(p.index, buf)
	}
	if p.ended {
		// Let a signal shorter than the server's start threshold play too.
		go p.c.Request(&proto.TriggerPlaybackStream{StreamIndex: p.index}, nil)
	}
}

// Sine is a source for PlayFunc: a sine of the frequency and peak value in both channels, without end.
func Sine(freqHz float64, rateHz int, peak float64) func() (l, r float32, ok bool) {
	n := 0
	return func() (float32, float32, bool) {
		v := float32(peak * math.Sin(2*math.Pi*freqHz*float64(n)/float64(rateHz)))
		n++
		return v, v, true
	}
}
