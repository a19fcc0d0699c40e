package soundtest

import (
	"encoding/binary"
	"math"
	"sync"
	"time"

	"github.com/jfreymuth/pulse/proto"
)

// Recording is a stream of a test's own that records.
type Recording struct {
	c    *conn
	rate int
	mu   sync.Mutex
	in   []float32
	zero time.Time // when frame 0 was recorded, by the fragment that came with the least delay

	least []time.Time // the same by the fragments of each second: it moves where the source's clock is not the computer's
	gone  chan struct{}
}

// Gone is closed when the server has ended the recording or has gone itself, also after Stop.
func (r *Recording) Gone() <-chan struct{} { return r.gone }

// Record starts to record a source (a sink's monitor is SINK.monitor), as interleaved stereo.
func (s *Server) Record(source string, rateHz int) *Recording {
	s.t.Helper()
	r, err := s.TryRecord(source, rateHz, false)
	if err != nil {
		s.t.Fatalf("soundtest: record %q: %v", source, err)
	}
	s.t.Cleanup(func() { r.c.net.Close() })
	return r
}

// TryRecord is Record for a source that may not be there; the caller stops the recording. front takes the front
// channels as they are, where the source has more, instead of a mix.
func (s *Server) TryRecord(source string, rateHz int, front bool) (*Recording, error) {
	if !s.complete.Load() {
		return nil, errNotThere
	}
	r := &Recording{rate: rateHz, gone: make(chan struct{})}
	var once sync.Once
	c, err := s.connect("soundtest recorder", func(m any) {
		switch d := m.(type) {
		case *proto.RecordStreamKilled, *proto.ConnectionClosed:
			once.Do(func() { close(r.gone) })
		case *proto.DataPacket:
			r.mu.Lock()
			for b := d.Data; len(b) >= 4; b = b[4:] {
				r.in = append(r.in, math.Float32frombits(binary.LittleEndian.Uint32(b)))
			}
			z := time.Now().Add(-r.length(len(r.in) / 2))
			if sec := len(r.in) / 2 / r.rate; sec >= len(r.least) {
				r.least = append(r.least, z)
			} else if z.Before(r.least[sec]) {
				r.least[sec] = z
			}
			if r.zero.IsZero() || z.Before(r.zero) {
				r.zero = z
			}
			r.mu.Unlock()
		}
	})
	if err != nil {
		return nil, err
	}
	r.c = c
	var reply proto.CreateRecordStreamReply
	err = c.Request(&proto.CreateRecordStream{
		SampleSpec:  proto.SampleSpec{Format: proto.FormatFloat32LE, Channels: 2, Rate: uint32(rateHz)},
		ChannelMap:  proto.ChannelMap{proto.ChannelFrontLeft, proto.ChannelFrontRight},
		SourceIndex: proto.Undefined, SourceName: source,
		BufferMaxLength: proto.Undefined, BufferFragSize: uint32(rateHz/100) * 8, AdjustLatency: true,
		DirectOnInputIndex: proto.Undefined,
		NoMove:             true, NoRemix: front,
		ChannelVolumes: proto.ChannelVolumes{uint32(proto.VolumeNorm), uint32(proto.VolumeNorm)},
		Properties:     proto.PropList{"media.name": proto.PropListString("soundtest recording"), "application.name": proto.PropListString("soundtest recorder")},
	}, &reply)
	if err != nil {
		c.net.Close()
		return nil, err
	}
	return r, nil
}

func (r *Recording) length(frames int) time.Duration {
	return time.Duration(float64(frames) / float64(r.rate) * float64(time.Second))
}

// At is when a frame was recorded, on this process' clock: exact to the least delay a fragment had on its way here, a
// few milliseconds, the same for every frame.
func (r *Recording) At(frame int) time.Time {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.zero.Add(r.length(frame))
}

// Zero is when frame 0 was recorded, by the fragments about a frame: it moves by what the source's clock is off.
func (r *Recording) Zero(frame int) time.Time {
	r.mu.Lock()
	defer r.mu.Unlock()
	about := func(sec int) time.Time { // the least of a few seconds
		lo, hi := max(0, min(sec-2, len(r.least)-5)), len(r.least)
		z := r.least[lo]
		for _, x := range r.least[lo:min(hi, lo+5)] {
			if x.Before(z) {
				z = x
			}
		}
		return z
	}
	first, last := about(0), about(len(r.least)-1)
	if len(r.least) < 10 {
		return first
	}
	part := (float64(frame)/float64(r.rate) - 2.5) / float64(len(r.least)-5)
	return first.Add(time.Duration(part * float64(last.Sub(first))))
}

// Samples are what has been recorded so far, interleaved stereo: a copy.
func (r *Recording) Samples() []float32 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]float32(nil), r.in[:len(r.in)/2*2]...)
}

// From are the samples recorded since a frame, interleaved stereo: a copy.
func (r *Recording) From(frame int) []float32 {
	r.mu.Lock()
	defer r.mu.Unlock()
	n := len(r.in) / 2
	return append([]float32(nil), r.in[2*min(frame, n):2*n]...)
}

// Frames is how many frames have been recorded so far.
func (r *Recording) Frames() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.in) / 2
}

// Stop ends the recording and gives what was recorded.
func (r *Recording) Stop() []float32 {
	r.c.net.Close()
	return r.Samples()
}

// LevelDB is the level of each ear in interleaved stereo samples, as root mean square re full scale (a full-scale sine
// is −3.01).
func LevelDB(stereo []float32) (left, right float64) {
	var l, r float64
	for i := 0; i+1 < len(stereo); i += 2 {
		l += float64(stereo[i]) * float64(stereo[i])
		r += float64(stereo[i+1]) * float64(stereo[i+1])
	}
	n := float64(len(stereo) / 2)
	return 10 * math.Log10(l/n), 10 * math.Log10(r/n)
}
