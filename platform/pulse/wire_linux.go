package pulse

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"runtime"
	"sync"
	"sync/atomic"
	"time"
	"unsafe"

	"cushwright/platform/thread"

	"github.com/jfreymuth/pulse/proto"
	"golang.org/x/sys/unix"
)

// This file is the stream path over the sound server's own protocol, which PulseAudio and PipeWire both speak. The device
// layer of malgo makes the playback period the server's whole buffer and adds 50 ms and more; here the buffers are
// ours to choose. Both streams share a connection and an operating system thread, which waits in read(2) and runs the
// engine's callbacks on what arrives: no goroutine has to be woken in between. What the server asks for and the capture
// has not brought yet stays owed, since the server's buffer has sound left: so one buffer, and not two, covers what is late.
// The protocol library does the requests at start and end; the audio packets are read and written here, without allocation.

const (
	packetHeader  = 20          // length, channel, offset (two words), flags; big-endian
	controlPacket = 0xFFFFFFFF  // the channel of everything that is not audio
	mostPacket    = 1 << 20     // bytes; the server's own audio packets stay below 64 KiB
	mostRequest   = 8 << 20     // bytes; the server's own buffers hold 4 MiB at most
	mostFrames    = 8192        // per call of a callback
	frameBytes    = 8           // stereo float32
	controlQueue  = 256         // control packets in hand before the connection is given up
	sendTimeout   = time.Second // for a server that does not read: then the stream is lost
)

// wire is a connection whose audio packets are handled on a thread of its own. It is the net.Conn on which the
// protocol library makes its requests; Read and Write are for the library alone.
type wire struct {
	net.Conn // closed; for the methods that nobody needs
	fd       int

	capture   func([]float32) // what to do with audio; set before the thread starts
	playback  func([]float32)
	ready     func(frames int) int // how many of the frames that are owed playback has; nil: all
	underflow func()
	gap       func()
	lost      func(error)

	buffer  atomic.Int64 // the output's, frames
	request atomic.Int64 // the least that the server asks for at once, frames
	owed    int          // frames asked for and not given yet; of the thread, like the following
	told    bool         // the server has run dry since something was given last
	dry     bool         // what is owed begins with frames whose time is over
	stream  uint32       // the server's number for the output

	waits    int            // for more, since what is owed was last given
	poll     [1]unix.PollFd // of the thread, for more: here, for it must not allocate
	pollTime unix.Timespec

	control chan []byte // control packets for the library
	rest    []byte      // of the library's reading goroutine
	ended   chan struct{}
	closing atomic.Bool

	send   sync.Mutex // one packet at a time; held by the thread for the length of a write
	packet []byte     // what the library has written of a packet, under send

	in  []float32 // scratch of the thread
	out []float32 // packetHeader bytes, then samples
}

