package soundfile

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

// tool runs a reference tool and returns its standard output.
func tool(t testing.TB, name string, args ...string) []byte {
	t.Helper()
	cmd := exec.Command(name, args...)
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, errs.Bytes())
	}
	return out
}

// ffmpegDecode decodes a file to float64 with ffmpeg.
func ffmpegDecode(t testing.TB, path string) []float64 {
	b := tool(t, "ffmpeg", "-nostdin", "-v", "error", "-i", path, "-f", "f64le", "-")
	x := make([]float64, len(b)/8)
	for i := range x {
		x[i] = math.Float64frombits(binary.LittleEndian.Uint64(b[8*i:]))
	}
	return x
}

func sameBits(t *testing.T, got, want []float64) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d samples, want %d", len(got), len(want))
	}
	loud := false
	for i := range got {
		if math.Float64bits(got[i]) != math.Float64bits(want[i]) {
			t.Fatalf("sample %d is %v, want %v", i, got[i], want[i])
		}
		loud = loud || math.Abs(got[i]) > 0.1
	}
	if !loud {
		t.Fatal("the reference signal is silent")
	}
}

// Every format that SoX and ffmpeg write is read to the last bit as ffmpeg decodes it.
func TestReadAgainstReferenceTools(t *testing.T) {
	dir := t.TempDir()
	cases := []struct {
		name, tool string
		args       []string // the output's encoding
		channels   int
		bits       int
		float      bool
		mask       uint32
	}{
		{"sox-16.wav", "sox", []string{"-b", "16"}, 2, 16, false, 0},
		{"sox-24.wav", "sox", []string{"-b", "24"}, 2, 24, false, 3},
		{"sox-32.wav", "sox", []string{"-b", "32", "-e", "signed-integer"}, 2, 32, false, 3},
		{"sox-f32.wav", "sox", []string{"-b", "32", "-e", "floating-point"}, 2, 32, true, 0},
		{"sox-f64.wav", "sox", []string{"-b", "64", "-e", "floating-point"}, 2, 64, true, 0},
		{"sox-mono.wav", "sox", []string{"-b", "24", "-c", "1"}, 1, 24, false, 4},
		{"sox-six.wav", "sox", []string{"-b", "24", "-c", "6"}, 6, 24, false, 0x3f},
		{"ff-16.wav", "ffmpeg", []string{"-c:a", "pcm_s16le"}, 2, 16, false, 0},
		{"ff-24.wav", "ffmpeg", []string{"-c:a", "pcm_s24le"}, 2, 24, false, 3},
		{"ff-32.wav", "ffmpeg", []string{"-c:a", "pcm_s32le"}, 2, 32, false, 3},
		{"ff-f32.wav", "ffmpeg", []string{"-c:a", "pcm_f32le"}, 2, 32, true, 3},
		{"ff-f64.wav", "ffmpeg", []string{"-c:a", "pcm_f64le"}, 2, 64, true, 3},
		{"ff-rf64.wav", "ffmpeg", []string{"-c:a", "pcm_s24le", "-rf64", "always"}, 2, 24, false, 3},
		{"ff-tagged.wav", "ffmpeg", []string{"-c:a", "pcm_s16le", "-metadata", "title=odd", "-write_bext", "1"}, 2, 16, false, 0},
		{"sox-16.flac", "sox", []string{"-b", "16"}, 2, 16, false, 0},
		{"sox-24.flac", "sox", []string{"-b", "24"}, 2, 24, false, 0},
		{"sox-mono.flac", "sox", []string{"-b", "16", "-c", "1", "-C", "0"}, 1, 16, false, 0},
		{"ff-24.flac", "ffmpeg", []string{"-c:a", "flac", "-sample_fmt", "s32", "-compression_level", "12"}, 2, 24, false, 0},
	}
	for i, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			path := filepath.Join(dir, c.name)
			rate := []int{48000, 44100, 96000}[i%3]
			if c.tool == "sox" {
				args := append([]string{"-R", "-n", "-r", fmt.Sprint(rate)}, c.args...)
				if !strings.Contains(strings.Join(c.args, " "), "-c ") {
					args = append(args, "-c", "2")
				}
				tool(t, "sox", append(args, path, "synth", "0.31", "pinknoise", "vol", "0.9")...)
			} else {
				source := fmt.Sprintf("anoisesrc=r=%d:d=0.31:a=0.9:s=%d,pan=stereo|c0=c0|c1=-0.7*c0", rate, 7+i)
				tool(t, "ffmpeg", append(append([]string{"-nostdin", "-v", "error", "-f", "lavfi", "-i", source}, c.args...), path)...)
			}
			s, err := Read(path)
			if err != nil {
				t.Fatal(err)
			}
			if s.RateHz != rate || s.Channels != c.channels || s.Bits != c.bits || s.Float != c.float || s.SpeakerMask != c.mask {
				t.Errorf("rate %d, %d channels, %d bits, float %v, mask %#x; want %d, %d, %d, %v, %#x",
					s.RateHz, s.Channels, s.Bits, s.Float, s.SpeakerMask, rate, c.channels, c.bits, c.float, c.mask)
			}
			if s.Frames()*s.Channels != len(s.Samples) {
				t.Errorf("%d frames of %d channels in %d samples", s.Frames(), s.Channels, len(s.Samples))
			}
			sameBits(t, s.Samples, ffmpegDecode(t, path))
		})
	}
}

