//go:build cgo

package mini

import (
	"errors"
	"fmt"
	"runtime"
	"sync"
	"time"
	"unicode/utf16"
	"unsafe"

	"github.com/gen2brain/malgo"

	"cushwright/engine"
	"cushwright/platform/device"
)

const (
	// openTimeout bounds what a hung server can cost; a device that opens later is closed unused.
	openTimeout = 5 * time.Second
	// closeTimeout bounds Close: tearing down against a dead server may wait for ever, and then leaking the device is
	// the lesser harm.
	closeTimeout = 900 * time.Millisecond
	// loopbackPrefix marks the monitors of outputs on WASAPI, which lists outputs only.
	loopbackPrefix = "monitor:"
)

// Driver opens devices through malgo.
type Driver struct {
	backend malgo.Backend
	name    string
	server  string                          // sound server, on PulseAudio
	devices func() ([]engine.Device, error) // lists them where malgo does not; nil elsewhere
}

// The back end is always named, because an open choice can end in a silent one.

// OnServer is malgo on the sound server at the address; name is its kind, and devices lists what it has.
func OnServer(server, name string, devices func() ([]engine.Device, error)) (engine.Driver, error) {
	return &Driver{backend: malgo.Backend(malgo.BackendPulseaudio), name: name + " (malgo)", server: server, devices: devices}, nil
}

// OnALSA is malgo on the sound cards themselves.
func OnALSA() (engine.Driver, error) {
	return &Driver{backend: malgo.Backend(malgo.BackendAlsa), name: "ALSA"}, nil
}

// OnSystem is malgo on the system's own sound: WASAPI or Core Audio.
func OnSystem() (engine.Driver, error) {
	switch runtime.GOOS {
	case "windows":
		return &Driver{backend: malgo.Backend(malgo.BackendWasapi), name: "WASAPI"}, nil
	case "darwin":
		return &Driver{backend: malgo.Backend(malgo.BackendCoreaudio), name: "Core Audio"}, nil
	}
	return nil, device.Err("open", "sound devices", engine.GiveUp, fmt.Errorf("no device layer for %s yet", runtime.GOOS))
}

// Name is the kind of sound system.
func (d *Driver) Name() string { return d.name }

// context makes a new connection. One per stream: after a restart of the server only a new one works.
func (d *Driver) context() (*malgo.AllocatedContext, error) {
	var cfg malgo.ContextConfig
	var pin runtime.Pinner
	defer pin.Unpin()
	cstr := func(s string) *byte {
		b := append([]byte(s), 0)
		pin.Pin(&b[0])
		return &b[0]
	}
	cfg.Pulse.PApplicationName = cstr(device.AppName)
	if d.server != "" {
		cfg.Pulse.PServerName = cstr(d.server)
	}
	return malgo.InitContext([]malgo.Backend{d.backend}, cfg, nil)
}

// Devices lists what can be named in a Request.
func (d *Driver) Devices() ([]engine.Device, error) {
	if d.devices != nil {
		return d.devices()
	}
	ctx, err := d.context()
	if err != nil {
		return nil, device.Err("list", d.name, engine.Retry, err)
	}
	defer func() { ctx.Uninit(); ctx.Free() }()
	var all []engine.Device
	for _, kind := range []malgo.DeviceType{malgo.Playback, malgo.Capture} {
		infos, err := ctx.Devices(kind)
		if err != nil {
			return nil, device.Err("list", d.name, engine.Retry, err)
		}
		for i := range infos {
			dev := engine.Device{
				ID: d.idString(&infos[i].ID), Name: infos[i].Name(), Default: infos[i].IsDefault != 0,
				Playback: kind == malgo.Playback, Capture: kind == malgo.Capture,
			}
			if full, err := ctx.DeviceInfo(kind, infos[i].ID, malgo.Shared); err == nil && len(full.Formats) > 0 {
				dev.RateHz, dev.Channels = int(full.Formats[0].SampleRate), int(full.Formats[0].Channels)
			}
			all = append(all, dev)
			if kind == malgo.Playback && d.backend == malgo.Backend(malgo.BackendWasapi) {
				dev.ID, dev.Name = loopbackPrefix+dev.ID, "Monitor of "+dev.Name
				dev.Playback, dev.Capture, dev.Monitor, dev.Default = false, true, true, false
				all = append(all, dev)
			}
		}
	}
	return all, nil
}

func (d *Driver) idString(id *malgo.DeviceID) string {
	if d.backend == malgo.Backend(malgo.BackendWasapi) {
		u := unsafe.Slice((*uint16)(unsafe.Pointer(id)), len(id)/2)
		for i, c := range u {
			if c == 0 {
				u = u[:i]
				break
			}
		}
		return string(utf16.Decode(u))
	}
	for i, c := range id {
		if c == 0 {
			return string(id[:i])
		}
	}
	return string(id[:])
}

// id finds the device ID of the given name; nil means the default device.
func (d *Driver) id(ctx *malgo.AllocatedContext, kind malgo.DeviceType, name string) (*malgo.DeviceID, error) {
	if name == "" {
		return nil, nil
	}
	var id malgo.DeviceID
	if d.backend == malgo.Backend(malgo.BackendPulseaudio) {
		if len(name) >= len(id) {
			return nil, errors.New("name too long")
		}
		copy(id[:], name)
		return &id, nil
	}
	if kind == malgo.Loopback {
		kind = malgo.Playback
	}
	infos, err := ctx.Devices(kind)
	if err != nil {
		return nil, err
	}
	for i := range infos {
		if d.idString(&infos[i].ID) == name {
			return &infos[i].ID, nil
		}
	}
	return nil, errors.New("no such device")
}

