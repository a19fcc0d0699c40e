package platform

import (
	"encoding/binary"
	"io"
	"net"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jfreymuth/pulse/proto"
)

// A connection that ends before the streams are open is no lost sound, and then the opening fails; one that ends afterwards is.
func TestWireLosesOnlyWhatWasOpened(t *testing.T) {
	for _, open := range []bool{false, true} {
		var lost atomic.Int32
		w := &wire{lost: func(error) { lost.Add(1) }}
		far := wired(t, w)
		if open {
			if err := w.begin(); err != nil {
				t.Fatal(err)
			}
		}
		far.Close()
		<-w.ended
		if got := lost.Load(); (got == 1) != open {
			t.Errorf("opened %v: told %d times", open, got)
		}
		if !open && w.begin() == nil {
			t.Error("streams begin on a connection that has ended")
		}
	}
}

// Of several addresses the second may be the one that works: what the first refused is not told as lost.
func TestSecondAddressIsNoLoss(t *testing.T) {
	var lost atomic.Int32
	w := &wire{lost: func(error) { lost.Add(1) }}
	refused := 0
	_, err := dialEach("unix:"+refusing(t)+" unix:"+refusing(t), func(conn net.Conn) (*pulse, error) {
		if err := w.take(conn); err != nil {
			return nil, err
		}
		refused++
		p, err := handshake(w, nil)
		if err != nil {
			w.Close()
		}
		return p, err
	})
	if err == nil || refused != 2 || lost.Load() != 0 {
		t.Errorf("%d refused, told %d times, %v", refused, lost.Load(), err)
	}
}

// refusing is the path of a socket that hangs up on whoever comes.
func refusing(t *testing.T) string {
	path := t.TempDir() + "/s"
	l, err := net.Listen("unix", path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			c.Close()
		}
	}()
	return path
}

// While a callback makes its sound, the library can write: only the write itself holds the connection.
func TestLibraryWritesWhileSoundIsMade(t *testing.T) {
	inside, goOn := make(chan struct{}), make(chan struct{})
	w := &wire{playback: func(s []float32) { close(inside); <-goOn; clear(s) }}
	far := wired(t, w)
	go io.Copy(io.Discard, far)
	far.Write(packet(controlPacket, words(proto.OpRequest, controlPacket, 3, 10*frameBytes)))
	<-inside
	wrote := make(chan error, 1)
	go func() {
		_, err := w.Write(packet(controlPacket, []byte("L")))
		wrote <- err
	}()
	select {
	case err := <-wrote:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(5 * time.Second):
		t.Error("a request waits for the callback")
	}
	close(goOn)
}

// A message with a long name does not end the connection that a take is played and recorded on.
func TestTakeSurvivesLongNames(t *testing.T) {
	near, far := net.Pipe()
	defer far.Close()
	got := make(chan string, 1)
	go func() {
		// Auth, the client's name, and what the server is: each is answered by its tag.
		head := make([]byte, packetHeader)
		for k := range 3 {
			if _, err := io.ReadFull(far, head); err != nil {
				return
			}
			body := make([]byte, binary.BigEndian.Uint32(head))
			io.ReadFull(far, body)
			tag := binary.BigEndian.Uint32(body[6:])
			reply := words(proto.OpReply, tag)
			switch k {
			case 0:
				reply = append(reply, words(32)...)
			case 1:
				reply = append(reply, words(5)...)
			case 2:
				str := func(s string) []byte { return append(append([]byte{'t'}, s...), 0) }
				for _, s := range []string{"a server", "1", "user", "host"} {
					reply = append(reply, str(s)...)
				}
				reply = append(reply, 'a', 5, 2, 0, 0, 0xbb, 0x80)
				reply = append(reply, str("sink")...)
				reply = append(reply, str("source")...)
				reply = append(reply, words(1)...)
				reply = append(reply, 'm', 2, 1, 2)
			}
			far.Write(packet(controlPacket, reply))
		}
		// The playback stream has moved to an output with a name of 5,000 letters.
		moved := words(proto.OpPlaybackStreamMoved, controlPacket, 3, 4)
		moved = append(append(moved, 't'), strings.Repeat("n", 5000)...)
		moved = append(moved, 0, '0')
		moved = append(moved, words(1000, 1000, 0, 0)...)
		moved = append(moved, 'U', 0, 0, 0, 0, 0, 0, 0, 0)
		far.Write(packet(controlPacket, moved))
	}()
	p, err := greet(near, func(m any) {
		if m, ok := m.(*proto.PlaybackStreamMoved); ok {
			got <- m.DestName
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	defer p.close()
	select {
	case name := <-got:
		if len(name) > longestString || !strings.HasPrefix(name, "nnn") {
			t.Errorf("%d letters", len(name))
		}
	case <-p.gone:
		t.Error("the connection ended")
	case <-time.After(5 * time.Second):
		t.Error("nothing came")
	}
}
