package soundfile

import (
	"crypto/md5"
	"errors"
	"fmt"
	"hash"
	"io"

	"github.com/mewkiz/flac"
)

// decodeFLAC decodes a FLAC stream, and compares the number of samples and their checksum with the stream's own record.
func decodeFLAC(r io.Reader) (s *Sound, err error) {
	// A malformed file must end in an error, also where it trips the decoder.
	defer func() {
		if p := recover(); p != nil {
			s, err = nil, fmt.Errorf("damaged FLAC stream: %v", p)
		}
	}()
	stream, err := flac.New(r)
	if err != nil {
		return nil, fmt.Errorf("damaged FLAC header: %w", noEOF(err))
	}
	info := stream.Info
	if err := checkShape(int64(info.SampleRate), int64(info.NChannels)); err != nil {
		return nil, err
	}
	bits, channels := int(info.BitsPerSample), int(info.NChannels)
	if bits < 4 || bits > 32 {
		return nil, fmt.Errorf("%d-bit FLAC samples, allowed: 4 to 32", bits)
	}
	if n := info.NSamples; n > MaxSamples/uint64(channels) {
		return nil, errTooLong(n * uint64(channels))
	}
	s = &Sound{RateHz: int(info.SampleRate), Channels: channels, Bits: bits}
	scale := 1 / float64(uint64(1)<<(bits-1))
	sum := md5.New()
	for {
		f, err := stream.ParseNext()
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("damaged FLAC stream after %d frames of sound: %w", s.Frames(), noEOF(err))
		}
		if len(f.Subframes) != channels {
			return nil, fmt.Errorf("the FLAC stream goes from %d to %d channels after %d frames of sound", channels, len(f.Subframes), s.Frames())
		}
		if f.BitsPerSample != 0 && int(f.BitsPerSample) != bits || f.SampleRate != 0 && f.SampleRate != info.SampleRate {
			return nil, fmt.Errorf("the FLAC stream changes its rate or sample size after %d frames of sound", s.Frames())
		}
		n := len(f.Subframes[0].Samples)
		if limit := uint64(MaxSamples); uint64(len(s.Samples)+n*channels) > limit {
			return nil, errTooLong(uint64(len(s.Samples) + n*channels))
		}
		if info.NSamples != 0 && uint64(s.Frames()+n) > info.NSamples {
			return nil, fmt.Errorf("more than the %d frames of sound that the FLAC header promises", info.NSamples)
		}
		for c, sub := range f.Subframes {
			if len(sub.Samples) != n {
				return nil, fmt.Errorf("channel %d of a FLAC frame has %d samples, the first %d", c+1, len(sub.Samples), n)
			}
		}
		for i := range n {
			for _, sub := range f.Subframes {
				s.Samples = append(s.Samples, float64(sub.Samples[i])*scale)
			}
		}
		hashFrame(sum, s.Samples[len(s.Samples)-n*channels:], bits)
	}
	if info.NSamples != 0 && uint64(s.Frames()) != info.NSamples {
		return nil, fmt.Errorf("cut short: its header promises %d frames of sound, %d are there", info.NSamples, s.Frames())
	}
	if info.MD5sum != [md5.Size]byte{} && [md5.Size]byte(sum.Sum(nil)) != info.MD5sum {
		return nil, errors.New("damaged FLAC stream: its samples do not have the checksum of its header")
	}
	return s, nil
}

// hashFrame adds samples to the checksum, signed little-endian in the fewest whole bytes, as RFC 9639 §8.2 has it.
func hashFrame(h hash.Hash, samples []float64, bits int) {
	width := (bits + 7) / 8
	buf := make([]byte, 0, len(samples)*width)
	full := float64(uint64(1) << (bits - 1))
	for _, x := range samples {
		v := uint32(int32(int64(x * full)))
		for range width {
			buf = append(buf, byte(v))
			v >>= 8
		}
	}
	h.Write(buf)
}

func noEOF(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return errors.New("it is cut short")
	}
	return err
}
