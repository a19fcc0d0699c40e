package pulse

import (
	"encoding/binary"
	"time"

	"golang.org/x/sys/unix"
)

// owing is how the server is given what it is owed; how much that is the outlet counts. All of it is the thread's.
type owing struct {
	ranDry bool   // the server has run dry since something was given last
	dry    bool   // what is owed begins with frames whose time is over
	stream uint32 // the server's number for the output

	waits    int            // for more, since what is owed was last given
	poll     [1]unix.PollFd // for more: here, for the thread must not allocate
	pollTime unix.Timespec

	in  []float32 // scratch
	out []float32 // packetHeader bytes, then samples
}

func newOwing() owing {
	return owing{in: make([]float32, 2*mostFrames), out: make([]float32, packetHeader/4+2*mostFrames)}
}

// settle gives what is owed, as far as it is there. Once the server is about to run dry it gives the rest as well, and
// the callback ends the sound as softly as it can.
func (w *wire) settle() error {
	o := &w.owing
	if w.outlet == nil {
		return nil
	}
	owed := w.outlet.Owed()
	if owed == 0 {
		return nil
	}
	buffer := int(w.sizes.buffer.Load())
	over := owed + int(w.sizes.request.Load()) - buffer // > 0: the buffer may be empty before the server asks again
	// The server's clock goes on while it is dry: it asks for the frames whose time is over as well, and drops them
	// when they come. While this process stood still the connection filled up, and what the server could not ask for
	// any more it asks for as soon as that was read.
	if buffer > 0 && (owed > buffer || o.ranDry && over > 0) {
		o.dry = true
		if o.waits < mostWaits && w.more(waitWhenDry) {
			o.waits++
			return nil
		}
	}
	o.waits = 0
	// must is what is given whether it is there or not: all, where the server is about to run dry, and where it is dry
	// already, what is over. It asks by way of a thread that may be late itself, the more so where the buffer had to
	// grow.
	past, must := 0, 0
	switch {
	case o.dry:
		past = max(0, min(owed, owed-buffer+max(int(w.sizes.request.Load()), buffer/4)))
		must = past
	case over > 0:
		must = owed
	}
	n := w.outlet.Due()
	if n < must && !w.more(waitBeforeDry) {
		n = must
	}
	o.ranDry = o.ranDry && n == 0
	if o.dry {
		past = min(n, past)
		if err := w.play(o.stream, past, w.mute); err != nil {
			return err
		}
		if n -= past; n == 0 {
			return nil
		}
		o.dry = false
		if w.gap != nil {
			w.gap()
		}
	}
	return w.play(o.stream, n, w.playback)
}

// mute takes what would have been heard and gives silence: where the server drops less than was thought, a gap is a
// little longer, and no piece of sound stands alone in it.
func (w *wire) mute(out []float32) {
	w.playback(out)
	clear(out)
}

// patient says how long the output's buffer is and how little of it the server asks for at once, in bytes. Less than
// that left means that it may run dry before it asks again.
func (w *wire) patient(buffer, request uint32) {
	w.sizes.buffer.Store(int64(buffer / frameBytes))
	w.sizes.request.Store(int64(min(buffer, request) / frameBytes))
}

// How long more packets are waited for: before the server is dry, and after. The latter is less than it takes the
// server to ask again where it is not behind.
const (
	waitBeforeDry = 300 * time.Microsecond
	waitWhenDry   = 1 * time.Millisecond

	mostWaits = 8 // of the latter in a row: capture and requests by turns leave no such pause
)

// more waits for packets: a server that was late itself has several to send.
func (w *wire) more(wait time.Duration) bool {
	o := &w.owing
	o.poll[0] = unix.PollFd{Fd: int32(w.fd), Events: unix.POLLIN}
	o.pollTime = unix.NsecToTimespec(int64(wait))
	n, err := unix.Ppoll(o.poll[:], &o.pollTime, nil)
	return err == nil && n > 0
}

// play sends frames of the stream, made by fill. A packet is made before the connection is locked for its writing.
func (w *wire) play(stream uint32, frames int, fill func([]float32)) error {
	for frames > 0 {
		n := min(frames, mostFrames)
		fill(w.owing.out[packetHeader/4:][:2*n])
		if err := w.sendAudio(stream, w.owing.out, n); err != nil {
			return err
		}
		frames -= n
	}
	return nil
}

// silence sends frames of silence from the caller's own buffer: the thread may be at work already.
func (w *wire) silence(stream uint32, frames int) error {
	out := make([]float32, packetHeader/4+2*min(frames, mostFrames))
	for frames > 0 {
		n := min(frames, mostFrames)
		if err := w.sendAudio(stream, out, n); err != nil {
			return err
		}
		frames -= n
	}
	return nil
}

// sendAudio sends the frames that stand in packet behind the room for the header.
func (s *sender) sendAudio(stream uint32, packet []float32, frames int) error {
	b := bytesOf(packet)[:packetHeader+frameBytes*frames]
	binary.BigEndian.PutUint32(b, uint32(frameBytes*frames))
	binary.BigEndian.PutUint32(b[4:], stream)
	clear(b[8:packetHeader])
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.write(b)
}
