package pulse

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net"
	"net/url"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/jfreymuth/pulse/proto"

	"cushwright/engine"
	"cushwright/platform/device"
)

// router implements engine.Router. mu guards everything below it; the event loop of the connection and the callers of
// Take and Release hold it in turn. Events only set a bit and wake the loop, which then reads how things stand: what is
// true now counts, not what was reported.
type router struct {
	opts   Options
	events outbox
	gain   atomic.Uint32 // bits of the float32 of InputGain

	mu       sync.Mutex
	p        *Conn
	pipewire bool           // it was PipeWire when it was last connected to
	wake     chan struct{}  // cap 1; the loop of p reads it
	dirty    *atomic.Uint32 // bits of dirtyX, of the loop of p
	module   uint32         // of our sink; proto.Undefined if there is none
	taken    bool
	real     string // sink name of the real output
	previous string // sink that was default before us
	away     string // the real output that was lost while none was named; "" if none was
	rateHz   int    // of the real output
	channels int    // of the real output
	told     map[engine.RouteEventKind]string
	lost     time.Time // since when another sink is default; zero if ours is
	made     time.Time // when our sink was made
	mirror   mirror
}

const (
	dirtySinks  = 1 << iota // a sink came, went or changed
	dirtyServer             // perhaps another default
	dirtyInputs             // a stream came, went or moved
	dirtyTimer              // time for the mirror to look again
)

// choice is how long another default must last to be somebody's choice.
const choice = 60 * time.Millisecond

// NewRouter returns the router for the sound server. It connects at the first Take.
func NewRouter(opts Options) engine.Router {
	opts = opts.filled()
	r := &router{opts: opts, module: proto.Undefined, events: outbox{out: make(chan engine.RouteEvent, 8)}}
	r.mirror.router = r
	r.setGain(1)
	return r
}

func (r *router) Events() <-chan engine.RouteEvent { return r.events.out }

// Take makes or repairs the route.
func (r *router) Take(ctx context.Context, output string) (engine.Route, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.p == nil || !r.p.Alive() {
		if err := r.connect(ctx); err != nil {
			return engine.Route{}, noServer(r.opts.Server, err)
		}
	}
	route, err := r.take(ctx, output)
	if err != nil {
		var e *engine.Error
		if !errors.As(err, &e) {
			err = device.Err("route", "system sound", engine.Reopen, err)
		}
		return engine.Route{}, err
	}
	return route, nil
}

// startingTime is how long a PipeWire that was started again is not spoken to. Its session manager (WirePlumber 0.4.13) can stay shut for
// ever where clients come before it: by trial one of seventeen starts with a client that tried all the time, none of forty without. A busy machine
// starts it more slowly; the restart is still over well within the 2 s that are allowed.
const startingTime = 700 * time.Millisecond

func (r *router) connect(ctx context.Context) error {
	wake, dirty := make(chan struct{}, 1), new(atomic.Uint32)
	event := func(m any) {
		e, ok := m.(*proto.SubscribeEvent)
		if !ok {
			return
		}
		switch e.Event.GetFacility() {
		case proto.EventSink:
			mark(wake, dirty, dirtySinks)
		case proto.EventServer:
			mark(wake, dirty, dirtyServer)
		case proto.EventSinkSinkInput:
			mark(wake, dirty, dirtyInputs)
		}
	}
	p, err := dialEach(r.opts.Server, func(conn net.Conn) (*Conn, error) {
		if r.pipewire {
			select {
			case <-time.After(startingTime):
			case <-ctx.Done():
				return nil, ctx.Err()
			}
		}
		return handshake(conn, event)
	})
	if err != nil {
		return err
	}
	mask := proto.SubscriptionMaskSink | proto.SubscriptionMaskServer | proto.SubscriptionMaskSinkInput
	if err := p.c.Request(&proto.Subscribe{Mask: mask}, nil); err != nil {
		p.Close()
		return err
	}
	r.pipewire = p.pipewire
	r.p, r.wake, r.dirty, r.module = p, wake, dirty, proto.Undefined
	go r.loop(p, wake, dirty)
	return nil
}

func mark(wake chan struct{}, dirty *atomic.Uint32, bit uint32) {
	dirty.Or(bit)
	select {
	case wake <- struct{}{}:
	default:
	}
}

