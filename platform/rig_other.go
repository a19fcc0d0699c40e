//go:build !linux

package platform

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"cushwright/engine"
	"cushwright/platform/device"
	"cushwright/platform/rig"
)

// Rig is the pair of devices that a sweep is played on and recorded from: the output that the headphones hang on, and
// the input of the rig's microphones.
type Rig struct {
	Output, Input RigDevice
}

// OpenRig looks up the output and input of those IDs ("" for the default ones). The error names what there is instead
// of a device that is missing. Volumes and mutes are not known on this system.
func OpenRig(_, output, input string) (*Rig, error) {
	d, err := NewDriver("")
	if err != nil {
		return nil, err
	}
	all, err := d.Devices()
	if err != nil {
		return nil, err
	}
	r := &Rig{}
	var outputs, inputs []string
	for _, v := range all {
		dev := rig.Device{ID: v.ID, Name: v.Name, RateHz: v.RateHz, Channels: v.Channels, Monitor: v.Monitor}
		if dev.RateHz == 0 {
			dev.RateHz = 48000
		}
		if dev.Channels == 0 {
			dev.Channels = 2
		}
		if v.Playback {
			outputs = append(outputs, v.ID)
			if v.ID == output || output == "" && v.Default {
				r.Output = dev
			}
		}
		if v.Capture {
			inputs = append(inputs, v.ID)
			if v.ID == input || input == "" && v.Default && !v.Monitor {
				r.Input = dev
			}
		}
	}
	if r.Output.ID == "" {
		return nil, device.Err("open output", output, engine.GiveUp, fmt.Errorf("there is none of that name; there are: %s", strings.Join(outputs, ", ")))
	}
	if r.Input.ID == "" {
		return nil, device.Err("open microphone input", input, engine.GiveUp, fmt.Errorf("there is none of that name; there are: %s", strings.Join(inputs, ", ")))
	}
	// One pair of streams has one rate here; the device layer converts.
	r.Input.RateHz = r.Output.RateHz
	return r, nil
}

// Refresh does nothing on this system.
func (r *Rig) Refresh() error { return nil }

// PlayRecord plays and records at once through the device layer. When the context ends first, what plays is faded out
// before the streams are closed. Losses are told by the clock alone.
func (r *Rig) PlayRecord(ctx context.Context, t Take) (Taken, error) {
	d, err := NewDriver("")
	if err != nil {
		return Taken{}, err
	}
	need := int(t.RecordSeconds * float64(r.Output.RateHz))
	fadeFrames := int(rig.Fade.Seconds() * float64(r.Output.RateHz))
	var mu sync.Mutex // the callbacks' and ours; nothing else plays, so a short wait harms nobody
	var in []float32
	var arrivals rig.Arrivals
	arrivals.Rate = float64(r.Output.RateHz)
	sent, fading, faded, quiet := 0, false, 0, false
	var began time.Time
	s, err := d.Open(engine.Request{CaptureID: r.Input.ID, OutputID: r.Output.ID, RateHz: r.Output.RateHz, CaptureFrames: 960, OutputFrames: 3840,
		Capture: func(v []float32) {
			mu.Lock()
			defer mu.Unlock()
			if sent > 0 {
				if len(in) == 0 {
					began = time.Now()
				}
				in = append(in, v...)
				arrivals.Packet(time.Now(), len(in)/2)
			}
		},
		Playback: func(out []float32) {
			mu.Lock()
			defer mu.Unlock()
			clear(out)
			if sent < len(t.Stereo) {
				copy(out, t.Stereo[sent:])
			}
			sent += len(out)
			if fading {
				rig.FadeOut(out, faded, fadeFrames)
				faded += len(out) / 2
				quiet = faded > fadeFrames+2*len(out)
			}
		}})
	if err != nil {
		return Taken{}, err
	}
	defer s.Close()
	for patience := time.Now().Add(time.Duration(2*t.RecordSeconds*float64(time.Second)) + 3*time.Second); ; time.Sleep(20 * time.Millisecond) {
		mu.Lock()
		n, over := len(in)/2, quiet
		if ctx.Err() != nil {
			fading = true
		}
		mu.Unlock()
		switch {
		case over:
			return Taken{}, ctx.Err()
		case time.Now().After(patience):
			return Taken{}, device.Err("record", r.Input.ID, engine.Reopen, errors.New("the input stopped delivering"))
		case n >= need && ctx.Err() == nil:
			mu.Lock()
			out := Taken{Frames: in[:2*need], Channels: 2, RateHz: r.Output.RateHz, Began: began}
			if lost := arrivals.Lost(); lost > 0 {
				out.Gaps = append(out.Gaps, rig.Gap{Frames: lost})
			}
			mu.Unlock()
			return out, nil
		}
		if t.Progress != nil && ctx.Err() == nil {
			t.Progress(min(float64(n)/float64(need), 1))
		}
	}
}
