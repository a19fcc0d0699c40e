// Package soundfile reads whole sound files (WAV, FLAC) into memory and writes float WAV files.
//
// FLAC is decoded by github.com/mewkiz/flac. WAV is read here, because Go modules cover too little of it:
// github.com/go-audio/wav v1.1.0 reads every 32-bit sample as an integer, float ones included, and never looks at the
// sub-format of an extensible header; github.com/gopxl/beep/v2 v2.1.1 stops at 24-bit integers and two channels. Layout
// of WAV: Microsoft and IBM, "Multimedia Programming Interface and Data Specifications 1.0", 1991, and Microsoft's
// description of WAVEFORMATEXTENSIBLE; of its 64-bit form RF64: EBU Tech 3306 (all from memory; the tests compare with
// SoX and ffmpeg).
//
// Errors read `soundfile: read "x.wav": cause`, and name what is allowed where a file holds something else.
package soundfile

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
)

// MaxSamples is the largest number of samples, all channels together, that Read takes into memory: 8 GiB, or three
// hours of stereo at 48 kHz.
const MaxSamples = 1 << 30

// The permitted properties of a file.
const (
	MinRateHz, MaxRateHz = 1000, 768000
	MaxChannels          = 64
)

// Sound is the content of a sound file.
type Sound struct {
	RateHz      int
	Channels    int
	Samples     []float64 // interleaved, full scale ±1 (integers divided by 2^(bits−1)); float files may exceed it and hold NaN or Inf
	Bits        int       // per sample in the file: 16, 24 or 32 for integers (4 to 32 in FLAC), 32 or 64 for float
	Float       bool      // the file's samples are floating point
	SpeakerMask uint32    // the extensible WAV header's speaker positions, 0 where unknown
}

// Frames returns the length in frames, one sample of every channel each.
func (s *Sound) Frames() int {
	if s.Channels == 0 {
		return 0
	}
	return len(s.Samples) / s.Channels
}

const allowedFormats = "WAV (16, 24 or 32-bit integer, 32 or 64-bit float) or FLAC"

// Read reads a WAV or FLAC file, told apart by its first bytes. Memory stays in proportion to what the file really
// holds, whatever its header claims. It refuses what is not a regular file, so that it never waits on a pipe or device.
func Read(path string) (*Sound, error) {
	s, err := read(path)
	if err != nil {
		return nil, failed("read", path, err)
	}
	return s, nil
}

func failed(action, path string, err error) error {
	var pe *fs.PathError
	if errors.As(err, &pe) { // the path stands in the message already
		err = pe.Err
	}
	return fmt.Errorf("soundfile: %s %q: %w", action, path, err)
}

func read(path string) (*Sound, error) {
	// Stat before Open: opening a FIFO would wait for a writer.
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, errors.New("not a regular file")
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if info, err = f.Stat(); err != nil {
		return nil, err
	}
	return decode(f, info.Size())
}

// decode reads a file of that size.
func decode(r io.ReadSeeker, size int64) (*Sound, error) {
	var magic [4]byte
	if _, err := io.ReadFull(r, magic[:]); err != nil {
		if err == io.EOF || err == io.ErrUnexpectedEOF {
			return nil, fmt.Errorf("%d bytes are too few for a sound file, allowed: %s", size, allowedFormats)
		}
		return nil, err
	}
	if _, err := r.Seek(0, io.SeekStart); err != nil {
		return nil, err
	}
	switch string(magic[:]) {
	case "RIFF", "RF64":
		return decodeWAV(r, size)
	case "RIFX":
		return nil, errors.New("big-endian WAV (RIFX), allowed: " + allowedFormats)
	case "fLaC", "ID3\x02", "ID3\x03", "ID3\x04":
		return decodeFLAC(bufio.NewReaderSize(r, 1<<16))
	}
	return nil, fmt.Errorf("starts with %q, allowed: %s", magic[:], allowedFormats)
}

func checkShape(rateHz, channels int64) error {
	if rateHz < MinRateHz || rateHz > MaxRateHz {
		return fmt.Errorf("rate is %d Hz, allowed: %d to %d Hz", rateHz, MinRateHz, MaxRateHz)
	}
	if channels < 1 || channels > MaxChannels {
		return fmt.Errorf("%d channels, allowed: 1 to %d", channels, MaxChannels)
	}
	return nil
}

func errTooLong(samples uint64) error {
	return fmt.Errorf("%d samples, allowed: up to %d (all channels together)", samples, MaxSamples)
}