// A program that writes WAV to a pipe cannot put the size into the header.
func TestReadPiped(t *testing.T) {
	dir := t.TempDir()
	for name, args := range map[string][]string{
		"sox":    {"-n", "-r", "48000", "-b", "24", "-c", "2", "-t", "wav", "-", "synth", "0.2", "sine", "440"},
		"ffmpeg": {"-nostdin", "-v", "error", "-f", "lavfi", "-i", "sine=440:d=0.2", "-af", "volume=6", "-f", "wav", "-"},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(dir, name+".wav")
			if err := os.WriteFile(path, tool(t, name, args...), 0o600); err != nil {
				t.Fatal(err)
			}
			s, err := Read(path)
			if err != nil {
				t.Fatal(err)
			}
			sameBits(t, s.Samples, ffmpegDecode(t, path))
		})
	}
}

func TestWriteAgainstReferenceTools(t *testing.T) {
	for _, c := range []struct {
		rateHz, channels int
		mask             uint32
		layout           string // as ffprobe names it
	}{{44100, 1, 0, ""}, {48000, 2, 0, ""}, {96000, 6, 0x3f, "5.1"}, {192000, 3, 0x7, "3.0"}} {
		t.Run(fmt.Sprint(c.channels), func(t *testing.T) {
			s := &Sound{RateHz: c.rateHz, Channels: c.channels, SpeakerMask: c.mask}
			for i := range 1003 * c.channels {
				s.Samples = append(s.Samples, float64(float32(1.7*math.Sin(float64(i)*0.37)))) // also above full scale
			}
			path := filepath.Join(t.TempDir(), "out.wav")
			if err := WriteWAV(path, s); err != nil {
				t.Fatal(err)
			}
			sameBits(t, ffmpegDecode(t, path), s.Samples)
			for opt, want := range map[string]string{"-r": fmt.Sprint(c.rateHz), "-c": fmt.Sprint(c.channels), "-s": "1003", "-b": "32", "-e": "Floating Point PCM"} {
				if got := strings.TrimSpace(string(tool(t, "soxi", opt, path))); got != want {
					t.Errorf("soxi %s says %q, want %q", opt, got, want)
				}
			}
			layout := strings.TrimSpace(string(tool(t, "ffprobe", "-v", "error", "-show_entries", "stream=channel_layout", "-of", "csv=p=0", path)))
			if c.layout != "" && layout != c.layout {
				t.Errorf("ffprobe says the layout is %q, want %q", layout, c.layout)
			}
			back, err := Read(path)
			if err != nil {
				t.Fatal(err)
			}
			sameBits(t, back.Samples, s.Samples)
			if back.SpeakerMask != c.mask || !back.Float || back.Bits != 32 || back.RateHz != c.rateHz || back.Channels != c.channels {
				t.Errorf("read back as %d Hz, %d channels, %d bits, float %v, mask %#x", back.RateHz, back.Channels, back.Bits, back.Float, back.SpeakerMask)
			}
			// The 64-bit form, at a size that would not need it.
			var long bytes.Buffer
			if err := encodeWAV(&long, s, 100); err != nil {
				t.Fatal(err)
			}
			path64 := filepath.Join(t.TempDir(), "long.wav")
			if err := os.WriteFile(path64, long.Bytes(), 0o600); err != nil {
				t.Fatal(err)
			}
			sameBits(t, ffmpegDecode(t, path64), s.Samples)
			if back, err = Read(path64); err != nil {
				t.Fatal(err)
			}
			sameBits(t, back.Samples, s.Samples)
		})
	}
}

