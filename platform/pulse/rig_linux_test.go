package pulse

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"cushwright/engine"
	"cushwright/platform/rig"
	"cushwright/platform/soundtest"
)

// signal is stereo sound that can be told apart sample by sample, silent at its end.
func rigSignal(rate int, seconds float64) []float32 {
	n := int(seconds * float64(rate))
	out := make([]float32, 2*(n+rate/2))
	x := uint32(12345)
	for i := range n {
		x = x*1664525 + 1013904223
		v := float32(int32(x)>>16) / 65536
		out[2*i], out[2*i+1] = v, -v/2
	}
	return out
}

// find is where the recording agrees with the signal sample by sample; −1: nowhere.
func find(rec, signal []float32, frames int) int {
	for at := 0; at+frames <= len(rec)/2; at++ {
		same := true
		for i := 0; i < 2*frames; i++ {
			if math.Abs(float64(rec[2*at+i]-signal[i])) > 1e-6 {
				same = false
				break
			}
		}
		if same {
			return at
		}
	}
	return -1
}

// What is played comes back sample by sample, from an output's monitor: nothing lost, nothing changed.
func TestRigPlaysAndRecords(t *testing.T) {
	for _, kind := range soundtest.Kinds {
		t.Run(kind, func(t *testing.T) {
			s := soundtest.Start(t, kind)
			s.AddSink("phones", 48000, 2)
			s.SetDefault("phones")
			r, err := OpenRig(s.Address(), "", "phones.monitor")
			if err != nil {
				t.Fatal(err)
			}
			if r.Output.ID != "phones" || r.Output.RateHz != 48000 || !r.Input.Monitor || r.Input.Channels != 2 || r.Output.Muted || r.Output.VolumeDB != 0 {
				t.Errorf("%+v", r)
			}
			signal := rigSignal(48000, 1)
			var shares []float64
			for { // a machine that stands still may lose frames
				began := time.Now()
				took, err := r.PlayRecord(context.Background(), rig.Take{Stereo: signal, RecordSeconds: 2, Progress: func(x float64) { shares = append(shares, x) }})
				if err != nil {
					t.Fatal(err)
				}
				if took.RateHz != 48000 || took.Channels != 2 || len(took.Frames) != 2*2*48000 {
					t.Fatalf("%d Hz, %d channels, %d samples", took.RateHz, took.Channels, len(took.Frames))
				}
				at := find(took.Frames, signal, 48000)
				if at >= 0 && len(took.Gaps) == 0 {
					if l, r := took.Channel(0), took.Channel(1); l[at] != float64(signal[0]) || r[at] != float64(signal[1]) {
						t.Error("channels exchanged")
					}
					t.Logf("found after %d frames", at)
					break
				}
				if wrong := fmt.Sprintf("the recording does not hold what was played: found at %d, gaps %v", at, took.Gaps); !soundtest.Again(t, began, soundtest.Stillness, wrong) {
					t.Fatal(wrong)
				}
			}
			if len(shares) < 10 || shares[len(shares)-1] != 1 {
				t.Errorf("progress %v", shares)
			}
			s.SetMute("phones", true)
			s.SetVolume("phones", 0.5)
			if err := r.Refresh(); err != nil || !r.Output.Muted || math.Abs(r.Output.VolumeDB+18.06) > 0.1 {
				t.Errorf("muted at half volume: %v, %+v", err, r.Output)
			}
		})
	}
}

// An interrupted take fades out and does not take long about it.
func TestRigFadesOut(t *testing.T) {
	s := soundtest.Start(t, soundtest.PulseAudio)
	s.AddSink("phones", 48000, 2)
	s.AddSink("room", 48000, 2)
	r, err := OpenRig(s.Address(), "phones", "room.monitor")
	if err != nil {
		t.Fatal(err)
	}
	rec := s.Record("phones.monitor", 48000)
	tone := make([]float32, 2*48000*10)
	for i := range tone {
		tone[i] = float32(0.5 * math.Cos(2*math.Pi*500*float64(i/2)/48000))
	}
	ctx, cancel := context.WithCancel(context.Background())
	time.AfterFunc(700*time.Millisecond, cancel)
	start := time.Now()
	_, err = r.PlayRecord(ctx, rig.Take{Stereo: tone, RecordSeconds: 10})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
	if d := time.Since(start); d > 8*time.Second {
		t.Errorf("it took %v", d)
	}
	time.Sleep(300 * time.Millisecond)
	out := rec.Stop()
	// The largest step from one sample to the next: that of the tone itself, 0.033, not of a cut, up to 0.5.
	last, step := 0, 0.0
	for i := 2; i < len(out); i += 2 {
		if out[i] != 0 {
			last = i
		}
	}
	for i := max(last-2*9600, 2); i <= last+2; i += 2 {
		step = max(step, math.Abs(float64(out[i]-out[i-2])))
	}
	if last == 0 || step > 0.05 {
		t.Errorf("sound until %.2f s, largest step at the end %.3f", float64(last)/96000, step)
	}
}

