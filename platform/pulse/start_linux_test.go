package pulse

import (
	"net"
	"path/filepath"
	"testing"
	"time"
)

// A PipeWire that is connected to again is not spoken to for a while; any other server is greeted at once.
func TestAStartingPipeWireIsLeftAlone(t *testing.T) {
	socket := filepath.Join(t.TempDir(), "native")
	l, err := net.Listen("unix", socket)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	for _, again := range []bool{false, true} {
		r := &router{opts: Options{Server: "unix:" + socket}}
		r.pipewire = again
		done := make(chan error, 1)
		go func() { done <- r.connect(t.Context()) }()
		conn, err := l.Accept()
		if err != nil {
			t.Fatal(err)
		}
		from := time.Now()
		conn.SetReadDeadline(from.Add(5 * time.Second))
		if _, err := conn.Read(make([]byte, 1)); err != nil {
			t.Fatal(err)
		}
		if silent := time.Since(from); again != (silent > startingTime*3/4) {
			t.Errorf("connected again: %v, it was spoken to after %v", again, silent)
		}
		conn.Close()
		if err := <-done; err == nil {
			t.Error("a server that says nothing was accepted")
		}
	}
}
