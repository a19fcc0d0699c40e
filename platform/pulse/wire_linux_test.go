package pulse

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"net"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jfreymuth/pulse/proto"
	"golang.org/x/sys/unix"
)

// wired is a wire whose other end the test holds.
func wired(t testing.TB, w *wire) net.Conn {
	t.Helper()
	l, err := net.Listen("unix", filepath.Join(t.TempDir(), "s"))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	conn, err := net.Dial("unix", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	far, err := l.Accept()
	if err != nil {
		t.Fatal(err)
	}
	if err := w.take(conn); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { w.Close(); far.Close() })
	return far
}

// account is an Outlet without an audio path behind it. has tells how many of the owed frames there is sound for; nil:
// all.
type account struct {
	owed int
	has  func(owed int) int
}

func (a *account) Ask(frames int) { a.owed += frames }
func (a *account) Owed() int      { return a.owed }

func (a *account) Due() int {
	if a.has == nil {
		return a.owed
	}
	return min(a.owed, a.has(a.owed))
}

// counted are callbacks with an account, from which playback takes off what it gives.
func counted(c callbacks, has func(owed int) int) callbacks {
	a, play := &account{has: has}, c.playback
	c.outlet = a
	c.playback = func(out []float32) {
		a.owed -= len(out) / 2
		play(out)
	}
	return c
}

func packet(channel uint32, body []byte) []byte {
	b := binary.BigEndian.AppendUint32(nil, uint32(len(body)))
	b = binary.BigEndian.AppendUint32(b, channel)
	b = append(b, make([]byte, 12)...)
	return append(b, body...)
}

func words(v ...uint32) (b []byte) {
	for _, x := range v {
		b = binary.BigEndian.AppendUint32(append(b, 'L'), x)
	}
	return b
}

// A request of the server's is answered with that many frames, split where they are many, and audio comes in whole
// however the bytes are cut on their way.
func TestWire(t *testing.T) {
	in := make(chan float32, 100000)
	var n atomic.Int32
	w := &wire{callbacks: counted(callbacks{
		capture:  func(s []float32) { in <- s[0]; in <- s[len(s)-1] },
		playback: func(s []float32) { n.Add(1); clear(s) },
	}, nil)}
	far := wired(t, w)
	audio := make([]float32, 64)
	audio[0], audio[63] = 0.5, -0.25
	stream := packet(7, bytesOf(audio))
	stream = append(stream, packet(controlPacket, words(proto.OpRequest, controlPacket, 3, 10*frameBytes))...)
	for _, b := range stream { // one byte at a time
		if _, err := far.Write([]byte{b}); err != nil {
			t.Fatal(err)
		}
	}
	if a, b := <-in, <-in; a != 0.5 || b != -0.25 {
		t.Errorf("captured %v … %v", a, b)
	}
	far.SetReadDeadline(time.Now().Add(5 * time.Second))
	read := func(frames int) []byte {
		b := make([]byte, packetHeader+frames*frameBytes)
		for got := 0; got < len(b); {
			k, err := far.Read(b[got:])
			if err != nil {
				t.Fatal(err)
			}
			got += k
		}
		if size, ch := binary.BigEndian.Uint32(b), binary.BigEndian.Uint32(b[4:]); int(size) != frames*frameBytes || ch != 3 {
			t.Fatalf("a packet of %d bytes for stream %d", size, ch)
		}
		return b[packetHeader:]
	}
	read(10)
	far.Write(packet(controlPacket, words(proto.OpRequest, controlPacket, 3, (mostFrames+5)*frameBytes)))
	read(mostFrames)
	read(5)
	if n := n.Load(); n != 3 {
		t.Errorf("%d calls for three packets", n)
	}
}

