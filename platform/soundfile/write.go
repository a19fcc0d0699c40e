package soundfile

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
)

// WriteWAV writes s as 32-bit float WAV, the whole file or nothing: a temporary file in the same folder takes the
// name at the end. Samples are rounded to float32 and not limited to full scale. More than two channels get an
// extensible header with s.SpeakerMask; 4 GiB and more get the 64-bit form (RF64). Bits and Float are not used.
func WriteWAV(path string, s *Sound) error {
	if err := writeWAV(path, s); err != nil {
		return failed("write", path, err)
	}
	return nil
}

// EncodeWAV writes s to w as WriteWAV does to a file.
func EncodeWAV(w io.Writer, s *Sound) error {
	if err := checkShape(int64(s.RateHz), int64(s.Channels)); err != nil {
		return failed("encode", "WAV", err)
	}
	if err := encodeWAV(w, s, math.MaxUint32); err != nil {
		return failed("encode", "WAV", err)
	}
	return nil
}

func writeWAV(path string, s *Sound) (err error) {
	if err := checkShape(int64(s.RateHz), int64(s.Channels)); err != nil {
		return err
	}
	if len(s.Samples)%s.Channels != 0 {
		return fmt.Errorf("%d samples are no whole number of frames of %d channels", len(s.Samples), s.Channels)
	}
	mode := os.FileMode(0o666)
	if info, err := os.Stat(path); err == nil {
		if !info.Mode().IsRegular() {
			return errors.New("something that is not a regular file has this name")
		}
		mode = info.Mode().Perm()
	}
	// Rename must not replace a link by a file.
	if real, err := filepath.EvalSymlinks(path); err == nil {
		path = real
	}
	tmp := filepath.Join(filepath.Dir(path), fmt.Sprintf(".%.64s.%016x.part", filepath.Base(path), rand.Uint64()))
	f, err := os.OpenFile(tmp, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			f.Close() // a second Close does nothing
			os.Remove(tmp)
		}
	}()
	w := bufio.NewWriterSize(f, 1<<18)
	if err := encodeWAV(w, s, math.MaxUint32); err != nil {
		return err
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	return os.Rename(tmp, path)
}

// encodeWAV writes the plain form up to a RIFF size of limit, RF64 above.
func encodeWAV(w io.Writer, s *Sound, limit uint64) error {
	le := binary.LittleEndian
	frame := s.Channels * 4
	data := uint64(len(s.Samples)) * 4
	format := le.AppendUint16(nil, tagFloat)
	if s.Channels > 2 {
		format = le.AppendUint16(nil, tagExtensible)
	}
	format = le.AppendUint16(format, uint16(s.Channels))
	format = le.AppendUint32(format, uint32(s.RateHz))
	format = le.AppendUint32(format, uint32(s.RateHz*frame))
	format = le.AppendUint16(format, uint16(frame))
	format = le.AppendUint16(format, 32)
	if s.Channels > 2 {
		format = le.AppendUint16(format, 22)
		format = le.AppendUint16(format, 32)
		format = le.AppendUint32(format, s.SpeakerMask)
		format = le.AppendUint16(format, tagFloat)
		format = append(format, subFormatTail...)
	} else {
		format = le.AppendUint16(format, 0) // no extension; formats other than PCM carry its length
	}
	riff := 4 + 8 + uint64(len(format)) + 12 + 8 + data
	var h []byte
	size32, frames32 := uint32(data), uint32(s.Frames())
	if riff > limit {
		riff += 36
		h = append(h, "RF64\xff\xff\xff\xffWAVEds64"...)
		h = le.AppendUint32(h, 28)
		h = le.AppendUint64(h, riff)
		h = le.AppendUint64(h, data)
		h = le.AppendUint64(h, uint64(s.Frames()))
		h = le.AppendUint32(h, 0)
		size32, frames32 = math.MaxUint32, math.MaxUint32
	} else {
		h = append(h, "RIFF"...)
		h = le.AppendUint32(h, uint32(riff))
		h = append(h, "WAVE"...)
	}
	h = append(h, "fmt "...)
	h = le.AppendUint32(h, uint32(len(format)))
	h = append(h, format...)
	h = append(h, "fact"...)
	h = le.AppendUint32(h, 4)
	h = le.AppendUint32(h, frames32)
	h = append(h, "data"...)
	h = le.AppendUint32(h, size32)
	if _, err := w.Write(h); err != nil {
		return err
	}
	var b [4]byte
	for _, x := range s.Samples {
		le.PutUint32(b[:], math.Float32bits(float32(x)))
		if _, err := w.Write(b[:]); err != nil {
			return err
		}
	}
	return nil
}