func (r *router) take(ctx context.Context, output string) (engine.Route, error) {
	none := engine.Route{}
	p := r.p
	if done, err := p.sweep(ctx, r.opts, r.module); err != nil {
		return none, err
	} else if len(done) > 0 {
		r.opts.log("what a dead engine left: %s", strings.Join(done, "; "))
	}
	all, err := p.virtual()
	if err != nil {
		return none, err
	}
	for _, l := range all {
		if l.owner != os.Getpid() {
			return none, device.Err("route", "system sound", engine.GiveUp, fmt.Errorf("the engine of process %d holds the route", l.owner))
		}
	}
	sinks, err := p.sinks()
	if err != nil {
		return none, err
	}
	info, err := p.info()
	if err != nil {
		return none, err
	}
	mine := sinkOfModule(sinks, r.module)
	if mine == nil {
		r.module = proto.Undefined
	}
	isOurs := func(s *proto.GetSinkInfoReply) bool {
		for _, l := range all {
			if s.ModuleIndex == l.module {
				return true
			}
		}
		return s.SinkName == device.VirtualSink
	}

	// The output that was default before us: the default, unless that is our own sink or only stands in for it while
	// the route is being repaired.
	previous := sinkNamed(sinks, info.DefaultSinkName)
	if previous != nil && isOurs(previous) {
		previous = nil
	}
	held := r.taken && mine != nil && output != "" && output == r.real
	if previous == nil || r.taken && mine == nil || held {
		if s := sinkNamed(sinks, r.previous); s != nil && !isOurs(s) {
			previous = s
		}
	}
	if previous == nil {
		for _, s := range sinks {
			if !isOurs(s) {
				previous = s
				break
			}
		}
	}
	var real *proto.GetSinkInfoReply
	switch {
	case output != "":
		name := strings.TrimSuffix(output, ".monitor")
		real = sinkNamed(sinks, name)
		if name == device.VirtualSink || real != nil && isOurs(real) {
			return none, device.Err("use output", output, engine.GiveUp, errors.New("it is the virtual sink that the system's sound goes to: the corrected sound would feed back into its own capture; name a real output"))
		}
		if name != output && real != nil {
			return none, device.Err("use output", output, engine.GiveUp, fmt.Errorf("it is a monitor, which captures; the output is %q", name))
		}
		if real == nil {
			return none, device.Err("use output", output, engine.Reopen, fmt.Errorf("%w; there are %s", engine.ErrNoOutput, sinkList(sinks, isOurs)))
		}
		if previous == nil {
			previous = real
		}
		r.away = ""
	default:
		if r.real != "" && sinkNamed(sinks, r.real) == nil {
			r.away = r.real
		}
		if s := sinkNamed(sinks, r.away); s != nil && !isOurs(s) {
			previous = s // back again, or never noticed to be away
			r.away = ""
		}
		real = previous
	}
	if real == nil || real.SinkName == "auto_null" { // PulseAudio's stand-in where there is no output; it goes when ours comes
		return none, device.Err("use output", "default", engine.Reopen, errors.New("there is no output"))
	}

	rate, channels := streamRate(int(real.Rate)), int(real.SampleSpec.Channels)
	if mine != nil && (r.previous != previous.SinkName || int(mine.Rate) != rate) {
		// The arguments of a module stand: what they record can only change with a new one.
		if err := p.c.Request(&proto.UnloadModule{ModuleIndex: r.module}, nil); err != nil && !errors.Is(err, proto.ErrNoSuchEntity) {
			return none, err
		}
		r.module, mine = proto.Undefined, nil
	}
	r.taken = false // until all is done, the loop keeps quiet
	if mine == nil {
		if mine, err = r.load(ctx, previous.SinkName, rate); err != nil {
			return none, err
		}
		r.made = time.Now()
	}
	r.real, r.previous, r.rateHz, r.channels = real.SinkName, previous.SinkName, int(real.Rate), channels
	// Volume before sound: the streams must not be heard at any other.
	if err := r.mirror.start(mine, real); err != nil {
		return none, err
	}
	if err := p.setDefault(ctx, mine.SinkName); err != nil {
		return none, fmt.Errorf("make %q default: %w", mine.SinkName, err)
	}
	from := func(s uint32) bool { return s == previous.SinkIndex || s == real.SinkIndex }
	if _, err := p.moveStreams(from, mine.SinkIndex); err != nil {
		return none, err
	}
	r.events.clear()
	r.taken, r.told, r.lost = true, map[engine.RouteEventKind]string{}, time.Time{}
	mark(r.wake, r.dirty, dirtySinks|dirtyServer|dirtyInputs) // what happened meanwhile
	name := real.Device
	if d := prop(real.Properties, "device.description"); d != "" {
		name = d
	}
	mix := 0.0
	if p.pipewire && channels == 1 { // seen: it weighs left and right by √½ each
		mix = 10 * math.Log10(2)
	}
	return engine.Route{MixDB: mix, CaptureID: mine.MonitorSourceName, OutputID: real.SinkName, OutputName: device.Readable(name), RateHz: rate, Channels: channels}, nil
}