func TestWriteIsAllOrNothing(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "x.wav")
	good := &Sound{RateHz: 48000, Channels: 2, Samples: []float64{0.5, -0.5}}
	if err := os.WriteFile(path, []byte("precious"), 0o640); err != nil {
		t.Fatal(err)
	}
	bad := *good
	bad.Samples = bad.Samples[:1]
	if err := WriteWAV(path, &bad); err == nil || !strings.HasPrefix(err.Error(), `soundfile: write "`+path+`": `) {
		t.Errorf("half a frame: %v", err)
	}
	if b, _ := os.ReadFile(path); string(b) != "precious" {
		t.Errorf("a refused write left %q", b)
	}
	if err := WriteWAV(path, good); err != nil {
		t.Fatal(err)
	}
	if info, err := os.Stat(path); err != nil || runtime.GOOS != "windows" && info.Mode().Perm() != 0o640 {
		t.Errorf("after the write: %v, %v; want the old permissions", info.Mode(), err)
	}
	if err := WriteWAV(dir, good); err == nil {
		t.Error("a folder was overwritten")
	}
	if err := WriteWAV(filepath.Join(dir, "none", "x.wav"), good); err == nil || strings.Count(err.Error(), "none") != 1 {
		t.Errorf("missing folder: %v", err)
	}
	link := filepath.Join(dir, "link.wav")
	if err := os.Symlink(path, link); err != nil {
		t.Fatal(err)
	}
	good.Samples = append(good.Samples, 0.25, 0.25)
	if err := WriteWAV(link, good); err != nil {
		t.Fatal(err)
	}
	if info, err := os.Lstat(link); err != nil || info.Mode()&os.ModeSymlink == 0 {
		t.Errorf("the link is no link any more: %v", err)
	}
	if s, err := Read(path); err != nil || s.Frames() != 2 {
		t.Errorf("the link's target was not written: %v", err)
	}
	names, _ := filepath.Glob(filepath.Join(dir, ".*"))
	if len(names) != 0 {
		t.Errorf("left behind: %v", names)
	}
}

// chunk returns a RIFF chunk, padded to even length.
func chunk(id string, size uint32, body []byte) []byte {
	b := binary.LittleEndian.AppendUint32([]byte(id), size)
	b = append(b, body...)
	if len(body)%2 == 1 {
		b = append(b, 0)
	}
	return b
}

func format(tag, channels uint16, rateHz uint32, bits uint16) []byte {
	b := binary.LittleEndian.AppendUint16(nil, tag)
	b = binary.LittleEndian.AppendUint16(b, channels)
	b = binary.LittleEndian.AppendUint32(b, rateHz)
	b = binary.LittleEndian.AppendUint32(b, rateHz*uint32(channels*bits/8))
	b = binary.LittleEndian.AppendUint16(b, channels*bits/8)
	return chunk("fmt ", 16, binary.LittleEndian.AppendUint16(b, bits))
}