// take takes over the connection and starts the thread.
func (w *wire) take(conn net.Conn) error {
	c, ok := conn.(interface{ File() (*os.File, error) })
	if !ok {
		return fmt.Errorf("no file descriptor behind %T", conn)
	}
	f, err := c.File()
	if err != nil {
		return err
	}
	defer f.Close()
	fd, err := unix.FcntlInt(f.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err != nil {
		return err
	}
	conn.Close() // the runtime's poller lets go of it
	if err := unix.SetNonblock(fd, false); err != nil {
		unix.Close(fd)
		return err
	}
	tv := unix.NsecToTimeval(int64(sendTimeout))
	unix.SetsockoptTimeval(fd, unix.SOL_SOCKET, unix.SO_SNDTIMEO, &tv)
	w.Conn, w.fd = conn, fd
	w.closing.Store(false)
	w.rest, w.packet, w.owed, w.told, w.dry, w.waits = nil, nil, 0, false, false, 0
	w.control = make(chan []byte, controlQueue)
	w.ended = make(chan struct{})
	w.in = make([]float32, 2*mostFrames)
	w.out = make([]float32, packetHeader/4+2*mostFrames)
	go w.run()
	return nil
}

// bytesOf are the bytes of the samples; the protocol's format is the machine's own (FormatFloat32LE).
func bytesOf(s []float32) []byte {
	if len(s) == 0 {
		return nil
	}
	return unsafe.Slice((*byte)(unsafe.Pointer(&s[0])), 4*len(s))
}

// run reads packets until the connection ends.
func (w *wire) run() {
	runtime.LockOSThread()
	thread.Urgent()
	// The thread goes back to the runtime as it was: were it to end, children that die with their parent's thread would.
	defer func() {
		if thread.Ordinary() {
			runtime.UnlockOSThread()
		}
	}()
	err := w.read()
	close(w.control)
	if !w.closing.Load() && w.lost != nil {
		w.lost(err)
	}
	close(w.ended)
}

func (w *wire) read() error {
	buf := make([]byte, 64<<10)
	have := 0
	for {
		n, err := unix.Read(w.fd, buf[have:])
		switch {
		case err == unix.EINTR:
			continue
		case err != nil:
			return err
		case n == 0:
			return io.EOF
		}
		have += n
		at := 0
		for have-at >= packetHeader {
			size := int(binary.BigEndian.Uint32(buf[at:]))
			if size > mostPacket {
				return fmt.Errorf("a packet of %d bytes", size)
			}
			whole := packetHeader + size
			if have-at < whole {
				if whole > len(buf) {
					buf = append(buf, make([]byte, whole)...)
				}
				break
			}
			if err := w.handle(binary.BigEndian.Uint32(buf[at+4:]), buf[at:at+whole]); err != nil {
				return err
			}
			at += whole
		}
		copy(buf, buf[at:have])
		have -= at
		if err := w.settle(); err != nil {
			return err
		}
	}
}

// settle gives what is owed, as far as it is there. Once the server is about to run dry it gives the rest as well, and the
// callback ends the sound as softly as it can.
func (w *wire) settle() error {
	if w.owed == 0 || w.playback == nil {
		return nil
	}
	buffer := int(w.buffer.Load())
	over := w.owed + int(w.request.Load()) - buffer // > 0: the buffer may be empty before the server asks again
	// The server's clock goes on while it is dry: it asks for the frames whose time is over as well, and drops them when they come. While this
	// process stood still the connection filled up, and what the server could not ask for any more it asks for as soon as that was read.
	if buffer > 0 && (w.owed > buffer || w.told && over > 0) {
		w.dry = true
		if w.waits < mostWaits && w.more(moments) {
			w.waits++
			return nil
		}
	}
	w.waits = 0
	// must is what is given whether it is there or not: all, where the server is about to run dry, and where it is dry already, what is over. It asks
	// by way of a thread that may be late itself, the more so where the buffer had to grow.
	past, must := 0, 0
	switch {
	case w.dry:
		past = max(0, min(w.owed, w.owed-buffer+max(int(w.request.Load()), buffer/4)))
		must = past
	case over > 0:
		must = w.owed
	}
	n := w.owed
	if w.ready != nil {
		if n = max(0, min(n, w.ready(n))); n < must && !w.more(moment) {
			n = must
		}
	}
	w.told = w.told && n == 0
	w.owed -= n
	if w.dry {
		past = min(n, past)
		if err := w.play(w.stream, past, w.mute); err != nil {
			return err
		}
		if n -= past; n == 0 {
			return nil
		}
		w.dry = false
		if w.gap != nil {
			w.gap()
		}
	}
	return w.play(w.stream, n, w.playback)
}

// mute takes what would have been heard and gives silence: where the server drops less than was thought, a gap is a little longer, and no
// piece of sound stands alone in it.
func (w *wire) mute(out []float32) {
	w.playback(out)
	clear(out)
}

// patient says how long the output's buffer is and how little of it the server asks for at once, in bytes. Less than that left
// means that it may run dry before it asks again.
func (w *wire) patient(buffer, request uint32) {
	w.buffer.Store(int64(buffer / frameBytes))
	w.request.Store(int64(min(buffer, request) / frameBytes))
}

// How long more packets are waited for: before the server is dry, and after. The latter is less than it takes the server to ask again where
// it is not behind.
const (
	moment  = 300 * time.Microsecond
	moments = 1 * time.Millisecond

	mostWaits = 8 // of the latter in a row: capture and requests by turns leave no such pause
)

// more waits for packets: a server that was late itself has several to send.
func (w *wire) more(wait time.Duration) bool {
	w.poll[0] = unix.PollFd{Fd: int32(w.fd), Events: unix.POLLIN}
	w.pollTime = unix.NsecToTimespec(int64(wait))
	n, err := unix.Ppoll(w.poll[:], &w.pollTime, nil)
	return err == nil && n > 0
}

// word is the number at place n of a control packet: a tag letter and four bytes each, command and tag first.
func word(body []byte, n int) (uint32, bool) {
	at := 5 * n
	if len(body) < at+5 || body[at] != 'L' {
		return 0, false
	}
	return binary.BigEndian.Uint32(body[at+1:]), true
}

func (w *wire) handle(channel uint32, packet []byte) error {
	body := packet[packetHeader:]
	if channel != controlPacket {
		if w.capture == nil {
			return nil
		}
		if len(body)%frameBytes != 0 {
			return fmt.Errorf("an audio packet of %d bytes", len(body))
		}
		for len(body) > 0 {
			n := copy(bytesOf(w.in), body)
			w.capture(w.in[:n/4])
			body = body[n:]
		}
		return nil
	}
	op, _ := word(body, 0)
	switch op {
	case proto.OpRequest:
		if index, ok := word(body, 2); ok && w.playback != nil {
			bytes, _ := word(body, 3)
			if w.owed += int(bytes / frameBytes); w.owed > mostRequest/frameBytes {
				return fmt.Errorf("requests for %d frames at once", w.owed)
			}
			w.stream = index
		}
		return nil
	case proto.OpUnderflow:
		w.told = true
		if w.underflow != nil {
			w.underflow()
		}
		return nil
	case proto.OpPlaybackStreamKilled, proto.OpRecordStreamKilled:
		return errors.New("the server ended the stream")
	case proto.OpReply, proto.OpError:
		select {
		case w.control <- append([]byte(nil), packet...):
			return nil
		default:
			return errors.New("too many answers that nobody asked for")
		}
	}
	return nil // started, moved, suspended, buffer changed: the route's watch sees what matters of it
}

// play sends frames of the stream, made by fill.
func (w *wire) play(index uint32, frames int, fill func([]float32)) error {
	w.send.Lock()
	defer w.send.Unlock()
	for frames > 0 {
		n := min(frames, mostFrames)
		samples := w.out[packetHeader/4:][:2*n]
		fill(samples)
		b := bytesOf(w.out)[:packetHeader+frameBytes*n]
		binary.BigEndian.PutUint32(b, uint32(frameBytes*n))
		binary.BigEndian.PutUint32(b[4:], index)
		clear(b[8:packetHeader])
		if err := w.write(b); err != nil {
			return err
		}
		frames -= n
	}
	return nil
}

func (w *wire) write(b []byte) error {
	for len(b) > 0 {
		n, err := unix.Write(w.fd, b)
		if err == unix.EINTR {
			continue
		}
		if err != nil {
			return err
		}
		b = b[n:]
	}
	return nil
}

// Read gives the library the control packets.
func (w *wire) Read(b []byte) (int, error) {
	for len(w.rest) == 0 {
		p, ok := <-w.control
		if !ok {
			return 0, io.EOF
		}
		w.rest = p
	}
	n := copy(b, w.rest)
	w.rest = w.rest[n:]
	return n, nil
}

// Write collects what the library writes and sends whole packets, so that none gets into the middle of another.
func (w *wire) Write(b []byte) (int, error) {
	w.send.Lock()
	defer w.send.Unlock()
	w.packet = append(w.packet, b...)
	for len(w.packet) >= packetHeader {
		whole := packetHeader + int(binary.BigEndian.Uint32(w.packet))
		if len(w.packet) < whole {
			break
		}
		if err := w.write(w.packet[:whole]); err != nil {
			return 0, err
		}
		w.packet = w.packet[whole:]
	}
	return len(b), nil
}

// SetWriteDeadline does nothing: writing has a time limit of its own.
func (w *wire) SetWriteDeadline(time.Time) error { return nil }

// Close ends the connection and waits for the thread.
func (w *wire) Close() error {
	if w.closing.Swap(true) {
		return nil
	}
	unix.Shutdown(w.fd, unix.SHUT_RDWR)
	<-w.ended
	return unix.Close(w.fd)
}
