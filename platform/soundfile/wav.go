package soundfile

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
)

const (
	tagPCM        = 0x0001
	tagFloat      = 0x0003
	tagExtensible = 0xFFFE

	maxChunks = 10000 // before the sound; a file of nothing but empty chunks must not be read to its end
)

// The last 14 bytes that every sub-format of an extensible header made from a format tag ends with.
var subFormatTail = []byte{0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71}

type wavFormat struct {
	rateHz, channels, bits, frameBytes int
	float                              bool
	mask                               uint32
}

func parseFormat(b []byte) (f wavFormat, err error) {
	if len(b) < 16 {
		return f, fmt.Errorf("its format chunk has %d bytes, allowed: 16 or more", len(b))
	}
	u16, u32 := binary.LittleEndian.Uint16, binary.LittleEndian.Uint32
	tag := u16(b)
	if err := checkShape(int64(u32(b[4:])), int64(u16(b[2:]))); err != nil {
		return f, err
	}
	f.channels, f.rateHz = int(u16(b[2:])), int(u32(b[4:]))
	f.frameBytes, f.bits = int(u16(b[12:])), int(u16(b[14:]))
	if tag == tagExtensible {
		if len(b) < 40 || !bytes.Equal(b[26:40], subFormatTail) {
			return f, errors.New("an extensible WAV format of an unknown kind, allowed: " + allowedFormats)
		}
		tag, f.mask = u16(b[24:]), u32(b[20:])
		// Fewer valid bits than the container has are left-justified in it, so the container's scale holds for them.
		if valid := int(u16(b[18:])); valid > f.bits {
			return f, fmt.Errorf("%d valid bits in samples of %d bits", valid, f.bits)
		}
	}
	f.float = tag == tagFloat
	ok := tag == tagPCM && (f.bits == 16 || f.bits == 24 || f.bits == 32) || f.float && (f.bits == 32 || f.bits == 64)
	switch {
	case ok:
	case tag == tagPCM:
		return f, fmt.Errorf("%d-bit integer samples, allowed: %s", f.bits, allowedFormats)
	case f.float:
		return f, fmt.Errorf("%d-bit float samples, allowed: %s", f.bits, allowedFormats)
	default:
		return f, fmt.Errorf("WAV format 0x%04x, allowed: %s", tag, allowedFormats)
	}
	if want := f.channels * f.bits / 8; f.frameBytes != want {
		return f, fmt.Errorf("frames of %d bytes, allowed: %d for %d channels of %d bits", f.frameBytes, want, f.channels, f.bits)
	}
	return f, nil
}

// decodeWAV walks the chunks. It allocates for the samples only after it has compared their claimed size with the
// file's, so that a lying header costs nothing.
func decodeWAV(r io.ReadSeeker, fileSize int64) (*Sound, error) {
	var head [12]byte
	if _, err := io.ReadFull(r, head[:]); err != nil {
		return nil, cut(err)
	}
	if string(head[8:]) != "WAVE" {
		return nil, fmt.Errorf("a RIFF file of kind %q, allowed: %s", head[8:], allowedFormats)
	}
	w := wavChunks{r: r, is64: string(head[:4]) == "RF64", noSize: binary.LittleEndian.Uint32(head[4:]) == 0, data64: -1}
	pos := int64(12)
	for range maxChunks {
		var h [8]byte
		if n, err := io.ReadFull(r, h[:]); err != nil {
			if n > 0 && err != io.ErrUnexpectedEOF {
				return nil, err
			}
			if w.format == nil {
				return nil, errors.New("it has no format chunk before its end")
			}
			return nil, errors.New("it has no data chunk")
		}
		pos += 8
		id, size := string(h[:4]), int64(binary.LittleEndian.Uint32(h[4:]))
		var err error
		switch id {
		case "data":
			return w.sound(size, fileSize-pos)
		case "fmt ", "ds64":
			err = w.describe(id, size)
		default:
			_, err = r.Seek(size+size&1, io.SeekCurrent) // chunks are padded to even length
		}
		if err != nil {
			return nil, err
		}
		pos += size + size&1
	}
	return nil, fmt.Errorf("more than %d chunks before its sound", maxChunks)
}