// What is asked for is given as far as there is sound for it, once for all packets in hand; the rest follows when the
// capture has brought it, or when the server is about to run dry. Where it has run dry, the frames whose time is over
// are given as silence, and what comes after them is said to follow a gap; where an answer was on its way, the sound
// has gone on by itself.
func TestWireOwes(t *testing.T) {
	request, dry := packet(controlPacket, words(proto.OpRequest, controlPacket, 3, 10*frameBytes)), packet(controlPacket, words(proto.OpUnderflow, controlPacket, 3))
	audio := packet(7, make([]byte, 10*frameBytes))
	for _, c := range []struct {
		have    int
		batches []string // r: a request for ten frames, u: an underflow, c: ten frames captured
		want    []string // what comes of each: pN: N frames played, u: an underflow is told, g: a gap
	}{
		{100, []string{"r"}, []string{"p10"}},
		{100, []string{"ru"}, []string{"up10"}},
		{100, []string{"r", "u", "r"}, []string{"p10", "u", "p10"}},
		{100, []string{"ruru"}, []string{"uup20"}},
		{5, []string{"r", "c"}, []string{"p5", "p5"}},
		{0, []string{"rc"}, []string{"p10"}},
		{0, []string{"r", "r", "c", "c"}, []string{"", "", "p10", "p10"}},
		{0, []string{"r", "u", "c"}, []string{"", "u", "p10"}},
		{5, []string{"r", "r", "r"}, []string{"p5", "", "p25"}}, // 25 owed: the buffer has 7 left, less than a request
		{3, []string{"rrr", "r"}, []string{"p30", ""}},
		{100, []string{"rrrr"}, []string{"p18gp22"}}, // 40 owed of a buffer of 32: 8 are over, and 10 may be when they arrive
		{100, []string{"rrru"}, []string{"up8gp22"}}, // the server was dry before it asked
		{100, []string{"rrru", "r", "rrru"}, []string{"up8gp22", "p10", "up8gp22"}},
		{100, []string{"rrrrrrr", "r"}, []string{"p48gp22", "p10"}},
		{0, []string{"rrrr", "r"}, []string{"p18", "p10"}},     // nothing to give: silence, and no sound to follow it
		{25, []string{"rrrr", "c"}, []string{"p18gp7", "p10"}}, // the buffer holds 17 then, more than a request: the rest can wait
		{5, []string{"rrrr", "cr", "c"}, []string{"p18", "p10", "gp10"}},
	} {
		said := make(chan string, 16)
		have := c.have
		w := &wire{callbacks: counted(callbacks{capture: func(s []float32) { have += len(s) / 2 },
			playback:  func(s []float32) { have = max(0, have-len(s)/2); said <- fmt.Sprint("p", len(s)/2) },
			underflow: func() { said <- "u" }, gap: func() { said <- "g" }}, func(int) int { return have })}
		w.patient(32*frameBytes, 10*frameBytes)
		far := wired(t, w)
		for i, b := range c.batches {
			var send []byte
			for _, k := range b {
				send = append(send, map[rune][]byte{'r': request, 'u': dry, 'c': audio}[k]...)
			}
			if _, err := far.Write(send); err != nil { // one write, which one read takes
				t.Fatal(err)
			}
			got := ""
			for len(got) < len(c.want[i]) {
				select {
				case s := <-said:
					got += s
				case <-time.After(5 * time.Second):
					t.Fatalf("%d frames at first, %q: of %q only %q came", c.have, c.batches, b, got)
				}
			}
			select {
			case s := <-said:
				got += s
			case <-time.After(20 * time.Millisecond):
			}
			if got != c.want[i] {
				t.Errorf("%d frames at first, %q: of %q came %q, want %q", c.have, c.batches, b, got, c.want[i])
			}
		}
	}
}

// What a server that ran dry will drop is silence, in case it does not.
func TestWireGivesSilenceForWhatIsOver(t *testing.T) {
	w := &wire{callbacks: counted(callbacks{capture: func([]float32) {}, playback: func(s []float32) {
		for i := range s {
			s[i] = 1
		}
	}}, nil)}
	w.patient(32*frameBytes, 10*frameBytes)
	far := wired(t, w)
	far.Write(packet(controlPacket, words(proto.OpRequest, controlPacket, 3, 40*frameBytes)))
	far.SetReadDeadline(time.Now().Add(5 * time.Second))
	for _, c := range []struct {
		frames int
		value  uint32
	}{{18, 0}, {22, math.Float32bits(1)}} {
		b := make([]byte, packetHeader+c.frames*frameBytes)
		if _, err := io.ReadFull(far, b); err != nil {
			t.Fatal(err)
		}
		if size := binary.BigEndian.Uint32(b); int(size) != c.frames*frameBytes {
			t.Fatalf("a packet of %d bytes, want %d frames", size, c.frames)
		}
		for at := packetHeader; at < len(b); at += 4 {
			if v := binary.LittleEndian.Uint32(b[at:]); v != c.value {
				t.Fatalf("byte %d of %d frames: %#x, want %#x", at, c.frames, v, c.value)
			}
		}
	}
}

