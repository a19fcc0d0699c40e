//go:build cgo

package graph

// #cgo LDFLAGS: -ldl -lpthread
// #include <stdlib.h>
// #include "pipewire_linux.h"
import "C"

import (
	"errors"
	"fmt"
	"os"
	"runtime/cgo"
	"strings"
	"sync"
	"sync/atomic"
	"time"
	"unsafe"

	"cushwright/engine"
	"cushwright/platform/device"
	"cushwright/platform/pulse"
	"cushwright/platform/thread"
)

// Driver takes part in PipeWire's graph. The stand-in does all but the streams.
type Driver struct {
	*pulse.Driver // takes over where the streams never run
	server        string
	proven        atomic.Bool // a stream has run
	gaveUp        bool        // the stand-in has taken over; of the supervisor
	waiting       bool        // the stream opened last has not run yet; of the supervisor
}

// New returns the driver with its stand-in, or the stand-in alone where the library is missing. server is the address
// of the server's own protocol.
func New(standIn *pulse.Driver, server string) engine.Driver {
	if Missing() != "" {
		return standIn
	}
	return &Driver{Driver: standIn, server: server}
}

// Missing says why the library cannot be used; "" if it can.
func Missing() string { return C.GoString(C.cw_pw_missing()) }

// Plan gives a cycle for each delay; the graph rounds it down to a power of two. Both callbacks belong to the same
// cycle. Where the capture's comes first, the ring has to hold no more than what the resampler takes now and then in
// advance, and CaptureFrames is how far the two may be apart.
func (d *Driver) Plan(delay engine.Delay, rateHz int) engine.Plan {
	if d.gaveUp {
		return d.Driver.Plan(delay, rateHz)
	}
	ms := func(x float64) int { return int(x * 1e-3 * float64(rateHz)) }
	switch inStep := C.cw_pw_in_step() != 0; {
	case inStep && delay == engine.DelayLow:
		return engine.Plan{CaptureFrames: ms(0.5), KeepFrames: ms(0.25), OutputFrames: []int{ms(3)}, InStep: true}
	case inStep && delay != engine.DelaySafe:
		return engine.Plan{CaptureFrames: ms(0.5), KeepFrames: ms(0.25), OutputFrames: []int{ms(6), ms(11), ms(22)}, InStep: true}
	case delay == engine.DelayLow:
		return engine.Plan{CaptureFrames: ms(3), KeepFrames: ms(0.5), OutputFrames: []int{ms(3)}}
	case delay == engine.DelaySafe:
		return engine.Plan{CaptureFrames: ms(22), KeepFrames: ms(22), OutputFrames: []int{ms(22)}}
	}
	return engine.Plan{CaptureFrames: ms(6), KeepFrames: ms(1), OutputFrames: []int{ms(6), ms(11), ms(22)}}
}

// closeTimeout bounds Close: tearing down against a dead server may wait for ever, and then leaking the streams is the
// lesser harm.
const closeTimeout = 900 * time.Millisecond

// stream is what the callbacks need; they come on the graph's data thread, one after the other. What the supervisor and
// the thread both touch is atomic or never changes.
type stream struct {
	p      *C.struct_cw_pw
	handle cgo.Handle
	req    engine.Request
	proven *atomic.Bool // of the driver
	start  time.Time
	ending ending // of the supervisor
	turn   turn   // of the data thread

	frames  atomic.Int64 // of the last cycle
	closing atomic.Bool
}

// ending is how Close went.
type ending struct {
	once sync.Once
	err  error
}

// turn is what the data thread remembers from one cycle to the next.
type turn struct {
	urgent bool          // it has asked for its priority
	last   time.Duration // since start: when the last cycle was
}