// wavChunks reads the chunks of a WAV file, and is what those before the sound have said.
type wavChunks struct {
	r      io.ReadSeeker
	is64   bool  // RF64: sizes of 64 bits stand in a chunk of their own
	noSize bool  // the file's header leaves its size out
	data64 int64 // size of the sound in such a file; −1: not said
	format *wavFormat
}

// describe reads a chunk that describes the sound.
func (w *wavChunks) describe(id string, size int64) error {
	const most = 1 << 12 // real ones have 16 to 40 bytes (28 and a table in ds64)
	if size > most {
		return fmt.Errorf("its %q chunk has %d bytes, allowed: up to %d", id, size, most)
	}
	b := make([]byte, size)
	if _, err := io.ReadFull(w.r, b); err != nil {
		return cut(err)
	}
	if id == "fmt " {
		if w.format != nil {
			return errors.New("it has two format chunks")
		}
		f, err := parseFormat(b)
		if err != nil {
			return err
		}
		w.format = &f
	} else if w.is64 {
		if len(b) < 16 {
			return fmt.Errorf("its ds64 chunk has %d bytes, allowed: 28 or more", len(b))
		}
		n := binary.LittleEndian.Uint64(b[8:])
		if n > math.MaxInt64/2 {
			return fmt.Errorf("cut short: its header promises %d bytes of sound", n)
		}
		w.data64 = int64(n)
	}
	if size&1 == 1 {
		_, err := w.r.Seek(1, io.SeekCurrent)
		return err
	}
	return nil
}

// sound reads the data chunk, whose header promises size bytes where rest are left of the file.
func (w *wavChunks) sound(size, rest int64) (*Sound, error) {
	if w.format == nil {
		return nil, errors.New("its data chunk comes before its format chunk")
	}
	frame := int64(w.format.frameBytes)
	switch {
	case w.is64 && size == math.MaxUint32:
		if w.data64 < 0 {
			return nil, errors.New("an RF64 file without its 64-bit sizes (ds64 chunk)")
		}
		size = w.data64
	case size >= math.MaxInt32-1<<16 && size > rest || size == 0 && rest > 0 && w.noSize:
		// A program that wrote to a pipe could not know the size and left the largest one, or none.
		size = rest - rest%frame
	}
	if size > rest {
		return nil, fmt.Errorf("cut short: its header promises %d bytes of sound, %d are there", size, max(rest, 0))
	}
	if size%frame != 0 {
		return nil, fmt.Errorf("%d bytes of sound are no whole number of frames of %d bytes", size, frame)
	}
	return readSamples(w.r, *w.format, size)
}

func cut(err error) error {
	if err == io.EOF || err == io.ErrUnexpectedEOF {
		return errors.New("cut short: it ends within its header")
	}
	return err
}

func readSamples(r io.Reader, f wavFormat, size int64) (*Sound, error) {
	n := size / int64(f.bits/8)
	if n > MaxSamples {
		return nil, errTooLong(uint64(n))
	}
	s := &Sound{RateHz: f.rateHz, Channels: f.channels, Bits: f.bits, Float: f.float, SpeakerMask: f.mask,
		Samples: make([]float64, 0, n)}
	step := f.bits / 8
	buf := make([]byte, 1<<15*24) // a multiple of every sample size
	for remaining := size; remaining > 0; {
		b := buf[:min(remaining, int64(len(buf)))]
		if _, err := io.ReadFull(r, b); err != nil {
			if err == io.EOF || err == io.ErrUnexpectedEOF {
				return nil, errors.New("it was cut short while it was read")
			}
			return nil, err
		}
		remaining -= int64(len(b))
		u32 := binary.LittleEndian.Uint32
		for ; len(b) > 0; b = b[step:] {
			var x float64
			switch {
			case f.bits == 16:
				x = float64(int16(binary.LittleEndian.Uint16(b))) / (1 << 15)
			case f.bits == 24:
				x = float64(int32(uint32(b[0])<<8|uint32(b[1])<<16|uint32(b[2])<<24)) / (1 << 31)
			case f.bits == 64:
				x = math.Float64frombits(binary.LittleEndian.Uint64(b))
			case f.float:
				x = float64(math.Float32frombits(u32(b)))
			default:
				x = float64(int32(u32(b))) / (1 << 31)
			}
			s.Samples = append(s.Samples, x)
		}
	}
	return s, nil
}