// streamRate is the rate of our streams for an output of that rate: the same, where the engine has it. A telephone profile of 8 or
// 16 kHz is the server's to resample for.
func streamRate(outputHz int) int {
	if outputHz < 44100 || outputHz > 192000 {
		return 48000
	}
	return outputHz
}

func sinkList(sinks proto.GetSinkInfoListReply, isOurs func(*proto.GetSinkInfoReply) bool) string {
	var names []string
	for _, s := range sinks {
		if !isOurs(s) {
			names = append(names, device.Readable(s.SinkName))
		}
	}
	if len(names) == 0 {
		return "none"
	}
	return strings.Join(names, ", ")
}

// load makes the virtual sink. Floating point and no rewinding: the first sound then comes within 0.1 s. On PipeWire its
// volume is kept out of its monitor; PulseAudio has no such choice, there InputGain undoes it.
func (r *router) load(ctx context.Context, previous string, rateHz int) (*proto.GetSinkInfoReply, error) {
	args := fmt.Sprintf("sink_name=%s format=float32le norewinds=1 rate=%d channels=2 channel_map=front-left,front-right "+
		"sink_properties=\"device.description='Corrected sound' device.icon_name=audio-headphones monitor.channel-volumes=false %s=%d %s=%s\"",
		device.VirtualSink, rateHz, ownerProp, os.Getpid(), previousProp, url.QueryEscape(previous))
	var loaded proto.LoadModuleReply
	if err := r.p.c.Request(&proto.LoadModule{Name: "module-null-sink", Args: args}, &loaded); err != nil {
		return nil, fmt.Errorf("make the virtual sink: %w", err)
	}
	r.module = loaded.ModuleIndex
	var mine *proto.GetSinkInfoReply
	ctx, cancel := context.WithTimeout(ctx, requestTimeout)
	defer cancel()
	err := wait(ctx, func() (bool, error) {
		sinks, err := r.p.sinks()
		mine = sinkOfModule(sinks, r.module)
		return mine != nil, err
	})
	if err != nil {
		r.p.c.Request(&proto.UnloadModule{ModuleIndex: r.module}, nil)
		r.module = proto.Undefined
		return nil, fmt.Errorf("wait for the virtual sink: %w", err)
	}
	return mine, nil
}

// Release undoes the route and ends the connection.
func (r *router) Release(ctx context.Context) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	p := r.p
	r.p = nil
	if p == nil {
		return nil
	}
	defer p.Close()
	if !p.Alive() {
		r.taken, r.module = false, proto.Undefined
		return nil // nothing of ours outlives the server
	}
	if r.taken {
		r.mirror.flush(p)
	}
	r.taken, r.module = false, proto.Undefined
	if _, err := p.undo(ctx, func(l left) bool { return l.owner == os.Getpid() }); err != nil {
		return device.Err("release", "sound routing", engine.Retry, err)
	}
	r.setGain(1)
	return nil
}

// loop answers the events of one connection until it ends.
func (r *router) loop(p *Conn, wake chan struct{}, dirty *atomic.Uint32) {
	for {
		select {
		case <-p.gone:
			r.mu.Lock()
			if r.p == p && r.taken {
				r.emit(engine.ServerGone, r.opts.Server)
			}
			r.mu.Unlock()
			return
		case <-wake:
		}
		r.mu.Lock()
		if d := dirty.Swap(0); r.p == p && r.taken {
			r.look(d)
		}
		r.mu.Unlock()
	}
}