// A single microphone gives one channel; rates of output and input may differ, and nothing is resampled that need not
// be.
func TestRigOfOneMicrophone(t *testing.T) {
	s := soundtest.Start(t, soundtest.PulseAudio)
	s.AddSink("phones", 48000, 2)
	s.AddSink("mic", 44100, 1)
	r, err := OpenRig(s.Address(), "phones", "mic.monitor")
	if err != nil {
		t.Fatal(err)
	}
	took, err := r.PlayRecord(context.Background(), rig.Take{Stereo: make([]float32, 2*4800), RecordSeconds: 0.5})
	if err != nil {
		t.Fatal(err)
	}
	if took.Channels != 1 || took.RateHz != 44100 || len(took.Channel(1)) != 22050 {
		t.Errorf("%d channels, %d Hz, %d frames", took.Channels, took.RateHz, len(took.Channel(1)))
	}
}

func TestRigNamesWhatIsMissing(t *testing.T) {
	s := soundtest.Start(t, soundtest.PulseAudio)
	s.AddSink("phones", 48000, 2)
	for _, c := range []struct{ out, in, want string }{
		{"headphones", "phones.monitor", "phones"},
		{"phones", "microphone", "phones.monitor"},
	} {
		_, err := OpenRig(s.Address(), c.out, c.in)
		var e *engine.Error
		if !errors.As(err, &e) || e.Reaction != engine.GiveUp || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q, %q: %v", c.out, c.in, err)
		}
	}
	m := s.AddSink("away", 48000, 2)
	r, err := OpenRig(s.Address(), "away", "phones.monitor")
	if err != nil {
		t.Fatal(err)
	}
	time.AfterFunc(500*time.Millisecond, func() { s.RemoveSink(m) })
	if _, err := r.PlayRecord(context.Background(), rig.Take{Stereo: rigSignal(48000, 3), RecordSeconds: 3}); err == nil {
		t.Error("the output went away and nothing was said")
	} else {
		t.Log(err)
	}
	if _, err := OpenRig("unix:/nowhere/at/all", "", ""); err == nil {
		t.Error("no server, and nothing was said")
	}
}

// A server whose answer names a device by some thousand bytes does not end the take.
func TestRigStandsEndlessNames(t *testing.T) {
	s := soundtest.Start(t, soundtest.PulseAudio)
	s.AddSink("phones", 48000, 2)
	s.SetDefault("phones")
	long := strings.Repeat("n", 5000)
	var recording atomic.Bool // the answer to a new stream, not the lists of devices
	address := between(t, s.Socket(), func(body []byte) []byte {
		if recording.Load() {
			return bytes.Replace(body, []byte("tphones.monitor\x00"), []byte("t"+long+"\x00"), 1)
		}
		return body
	})
	r, err := OpenRig(address, "phones", "phones.monitor")
	if err != nil {
		t.Fatal(err)
	}
	recording.Store(true)
	if _, err := r.PlayRecord(t.Context(), rig.Take{Stereo: make([]float32, 2*4800), RecordSeconds: 0.3}); err != nil {
		t.Error(err)
	}
}

// between stands between a server and its clients, and changes the body of every control packet that the server sends.
func between(t *testing.T, socket string, change func(body []byte) []byte) (address string) {
	t.Helper()
	l, err := net.Listen("unix", filepath.Join(t.TempDir(), "between"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	pass := func(to, from net.Conn) {
		defer to.Close()
		head := make([]byte, packetHeader)
		for {
			if _, err := io.ReadFull(from, head); err != nil {
				return
			}
			body := make([]byte, binary.BigEndian.Uint32(head))
			if _, err := io.ReadFull(from, body); err != nil {
				return
			}
			if binary.BigEndian.Uint32(head[4:]) == controlPacket {
				body = change(body)
				binary.BigEndian.PutUint32(head, uint32(len(body)))
			}
			if _, err := to.Write(append(head[:packetHeader:packetHeader], body...)); err != nil {
				return
			}
		}
	}
	go func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			far, err := net.Dial("unix", socket)
			if err != nil {
				near.Close()
				continue
			}
			go pass(near, far)
			go func() { io.Copy(far, near); far.Close() }()
		}
	}()
	return "unix:" + l.Addr().String()
}