// A server that was late itself sends what it has in several pieces: what is about to run dry waits a moment for the
// next.
func TestWireWaitsAMoment(t *testing.T) {
	said := make(chan int, 16)
	have := 0
	inDue := make(chan bool)
	w := &wire{callbacks: counted(callbacks{capture: func(s []float32) { have += len(s) / 2 },
		playback: func(s []float32) { clear(s); said <- len(s) / 2 }},
		func(int) int { inDue <- true; <-inDue; return have })}
	w.patient(32*frameBytes, 10*frameBytes)
	far := wired(t, w)
	far.Write(packet(controlPacket, words(proto.OpRequest, controlPacket, 3, 30*frameBytes)))
	<-inDue
	far.Write(packet(7, make([]byte, 30*frameBytes))) // there before the thread looks for it
	inDue <- true
	<-inDue
	if len(said) > 0 {
		t.Errorf("%d frames were played before the capture was read", <-said)
	}
	inDue <- true
	if n := <-said; n != 30 {
		t.Errorf("%d frames, want 30", n)
	}
}

func TestWireLoses(t *testing.T) {
	for name, send := range map[string][]byte{
		"end":          nil,
		"huge packet":  {0xff, 0xff, 0xff, 0xff, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0},
		"greedy":       packet(controlPacket, words(proto.OpRequest, controlPacket, 3, 0xffffffff)),
		"odd audio":    packet(1, make([]byte, 13)),
		"stream ended": packet(controlPacket, words(proto.OpPlaybackStreamKilled, controlPacket, 3)),
	} {
		t.Run(name, func(t *testing.T) {
			lost := make(chan error, 1)
			w := &wire{callbacks: counted(callbacks{capture: func([]float32) {}, playback: func([]float32) {}, lost: func(err error) { lost <- err }}, nil)}
			far := wired(t, w)
			w.opened()
			far.Write(send)
			if send == nil {
				far.Close()
			}
			select {
			case err := <-lost:
				t.Log(err)
			case <-time.After(5 * time.Second):
				t.Error("nobody was told")
			}
		})
	}
}

// A connection that ends while its stream is being opened is the opener's to tell, and nobody else's.
func TestWireThatNeverOpened(t *testing.T) {
	lost := make(chan error, 1)
	w := &wire{callbacks: callbacks{lost: func(err error) { lost <- err }}}
	far := wired(t, w)
	far.Close()
	<-w.ended
	if w.opened() {
		t.Error("a connection that has ended counts as open")
	}
	if len(lost) > 0 {
		t.Errorf("a loss is told: %v", <-lost)
	}
}

// Whatever a server sends, the thread ends or goes on; it neither crashes nor calls back with half a frame.
func FuzzWire(f *testing.F) {
	f.Add(packet(1, make([]byte, 64)))
	f.Add(packet(controlPacket, words(proto.OpRequest, controlPacket, 3, 80)))
	f.Add(packet(controlPacket, words(proto.OpUnderflow, controlPacket, 3)))
	f.Add(append(packet(controlPacket, words(proto.OpReply, 1)), 1, 2, 3))
	f.Add(packet(controlPacket, []byte("Lx")))
	null, err := os.OpenFile(os.DevNull, os.O_WRONLY, 0)
	if err != nil {
		f.Fatal(err)
	}
	defer null.Close()
	f.Fuzz(func(t *testing.T, b []byte) {
		w := &wire{sender: sender{fd: int(null.Fd())}, owing: newOwing(), control: make(chan []byte, controlQueue),
			callbacks: counted(callbacks{capture: func(s []float32) {
				if len(s) == 0 || len(s)%2 != 0 {
					t.Errorf("%d samples", len(s))
				}
			}, playback: func(s []float32) { clear(s) }, underflow: func() {}, gap: func() {}}, func(owed int) int { return owed / 2 })}
		for len(b) >= packetHeader {
			size := min(int(binary.BigEndian.Uint32(b)), len(b)-packetHeader)
			if size < 0 {
				return
			}
			if len(w.control) > 0 {
				<-w.control
			}
			if w.handle(binary.BigEndian.Uint32(b[4:]), b[:packetHeader+size]) != nil {
				return
			}
			if w.settle() != nil {
				return
			}
			b = b[packetHeader+size:]
		}
	})
}