// Open opens both streams; they start when the graph has linked them.
func (d *Driver) Open(req engine.Request) (engine.Stream, error) {
	if d.waiting && !d.proven.Load() {
		d.gaveUp = true
	}
	if d.gaveUp {
		return d.Driver.Open(req)
	}
	// The graph itself would wait for a device in silence.
	if err := pulse.Exist(d.server, req.CaptureID, req.OutputID); err != nil {
		return nil, err
	}
	d.waiting = true
	s := &stream{req: req, proven: &d.proven, start: time.Now()}
	s.frames.Store(int64(req.OutputFrames))
	s.handle = cgo.NewHandle(s)
	in, monitor := strings.CutSuffix(req.CaptureID, ".monitor")
	q := C.struct_cw_pw_request{app: C.CString(device.AppName), in: C.CString(in), out: C.CString(req.OutputID), pid: C.int(os.Getpid()),
		rate: C.uint32_t(req.RateHz), frames: C.uint32_t(req.OutputFrames), handle: C.uintptr_t(s.handle)}
	if monitor {
		q.monitor = 1
	}
	defer func() {
		for _, t := range []*C.char{q.app, q.in, q.out} {
			C.free(unsafe.Pointer(t))
		}
	}()
	var failed *C.char
	if s.p = C.cw_pw_open(&q, &failed); s.p == nil {
		s.handle.Delete()
		return nil, device.Err("open", "PipeWire "+C.GoString(failed), engine.Reopen, errors.New("refused"))
	}
	return s, nil
}

// DelayFrames is one cycle: what the output's device takes at once, and what waits for the next cycle where the
// capture's turn comes last.
func (s *stream) DelayFrames() int { return int(s.frames.Load()) }

// Resize wishes for cycles of another length; the graph takes the shortest that any of its streams wishes for.
func (s *stream) Resize(outputFrames int) (int, error) {
	if n := C.cw_pw_cycle(s.p, C.uint32_t(outputFrames), C.uint32_t(s.req.RateHz)); n < 0 {
		return 0, device.Err("change the cycle of", "PipeWire streams", engine.Reopen, fmt.Errorf("error %d", -n))
	}
	return outputFrames, nil
}

// Close ends the streams and their threads. What does not end in time is leaked.
func (s *stream) Close() error {
	s.ending.once.Do(func() {
		s.closing.Store(true)
		done := make(chan struct{})
		go func() {
			defer close(done)
			C.cw_pw_close(s.p)
			s.handle.Delete()
		}()
		select {
		case <-done:
		case <-time.After(closeTimeout):
			s.ending.err = device.Err("close", "PipeWire streams", engine.Reopen,
				errors.New("the sound system does not answer; the streams are left behind"))
		}
	})
	return s.ending.err
}

//export cwPipewireCapture
func cwPipewireCapture(handle C.uintptr_t, in *C.float, frames C.uint32_t) {
	s := cgo.Handle(handle).Value().(*stream)
	s.req.Capture(unsafe.Slice((*float32)(unsafe.Pointer(in)), 2*int(frames)))
}

//export cwPipewirePlayback
func cwPipewirePlayback(handle C.uintptr_t, out *C.float, frames C.uint32_t, missed C.int) {
	s := cgo.Handle(handle).Value().(*stream)
	if !s.proven.Load() {
		s.proven.Store(true)
	}
	if !s.turn.urgent {
		s.turn.urgent = true
		if C.cw_pw_realtime() == 0 { // a priority that the library got is the server's own, and the better one
			thread.Urgent()
		}
	}
	now := time.Since(s.start)
	cycle := time.Duration(float64(max(int64(frames), s.frames.Swap(int64(frames)))) / float64(s.req.RateHz) * float64(time.Second))
	late := missed < 0 && s.turn.last != 0 && now-s.turn.last > 2*cycle+time.Millisecond // where the graph does not say
	if late || missed > 0 {
		if s.req.Underflow != nil {
			s.req.Underflow()
		}
		if s.req.Gap != nil {
			s.req.Gap()
		}
	}
	s.turn.last = now
	s.req.Playback(unsafe.Slice((*float32)(unsafe.Pointer(out)), 2*int(frames)))
}

//export cwPipewireLost
func cwPipewireLost(handle C.uintptr_t, why *C.char) {
	s := cgo.Handle(handle).Value().(*stream)
	if !s.closing.Load() && s.req.Lost != nil {
		s.req.Lost(errors.New(C.GoString(why)))
	}
}