func riff(parts ...[]byte) []byte {
	body := append([]byte("WAVE"), bytes.Join(parts, nil)...)
	return append(binary.LittleEndian.AppendUint32([]byte("RIFF"), uint32(len(body))), body...)
}

func TestReadOddChunks(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.wav")
	b := riff(chunk("note", 3, []byte("abc")), format(1, 2, 48000, 16), chunk("LIST", 5, []byte("hello")),
		chunk("data", 8, []byte{0, 64, 0, 192, 1, 0, 255, 255}), chunk("tail", 1, []byte("x")))
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := Read(path)
	if err != nil {
		t.Fatal(err)
	}
	sameBits(t, s.Samples, []float64{0.5, -0.5, 1. / 32768, -1. / 32768})
}

// Bad files, each with words its message must hold.
func TestReadRefuses(t *testing.T) {
	dir := t.TempDir()
	ok := format(1, 2, 48000, 16)
	data := chunk("data", 4, []byte{1, 2, 3, 4})
	flacFile := filepath.Join(dir, "good.flac")
	tool(t, "sox", "-n", "-r", "48000", "-b", "16", "-c", "2", flacFile, "synth", "0.2", "pinknoise")
	good, err := os.ReadFile(flacFile)
	if err != nil {
		t.Fatal(err)
	}
	edit := func(at int, v byte) []byte { b := bytes.Clone(good); b[at] ^= v; return b }
	const md5At = 4 + 4 + 18 // in the stream information, after the magic and the block's header
	ext := append(format(tagExtensible, 2, 48000, 16), make([]byte, 24)...)
	ext[4] = 40
	for name, c := range map[string]struct {
		file []byte
		want string
	}{
		"empty":         {nil, "0 bytes are too few for a sound file, allowed: WAV"},
		"text":          {[]byte("freq_hz,level_db\n"), `starts with "freq", allowed: WAV`},
		"big-endian":    {[]byte("RIFX\x00\x00\x00\x00WAVE"), "big-endian"},
		"other riff":    {[]byte("RIFF\x04\x00\x00\x00AVI "), `of kind "AVI "`},
		"cut header":    {[]byte("RIFF\x04\x00"), "cut short"},
		"no format":     {riff(data), "data chunk comes before its format chunk"},
		"nothing":       {riff(), "no format chunk"},
		"no data":       {riff(ok), "no data chunk"},
		"two formats":   {riff(ok, ok, data), "two format chunks"},
		"short format":  {riff(chunk("fmt ", 4, []byte{1, 0, 2, 0}), data), "format chunk has 4 bytes"},
		"long format":   {riff(chunk("fmt ", 1<<30, nil), data), "allowed: up to 4096"},
		"8 bit":         {riff(format(1, 1, 48000, 8), data), "8-bit integer samples, allowed: WAV (16, 24 or 32-bit integer"},
		"16-bit float":  {riff(format(3, 1, 48000, 16), data), "16-bit float samples, allowed:"},
		"adpcm":         {riff(format(2, 1, 48000, 16), data), "WAV format 0x0002, allowed:"},
		"sub-format":    {riff(ext, data), "extensible WAV format of an unknown kind"},
		"no channels":   {riff(format(1, 0, 48000, 16), data), "0 channels, allowed: 1 to 64"},
		"no rate":       {riff(format(1, 2, 0, 16), data), "rate is 0 Hz, allowed: 1000 to 768000 Hz"},
		"frame size":    {riff(bytes.Replace(ok, []byte{4, 0, 16, 0}, []byte{3, 0, 16, 0}, 1), data), "frames of 3 bytes, allowed: 4"},
		"half a frame":  {riff(ok, chunk("data", 2, []byte{1, 2})), "no whole number of frames"},
		"lying size":    {riff(ok, chunk("data", 1<<30, []byte{1, 2, 3, 4})), "promises 1073741824 bytes of sound, 4 are there"},
		"rf64 bare":     {append([]byte("RF64\xff\xff\xff\xffWAVE"), append(ok, chunk("data", math.MaxUint32, []byte{1, 2, 3, 4})...)...), "without its 64-bit sizes"},
		"flac cut":      {good[:len(good)/2], "damaged FLAC stream after"},
		"flac header":   {good[:20], "damaged FLAC header"},
		"flac flipped":  {edit(len(good)*2/3, 0x10), "damaged FLAC stream"},
		"flac checksum": {edit(md5At, 1), "do not have the checksum of its header"},
		"flac length":   {edit(md5At-1, 1), "than the 9601 frames|promises 9601 frames of sound, 9600 are there"},
		"flac huge":     {edit(md5At-5, 0x0f), "allowed: up to 1073741824"},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(dir, "bad.sound")
			if err := os.WriteFile(path, c.file, 0o600); err != nil {
				t.Fatal(err)
			}
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			s, err := Read(path)
			runtime.ReadMemStats(&after)
			if err == nil {
				t.Fatalf("read as %d frames", s.Frames())
			}
			found := false
			for w := range strings.SplitSeq(c.want, "|") {
				found = found || strings.Contains(err.Error(), w)
			}
			if !found || !strings.HasPrefix(err.Error(), `soundfile: read "`+path+`": `) {
				t.Errorf("got  %v\nwant it to hold %s", err, c.want)
			}
			if n := after.TotalAlloc - before.TotalAlloc; n > 8<<20 {
				t.Errorf("allocated %d bytes for a file of %d", n, len(c.file))
			}
		})
	}
	if _, err := Read(filepath.Join(dir, "absent.wav")); err == nil || strings.Count(err.Error(), "absent.wav") != 1 {
		t.Errorf("absent file: %v", err)
	}
	for _, path := range []string{dir, os.DevNull} {
		if _, err := Read(path); err == nil || !strings.Contains(err.Error(), "not a regular file") {
			t.Errorf("%s: %v", path, err)
		}
	}
}

