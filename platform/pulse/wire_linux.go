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

	"cushwright/engine"
	"cushwright/platform/thread"

	"github.com/jfreymuth/pulse/proto"
	"golang.org/x/sys/unix"
)

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
// protocol library makes its requests; Read and Write are for the library alone. Each part has one owner.
type wire struct {
	net.Conn // closed; for the methods that nobody needs
	callbacks
	sender
	control chan []byte   // control packets: the thread fills it, the library empties it
	ended   chan struct{} // closed by the thread
	state   atomic.Int32  // opening, open or over
	closing atomic.Bool   // by this side
	sizes   sizes
	owing   owing  // of the thread
	rest    []byte // of the library's reading goroutine
}

// callbacks are what to do with audio and news, on the thread; set before it starts and never changed.
type callbacks struct {
	capture   func([]float32)
	playback  func([]float32)
	outlet    engine.Outlet // counts what playback owes; nil where nothing is played
	underflow func()
	gap       func()
	lost      func(error) // told once of a connection that ends after its stream was opened
}

// sender writes whole packets. mu is held for the length of a write.
type sender struct {
	fd     int
	mu     sync.Mutex
	packet []byte // what the library has written of a packet, under mu
}

// sizes are set by the supervisor and read by the thread.
type sizes struct {
	buffer  atomic.Int64 // the output's, frames
	request atomic.Int64 // the least that the server asks for at once, frames
}

// The states of a wire. It is lost only from open on: before, opening it fails.
const (
	wireOpening = iota
	wireOpen
	wireOver
)

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
	w.owing = newOwing()
	w.control = make(chan []byte, controlQueue)
	w.ended = make(chan struct{})
	go w.run()
	return nil
}

// opened says that the stream is open: from now on its end is a loss. It reports whether the connection still stands.
func (w *wire) opened() bool { return w.state.CompareAndSwap(wireOpening, wireOpen) }

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
	// The thread goes back to the runtime as it was: were it to end, children that die with their parent's thread
	// would.
	defer func() {
		if thread.Ordinary() {
			runtime.UnlockOSThread()
		}
	}()
	err := w.read()
	close(w.control)
	if was := w.state.Swap(wireOver); was == wireOpen && !w.closing.Load() && w.lost != nil {
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
			n := copy(bytesOf(w.owing.in), body)
			w.capture(w.owing.in[:n/4])
			body = body[n:]
		}
		return nil
	}
	op, _ := word(body, 0)
	switch op {
	case proto.OpRequest:
		if index, ok := word(body, 2); ok && w.outlet != nil {
			bytes, _ := word(body, 3)
			frames := int(bytes / frameBytes)
			if owed := w.outlet.Owed() + frames; owed > mostRequest/frameBytes {
				return fmt.Errorf("requests for %d frames at once", owed)
			}
			w.outlet.Ask(frames)
			w.owing.stream = index
		}
		return nil
	case proto.OpUnderflow:
		w.owing.ranDry = true
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

// write sends all of b; mu is held.
func (s *sender) write(b []byte) error {
	for len(b) > 0 {
		n, err := unix.Write(s.fd, b)
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
	w.mu.Lock()
	defer w.mu.Unlock()
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