// Open opens both streams and starts them.
func (d *Driver) Open(req engine.Request) (engine.Stream, error) {
	if req.CaptureFrames <= 0 {
		req.CaptureFrames = device.CaptureFrames
	}
	if req.OutputFrames <= 0 {
		req.OutputFrames = device.OutputFrames
	}
	type result struct {
		s   *stream
		err error
	}
	done := make(chan result, 1)
	go func() {
		s, err := d.open(req)
		done <- result{s, err}
	}()
	select {
	case r := <-done:
		if r.err != nil {
			return nil, r.err
		}
		return r.s, nil
	case <-time.After(openTimeout):
		go func() {
			if r := <-done; r.s != nil {
				r.s.Close()
			}
		}()
		return nil, device.Err("open", d.name, engine.Reopen, errors.New("the sound system does not answer"))
	}
}

func (d *Driver) open(req engine.Request) (*stream, error) {
	ctx, err := d.context()
	if err != nil {
		return nil, device.Err("connect to", d.where(), engine.Reopen, err)
	}
	s := &stream{ctx: ctx, delay: req.CaptureFrames + req.OutputFrames}

	kind, captureID := malgo.Capture, req.CaptureID
	if d.backend == malgo.Backend(malgo.BackendWasapi) && len(captureID) > len(loopbackPrefix) && captureID[:len(loopbackPrefix)] == loopbackPrefix {
		kind, captureID = malgo.Loopback, captureID[len(loopbackPrefix):]
	}
	capture := req.Capture
	s.capture, err = d.device(ctx, kind, captureID, req.RateHz, req.CaptureFrames, func(_, in []byte, frames uint32) {
		if frames > 0 && len(in) > 0 {
			capture(unsafe.Slice((*float32)(unsafe.Pointer(&in[0])), 2*int(frames)))
		}
	})
	if err != nil {
		s.Close()
		return nil, device.Err("open capture", req.CaptureID, engine.Reopen, err)
	}
	playback := req.Playback
	s.playback, err = d.device(ctx, malgo.Playback, req.OutputID, req.RateHz, req.OutputFrames, func(out, _ []byte, frames uint32) {
		if frames > 0 && len(out) > 0 {
			playback(unsafe.Slice((*float32)(unsafe.Pointer(&out[0])), 2*int(frames)))
		}
	})
	if err != nil {
		s.Close()
		return nil, device.Err("open output", req.OutputID, engine.Reopen, err)
	}
	if err := s.capture.Start(); err != nil {
		s.Close()
		return nil, device.Err("start capture", req.CaptureID, engine.Reopen, err)
	}
	if err := s.playback.Start(); err != nil {
		s.Close()
		return nil, device.Err("start output", req.OutputID, engine.Reopen, err)
	}
	return s, nil
}

func (d *Driver) where() string {
	if d.server != "" {
		return d.server
	}
	return d.name
}

func (d *Driver) device(ctx *malgo.AllocatedContext, kind malgo.DeviceType, name string, rateHz, frames int, data malgo.DataProc) (*malgo.Device, error) {
	id, err := d.id(ctx, kind, name)
	if err != nil {
		return nil, err
	}
	var pin runtime.Pinner
	defer pin.Unpin()
	cfg := malgo.DefaultDeviceConfig(kind)
	cfg.SampleRate = uint32(rateHz)
	cfg.PeriodSizeInFrames = uint32(frames)
	cfg.NoFixedSizedCallback = 1
	cfg.NoClip = 1 // the guard limits; float samples above full scale are not the device layer's to cut
	sub := malgo.SubConfig{Format: malgo.FormatF32, Channels: 2}
	if id != nil {
		pin.Pin(id) // copied by the device layer while it initialises
		sub.DeviceID = unsafe.Pointer(id)
	}
	if kind == malgo.Playback {
		cfg.Playback = sub
		cfg.Pulse.StreamNamePlayback = "corrected sound"
	} else {
		cfg.Capture = sub
		cfg.Pulse.StreamNameCapture = "sound to correct"
	}
	return malgo.InitDevice(ctx.Context, cfg, malgo.DeviceCallbacks{Data: data})
}

type stream struct {
	ctx               *malgo.AllocatedContext
	capture, playback *malgo.Device
	delay             int

	once sync.Once
	err  error
}

func (s *stream) DelayFrames() int { return s.delay }

// Close stops and frees the devices: Stop before Uninit, because Uninit alone hangs on a dead server. What does not end
// in time is leaked.
func (s *stream) Close() error {
	s.once.Do(func() {
		done := make(chan struct{})
		go func() {
			defer close(done)
			var wg sync.WaitGroup
			for _, dev := range []*malgo.Device{s.playback, s.capture} {
				if dev != nil {
					wg.Add(1)
					go func() {
						defer wg.Done()
						dev.Stop()
						dev.Uninit()
					}()
				}
			}
			wg.Wait()
			s.ctx.Uninit()
			s.ctx.Free()
		}()
		select {
		case <-done:
		case <-time.After(closeTimeout):
			s.err = device.Err("close", "streams", engine.Reopen, errors.New("the sound system does not answer; the streams are left behind"))
		}
	})
	return s.err
}
