package pulse

import (
	"bytes"
	"encoding/binary"
	"io"
	"net"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"cushwright/platform/soundtest"
)

// tagged writes values the way the protocol does.
func tagged(values ...any) (b []byte) {
	for _, v := range values {
		switch v := v.(type) {
		case string:
			b = append(append(append(b, 't'), v...), 0)
		case uint32:
			b = binary.BigEndian.AppendUint32(append(b, 'L'), v)
		case []byte:
			b = append(binary.BigEndian.AppendUint32(append(b, 'x'), uint32(len(v))), v...)
		case byte:
			b = append(b, v)
		case bool:
			b = append(b, map[bool]byte{true: '1', false: '0'}[v])
		}
	}
	return b
}

func TestStringsAreCut(t *testing.T) {
	long, cut := strings.Repeat("a", 10<<20), strings.Repeat("a", longestString)
	misleading := []byte("t" + strings.Repeat("b", 3000)) // bytes that look like a string
	volume := []byte{'v', 2, 0, 1, 0, 0, 0, 1, 0, 0}
	channels := []byte{'m', 3, 1, 2, 3}
	spec := []byte{'a', 5, 2, 0, 0, 0xbb, 0x80}
	in := bytes.Join([][]byte{tagged(uint32(2), long, "short", true), volume, channels, spec, tagged(byte('P'), "key", uint32(3), misleading, byte('N'), long, byte('N'), ""), {'B', 7}}, nil)
	want := bytes.Join([][]byte{tagged(uint32(2), cut, "short", true), volume, channels, spec, tagged(byte('P'), "key", uint32(3), misleading, byte('N'), cut, byte('N'), ""), {'B', 7}}, nil)
	if got := cutStrings(in); !bytes.Equal(got, want) {
		t.Errorf("%d bytes, want %d", len(got), len(want))
	}
	// through a connection, in small reads, with what follows untouched
	a, b := net.Pipe()
	defer a.Close()
	body := tagged(uint32(2), strings.Repeat("c", 5000), uint32(9))
	packet := func(body []byte) []byte {
		p := make([]byte, packetHeader)
		binary.BigEndian.PutUint32(p, uint32(len(body)))
		binary.BigEndian.PutUint32(p[4:], controlPacket)
		return append(p, body...)
	}
	sound := packet(body) // what would be cut in a control packet
	binary.BigEndian.PutUint32(sound[4:], 3)
	go func() { b.Write(packet(body)); b.Write(sound); b.Write(packet(tagged(uint32(1)))); b.Close() }()
	got, err := io.ReadAll(&shortened{Conn: a})
	if err != nil {
		t.Fatal(err)
	}
	if want := append(packet(tagged(uint32(2), strings.Repeat("c", longestString), uint32(9))), append(sound, packet(tagged(uint32(1)))...)...); !bytes.Equal(got, want) {
		t.Errorf("%d bytes came through, want %d", len(got), len(want))
	}
}

func FuzzCutStrings(f *testing.F) {
	f.Add(tagged(uint32(2), strings.Repeat("a", 2000), byte('P'), "key", uint32(3), []byte("abc"), byte('N')))
	f.Add([]byte{'v', 255, 1})
	f.Add([]byte{'x', 255, 255, 255, 255, 1})
	f.Add([]byte("t"))
	f.Fuzz(func(t *testing.T, b []byte) {
		whole := bytes.Clone(b)
		once := bytes.Clone(cutStrings(bytes.Clone(b)))
		if len(once) > len(whole) {
			t.Fatal("longer than before")
		}
		if twice := cutStrings(bytes.Clone(once)); !bytes.Equal(once, twice) {
			t.Fatalf("cut again: %q, then %q", once, twice)
		}
		if len(whole) <= longestString && !bytes.Equal(once, whole) {
			t.Fatal("a short packet was changed")
		}
	})
}

// Outputs and streams with endless names come and go; the connection stands and the others are still there.
func TestEndlessNames(t *testing.T) {
	for _, kind := range soundtest.Kinds {
		t.Run(kind, func(t *testing.T) {
			s := soundtest.Start(t, kind)
			s.AddSink("phones", 48000, 2)
			s.SetDefault("phones")
			s.Use(t)
			p, err := Dial(ServerString())
			if err != nil {
				t.Fatal(err)
			}
			defer p.Close()
			load := func(name, description string) {
				t.Helper()
				c := exec.Command("pactl", "load-module", "module-null-sink", "sink_name="+name, `sink_properties=device.description="`+description+`"`)
				c.Env = append(s.Env(), "PATH="+os.Getenv("PATH"))
				if out, err := c.CombinedOutput(); err != nil {
					t.Logf("the server refuses a name of %d and a description of %d bytes: %s", len(name), len(description), out)
				}
			}
			load("described", strings.Repeat("d", 20000))
			load(strings.Repeat("n", 5000), "named")
			load("last", "last")
			for end := time.Now().Add(3 * time.Second); ; time.Sleep(20 * time.Millisecond) {
				sinks, err := p.sinks()
				if err != nil {
					t.Fatal("the connection broke: ", err)
				}
				if sinkNamed(sinks, "last") != nil && sinkNamed(sinks, "phones") != nil {
					for _, k := range sinks {
						if len(k.SinkName) > longestID || len(k.Device) > longestString {
							t.Errorf("an output of a name of %d bytes, a description of %d", len(k.SinkName), len(k.Device))
						}
					}
					break
				}
				if time.Now().After(end) {
					t.Fatal("outputs are missing")
				}
			}
			r := NewRouter(Options{})
			route, err := r.Take(t.Context(), "")
			if err != nil || route.OutputID != "phones" {
				t.Errorf("routed to %q: %v", route.OutputID, err)
			}
			if err := r.Release(t.Context()); err != nil {
				t.Error(err)
			}
		})
	}
}
