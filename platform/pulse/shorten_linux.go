package pulse

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"net"
)

// The protocol library gives a connection up at the first string of 1024 bytes, and one that it writes must fit into
// what is left of its buffer of 1024. Any program can give a stream or an output a longer name: what comes in is cut
// before the library sees it, and outputs that could not be named to the server are treated as if they were not there.
const (
	longestString = 1000      // bytes, of what comes in
	longestID     = 600       // bytes, of an output's name as it is written into our module's arguments
	mostControl   = 256 << 20 // bytes of a packet; a list of outputs with names of some megabytes is one
)

// shortened is a control connection on which long strings are cut.
type shortened struct {
	net.Conn
	rest  []byte // of a packet that has been read
	audio uint32 // bytes of a packet of sound that are still to be read; they pass as they are
}

func (s *shortened) Read(b []byte) (int, error) {
	if len(s.rest) == 0 && s.audio > 0 {
		n, err := s.Conn.Read(b[:min(uint64(len(b)), uint64(s.audio))])
		s.audio -= uint32(n)
		return n, err
	}
	if len(s.rest) == 0 {
		head := make([]byte, packetHeader, packetHeader+256)
		if _, err := io.ReadFull(s.Conn, head); err != nil {
			return 0, err
		}
		size := binary.BigEndian.Uint32(head)
		if size > mostControl {
			return 0, fmt.Errorf("a packet of %d bytes", size)
		}
		if binary.BigEndian.Uint32(head[4:]) != controlPacket {
			s.rest, s.audio = head, size
		} else if err := s.control(head, size); err != nil {
			return 0, err
		}
	}
	n := copy(b, s.rest)
	s.rest = s.rest[n:]
	return n, nil
}

// control reads the body of a control packet and cuts it.
func (s *shortened) control(head []byte, size uint32) error {
	var body bytes.Buffer // grows with what comes, not with what is announced
	if _, err := io.CopyN(&body, s.Conn, int64(size)); err != nil {
		return err
	}
	text := body.Bytes()
	if size > longestString {
		text = cutStrings(text)
		binary.BigEndian.PutUint32(head, uint32(len(text)))
	}
	s.rest = append(head, text...)
	return nil
}

// cutStrings cuts every string of a packet to longestString bytes, in place, and returns the packet. The format is a
// run of tagged values (PulseAudio, pulsecore/tagstruct.c). From a value on that is none, the packet is left as it is.
func cutStrings(b []byte) []byte {
	out := b[:0]
	for i := 0; i < len(b); {
		n := 0 // bytes of the value, its tag included
		rest := b[i+1:]
		switch b[i] {
		case 't': // string
			end := bytes.IndexByte(rest, 0)
			if end > longestString {
				out = append(append(out, b[i:i+1+longestString]...), 0)
				i += end + 2
				continue
			}
			n = end + 2
		case 'N', '0', '1', 'P', 'f': // no string, false, true; a list of properties and a format are runs of values themselves
			n = 1
		case 'B': // 8 bits
			n = 2
		case 'L', 'V': // 32 bits, volume
			n = 5
		case 'R', 'r', 'T', 'U': // 64 bits, times
			n = 9
		case 'a': // sample format
			n = 7
		case 'm', 'v': // a byte or a word for each channel
			if len(rest) > 0 {
				n = 2 + int(rest[0])*map[byte]int{'m': 1, 'v': 4}[b[i]]
			}
		case 'x': // bytes
			if len(rest) >= 4 {
				n = 5 + int(min(binary.BigEndian.Uint32(rest), mostControl))
			}
		}
		if n < 1 || n > len(b)-i {
			return append(out, b[i:]...)
		}
		out = append(out, b[i:i+n]...)
		i += n
	}
	return out
}