// A request of the supervisor's on the connection does not wait for the engine's callback, only for a packet that is
// being written.
func TestWireRendersBeforeItLocks(t *testing.T) {
	inside, let := make(chan bool), make(chan bool)
	w := &wire{callbacks: counted(callbacks{capture: func([]float32) {}, playback: func(s []float32) { clear(s); inside <- true; <-let }}, nil)}
	far := wired(t, w)
	far.SetReadDeadline(time.Now().Add(5 * time.Second))
	far.Write(packet(controlPacket, words(proto.OpRequest, controlPacket, 3, 10*frameBytes)))
	<-inside
	question := packet(controlPacket, words(proto.OpGetServerInfo, 9))
	sent := make(chan error, 1)
	go func() { _, err := w.Write(question); sent <- err }()
	select {
	case err := <-sent:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(2 * time.Second):
		t.Error("the request waits for the callback")
	}
	let <- true
	got := make([]byte, len(question)+packetHeader+10*frameBytes)
	if _, err := io.ReadFull(far, got); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got[:len(question)], question) {
		t.Error("the request did not come first, or not whole")
	}
}

// Every request of the server's is told to the outlet as it comes, one of senseless size is not. What the outlet counts
// is what was asked for and has not been sent, also where the server ran dry.
func TestWireTellsTheOutlet(t *testing.T) {
	pair, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_STREAM, 0) // from the far end nothing comes: a wait ends by its time
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close(pair[0])
	defer unix.Close(pair[1])
	have, gaps, asked, sent := 0, 0, 0, 0
	w := &wire{sender: sender{fd: pair[0]}, owing: newOwing(), callbacks: counted(callbacks{capture: func([]float32) {},
		playback: func([]float32) {}, gap: func() { gaps++ }}, func(int) int { return have })}
	w.patient(64*frameBytes, 8*frameBytes)
	ask := func(frames int) error {
		body := words(proto.OpRequest, controlPacket, 3, uint32(frames*frameBytes))
		return w.handle(controlPacket, packet(controlPacket, body))
	}
	b := make([]byte, packetHeader+mostFrames*frameBytes)
	for i, step := range []struct{ request, have, owed int }{
		{10, 0, 10}, {20, 12, 18}, {0, 3, 15}, {7, 100, 0}, {50, 0, 50}, {9, 0, 0}, {300, 0, 48}, {1, 40, 9}, {0, 9, 0},
	} {
		if have = step.have; step.request > 0 {
			if err := ask(step.request); err != nil {
				t.Fatal(err)
			}
			if asked += step.request; w.outlet.Owed() != asked-sent {
				t.Errorf("step %d: a request makes %d frames owed, want %d", i, w.outlet.Owed(), asked-sent)
			}
		}
		if err := w.settle(); err != nil {
			t.Fatal(err)
		}
		for { // what stands in the socket
			n, _, err := unix.Recvfrom(pair[1], b, unix.MSG_DONTWAIT)
			if err != nil {
				break
			}
			for at := 0; at < n; {
				size := int(binary.BigEndian.Uint32(b[at:]))
				sent += size / frameBytes
				at += packetHeader + size
			}
		}
		if got := w.outlet.Owed(); got != step.owed || got != asked-sent {
			t.Errorf("step %d: %d frames are owed, want %d; %d were asked for and %d sent", i, got, step.owed, asked, sent)
		}
	}
	if gaps != 1 {
		t.Errorf("%d gaps were told, want 1", gaps)
	}
	if ask(mostRequest/frameBytes+1) == nil || w.outlet.Owed() != 0 {
		t.Errorf("a senseless request makes %d frames owed, or is no error", w.outlet.Owed())
	}
	if err := ask(mostRequest / frameBytes); err != nil || w.outlet.Owed() != mostRequest/frameBytes {
		t.Errorf("the largest sensible request makes %d frames owed: %v", w.outlet.Owed(), err)
	}
	if ask(1) == nil || w.outlet.Owed() != mostRequest/frameBytes {
		t.Errorf("a frame beyond what is sensible is taken: %d are owed", w.outlet.Owed())
	}
}