func FuzzRead(f *testing.F) {
	f.Add(riff(format(1, 2, 48000, 16), chunk("data", 4, []byte{1, 2, 3, 4})))
	f.Add(riff(format(3, 1, 48000, 64), chunk("data", 8, make([]byte, 8))))
	var b bytes.Buffer
	if err := encodeWAV(&b, &Sound{RateHz: 48000, Channels: 3, Samples: make([]float64, 9)}, 100); err != nil {
		f.Fatal(err)
	}
	f.Add(b.Bytes())
	path := filepath.Join(f.TempDir(), "x.flac")
	tool(f, "sox", "-n", "-r", "48000", "-b", "16", "-c", "2", path, "synth", "0.01", "sine", "1000")
	flac, err := os.ReadFile(path)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(flac)
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := decode(bytes.NewReader(b), int64(len(b)))
		if err != nil {
			return
		}
		if s.Channels < 1 || len(s.Samples)%s.Channels != 0 || s.RateHz < MinRateHz {
			t.Fatalf("accepted %d channels, %d samples, %d Hz", s.Channels, len(s.Samples), s.RateHz)
		}
		if string(b[:2]) == "RI" && len(s.Samples)*2 > len(b) {
			t.Fatalf("%d samples out of %d bytes of WAV", len(s.Samples), len(b))
		}
		// What was read is written and read again unchanged, up to the rounding to float32.
		var out bytes.Buffer
		if err := encodeWAV(&out, s, math.MaxUint32); err != nil {
			t.Fatal(err)
		}
		back, err := decode(bytes.NewReader(out.Bytes()), int64(out.Len()))
		if err != nil {
			t.Fatalf("the copy is refused: %v", err)
		}
		if back.Channels != s.Channels || back.RateHz != s.RateHz || len(back.Samples) != len(s.Samples) {
			t.Fatal("the copy has another shape")
		}
		for i, x := range s.Samples {
			if y := back.Samples[i]; y != float64(float32(x)) && !math.IsNaN(x) {
				t.Fatalf("sample %d: %v became %v", i, x, y)
			}
		}
	})
}