// look compares how things stand with the route. Errors need no word: a dead connection has its own event.
func (r *router) look(dirty uint32) {
	sinks, err := r.p.sinks()
	if err != nil {
		return
	}
	mine, real := sinkOfModule(sinks, r.module), sinkNamed(sinks, r.real)
	if mine == nil {
		r.emit(engine.SinkGone, device.VirtualSink)
	}
	if real == nil {
		r.emit(engine.OutputGone, r.real)
	} else if r.away != "" && sinkNamed(sinks, r.away) != nil {
		r.emit(engine.OutputBack, r.away)
	} else if int(real.Rate) != r.rateHz || int(real.SampleSpec.Channels) != r.channels {
		r.emit(engine.OutputChanged, fmt.Sprintf("%s: %d Hz, %d channels", r.real, real.Rate, real.SampleSpec.Channels))
	}
	if mine == nil || real == nil {
		return
	}
	r.mirror.look(mine, real)
	if info, err := r.p.info(); err == nil && dirty&(dirtyServer|dirtyTimer) != 0 {
		// A sink that is being removed first loses its place as default: only what lasts is somebody's choice.
		switch s := sinkNamed(sinks, info.DefaultSinkName); {
		case s == nil || s.SinkName == mine.SinkName:
			r.lost = time.Time{}
		case r.lost.IsZero():
			r.lost = time.Now()
			r.retry(choice)
		default:
			lasts := choice
			if time.Since(r.made) < 2*time.Second {
				lasts = 4 * choice // a server that is behind may still be at what it thought of before our sink came
			}
			if since := time.Since(r.lost); since < lasts {
				r.retry(lasts - since)
			} else {
				r.emit(engine.DefaultChanged, s.SinkName)
			}
		}
	}
	if dirty&dirtyInputs != 0 {
		// Our own playback on our own sink would be a howling loop.
		if in, err := r.p.inputs(); err == nil {
			for _, s := range in {
				if s.SinkIndex == mine.SinkIndex && ourStream(s) {
					r.opts.log("our own stream was moved to our own sink: moved back to %s", r.real)
					r.p.c.Request(&proto.MoveSinkInput{SinkInputIndex: s.SinkInputIndex, DeviceIndex: real.SinkIndex}, nil)
				}
			}
		}
	}
}

// emit reports a change once, until the next Take.
func (r *router) emit(kind engine.RouteEventKind, detail string) {
	if d, ok := r.told[kind]; ok && d == detail {
		return
	}
	r.told[kind] = detail
	r.events.put(engine.RouteEvent{Kind: kind, Detail: detail})
}

// outbox hands events to a reader that may be slow: of each kind the newest waits.
type outbox struct {
	out chan engine.RouteEvent

	mu      sync.Mutex
	pending []engine.RouteEvent
	waiting bool // a timer will try again
}

const outboxAgain = 5 * time.Millisecond

func (o *outbox) put(e engine.RouteEvent) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for i := range o.pending {
		if o.pending[i].Kind == e.Kind {
			o.pending[i] = e
			return
		}
	}
	o.pending = append(o.pending, e)
	o.flush()
}

// flush hands over what the reader has room for; mu is held.
func (o *outbox) flush() {
	for len(o.pending) > 0 {
		select {
		case o.out <- o.pending[0]:
			o.pending = o.pending[1:]
			continue
		default:
		}
		if !o.waiting {
			o.waiting = true
			time.AfterFunc(outboxAgain, func() {
				o.mu.Lock()
				defer o.mu.Unlock()
				o.waiting = false
				o.flush()
			})
		}
		return
	}
}

// clear takes back what the reader has not had yet: the route is repaired, and what was reported before is news no more.
func (o *outbox) clear() {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.pending = nil
	for {
		select {
		case <-o.out:
		default:
			return
		}
	}
}

// retry has the loop look again after d.
func (r *router) retry(d time.Duration) {
	wake, dirty := r.wake, r.dirty
	time.AfterFunc(d, func() { mark(wake, dirty, dirtyTimer) })
}
