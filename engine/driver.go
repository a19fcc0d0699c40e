package engine

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// Reaction tells the supervisor what to do about a device error.
type Reaction uint8

// The reactions to a device error.
const (
	Reopen Reaction = iota // close the streams and open them again, with back-off
	Retry                  // the same call may succeed soon: it is made again, a few times, and then it is as Reopen
	GiveUp                 // nothing that time mends: the session fails
)

// Error is a device or routing error. It reads `engine: action "object": cause`.
type Error struct {
	Action, Object string
	Reaction       Reaction
	Err            error
}

func (e *Error) Error() string { return fmt.Sprintf("engine: %s %q: %v", e.Action, e.Object, e.Err) }

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Err }

// Device is one capture or playback device.
type Device struct {
	ID       string `json:"id"`   // what settings.toml names
	Name     string `json:"name"` // what a person reads
	Capture  bool   `json:"capture"`
	Playback bool   `json:"playback"`
	Monitor  bool   `json:"monitor"` // captures what an output plays
	Default  bool   `json:"default"`
	RateHz   int    `json:"rate_hz"` // 0 where unknown
	Channels int    `json:"channels"`
}

// Request is what the supervisor asks of a Driver. Both callbacks carry interleaved stereo float32 frames. Capture
// runs on the driver's capture thread, Playback on its playback thread; neither allocates, locks or waits.
type Request struct {
	CaptureID, OutputID         string // device IDs as Devices lists them
	RateHz                      int
	CaptureFrames, OutputFrames int // frames per period
	Capture                     func(in []float32)
	Playback                    func(out []float32) // fills all of out

	// Outlet is for a driver whose output has a buffer of its own, from which it can wait. Others leave it alone.
	Outlet Outlet

	// All three may be nil, and a driver that cannot tell calls none. They are called on a thread of the driver's,
	// and wait no more than the others do. Underflow says that the server ran out of what Playback gave it, a gap was
	// heard. Gap, which is called on the playback thread, says that what Playback gives next is heard straight after
	// a gap.
	Underflow func()
	Gap       func()
	Lost      func(error) // the streams ended by themselves: no callback will come again; at most once
}

// Outlet counts what the output has asked for and not been given, in frames. It is the only such count: what Playback
// gives is taken off by itself. A Request begins with nothing owed. All is for the playback thread.
type Outlet interface {
	// Ask says that the device asks for so many frames more.
	Ask(frames int)
	// Owed is what it has asked for and Playback has not given.
	Owed() int
	// Due is how many of the owed frames there is sound for. A driver need not call Playback for more before its
	// buffer runs low. The first Due after an Ask is the moment at which the fill is read: it comes when the device
	// wants more.
	Due() int
}

// Plan is how a driver buffers for a Delay, in frames.
type Plan struct {
	CaptureFrames int

	// KeepFrames stay in the ring after a playback callback: what a capture callback may be late. Negative: they stay
	// owed to an output that has a buffer of its own.
	KeepFrames int

	OutputFrames []int // from the least to the most; one value does not change

	// InStep says that each playback callback follows a capture callback of the same frames: a larger buffer takes
	// nothing from the ring.
	InStep bool
}

// Planner is a Driver whose buffers follow the wish. A Driver that is none has the same Plan for every Delay, with two
// capture periods in the ring.
type Planner interface {
	Plan(d Delay, rateHz int) Plan
}

// Clocked is a Driver whose devices run on a clock of their own, such as a simulated one. Now is its time in
// nanoseconds; it never goes back and is safe on the audio threads. All others are timed by the system's monotonic
// clock.
type Clocked interface {
	Now() int64
}

// Resizer is a Stream whose output buffer changes while it runs. Resize returns the frames in force. The supervisor
// makes no other call of the stream meanwhile.
type Resizer interface {
	Resize(outputFrames int) (int, error)
}

// Driver opens the pair of streams of a session.
type Driver interface {
	// Name of the driver, for status.
	Name() string
	// Devices lists what can be named in a Request.
	Devices() ([]Device, error)
	// Open opens both streams and starts them. The error is an *Error. One to Retry comes before any callback and any
	// Ask: the same Request is opened again.
	Open(Request) (Stream, error)
}

// Stream is an open pair of capture and playback.
type Stream interface {
	// Close stops both streams. It returns within about a second even if the server is gone.
	Close() error
	// DelayFrames is the delay that the devices' buffers add, capture and playback together, as far as the driver
	// knows it; 0 where unknown.
	DelayFrames() int
}

// Route is the sound routing in force: system sound goes to a virtual sink of ours, whose monitor is captured.
type Route struct {
	CaptureID, OutputID string // for the Request
	OutputName          string
	RateHz              int // the output's rate, also the virtual sink's
	Channels            int // the output's

	// MixDB is what the server adds to what both ears share when it mixes them for the output. The guard's ceiling allows
	// for it.
	MixDB float64
}

// RouteEvent is a change in the sound system that concerns the route.
type RouteEvent struct {
	Kind   RouteEventKind
	Detail string
}

// RouteEventKind is the kind of a RouteEvent.
type RouteEventKind uint8

// What can happen to a route.
const (
	ServerGone     RouteEventKind = iota + 1 // the connection to the sound server ended
	OutputGone                               // the real output was removed
	OutputChanged                            // its rate or channel count changed
	SinkGone                                 // somebody removed our virtual sink
	DefaultChanged                           // another output was made default; Detail is its ID
	OutputBack                               // an output that was lost, and that nobody left, is there again; Detail is its ID
)

// Router makes and undoes the routing. On systems without one (nil Router) both devices are named in the settings.
type Router interface {
	// Take makes the virtual sink, makes it the default and moves the streams that play. output names the real
	// output, "" for the one that is default now, or was until it was lost. Calling Take again after a RouteEvent or
	// an error repairs the route; naming the output of the route in force holds it against another default. The error
	// is an *Error; an output that would feed back into our own capture is GiveUp.
	Take(ctx context.Context, output string) (Route, error)
	// Release puts the former default back, moves the streams to it and removes the virtual sink. Safe to call
	// twice, and without Take.
	Release(ctx context.Context) error
	// Events reports changes; it is never closed. A slow reader loses repeats, not kinds.
	Events() <-chan RouteEvent
	// InputGain is the factor that undoes the virtual sink's own volume in the captured signal, at this moment
	// (1 where the sink does not apply its volume to its monitor). The real output follows the virtual sink's volume
	// and mute, so that volume keys work and nothing jumps when the engine dies. Safe for any goroutine, no locks.
	InputGain() float32
}

// OutputFinder is a Router that can say whether an output can be used without touching the route.
type OutputFinder interface {
	// FindOutput returns nil if the output is there and Take could use it; else the error that Take would return. It
	// may be called from any goroutine.
	FindOutput(ctx context.Context, output string) error
}

// ErrNoOutput is wrapped by what Take returns where the output it was asked for is not there.
var ErrNoOutput = errors.New("no such output")

// ErrNoServer is wrapped by what a Router or Driver returns where no sound server answers.
var ErrNoServer = errors.New("no sound server answers")

// Stalled is how long no callback may come before the supervisor reopens the streams.
const Stalled = 500 * time.Millisecond
