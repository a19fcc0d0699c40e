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

// router implements engine.Router. Events only set a bit and wake the loop, which then reads how things stand: what is
// true now counts, not what was reported.
type router struct {
	opts    Options
	events  outbox
	gain    atomic.Uint32 // bits of the float32 of InputGain
	mu      sync.Mutex    // the loop of the connection and the callers of Take and Release hold it in turn
	guarded               // under mu
}

// guarded is what the holder of the router's mutex owns.
type guarded struct {
	memory
	p        *Conn
	pipewire bool           // it was PipeWire when it was last connected to
	wake     chan struct{}  // cap 1; the loop of p reads it
	dirty    *atomic.Uint32 // bits of dirtyX, of the loop of p
	reported map[engine.RouteEventKind]string
	mirror   mirror
}

const (
	dirtySinks  = 1 << iota // a sink came, went or changed
	dirtyServer             // perhaps another default
	dirtyInputs             // a stream came, went or moved
	dirtyTimer              // time for the mirror to look again
)

// NewRouter returns the router for the sound server. It connects at the first Take.
func NewRouter(opts Options) engine.Router {
	opts = opts.filled()
	r := &router{opts: opts, events: outbox{out: make(chan engine.RouteEvent, 8)}}
	r.module = proto.Undefined
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

// FindOutput implements engine.OutputFinder, over a connection of its own.
func (r *router) FindOutput(_ context.Context, output string) error {
	p, err := r.opts.server()
	if err != nil {
		return err
	}
	defer p.Close()
	w, err := p.world()
	if err != nil {
		return device.Err("use output", output, engine.Reopen, err)
	}
	return w.named(output)
}

// startingTime is how long a PipeWire that was started again is not spoken to. Its session manager (WirePlumber 0.4.13)
// can stay shut for ever where clients come before it: by trial one of seventeen starts with a client that tried all
// the time, none of forty without. A busy machine starts it more slowly; the restart is still over well within the 2 s
// that are allowed.
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
	r.apart = nil // another server's, or one that has started again: its streams have other numbers
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
	w, err := p.world()
	if err != nil {
		return none, err
	}
	d, err := decide(w, r.memory, output)
	r.away = d.away
	if sinkOfModule(w.sinks, r.module) == nil {
		r.module = proto.Undefined
	}
	if err != nil {
		return none, err
	}
	mine, err := r.establish(ctx, d)
	if err != nil {
		return none, err
	}
	r.events.clear()
	r.taken, r.reported, r.lost = true, map[engine.RouteEventKind]string{}, time.Time{}
	mark(r.wake, r.dirty, dirtySinks|dirtyServer|dirtyInputs) // what happened meanwhile
	name := d.real.Device
	if text := prop(d.real.Properties, "device.description"); text != "" {
		name = text
	}
	mix := 0.0
	if p.pipewire && r.channels == 1 { // seen: it weighs left and right by √½ each
		mix = 10 * math.Log10(2)
	}
	return engine.Route{MixDB: mix, CaptureID: mine.MonitorSourceName, OutputID: d.real.SinkName,
		OutputName: device.Readable(name),
		RateHz:     d.rateHz, Channels: r.channels}, nil
}

// establish does what was decided and returns our sink.
func (r *router) establish(ctx context.Context, d decision) (mine *proto.GetSinkInfoReply, err error) {
	p := r.p
	if d.remove {
		err := p.c.Request(&proto.UnloadModule{ModuleIndex: r.module}, nil)
		if err != nil && !errors.Is(err, proto.ErrNoSuchEntity) {
			return nil, err
		}
		r.module = proto.Undefined
	}
	r.taken = false // until all is done, the loop keeps quiet
	if mine = d.mine; mine == nil {
		if mine, err = r.load(ctx, d.previous.SinkName, d.rateHz); err != nil {
			return nil, err
		}
		r.made = time.Now()
	}
	r.real, r.previous = d.real.SinkName, d.previous.SinkName
	r.rateHz, r.channels = int(d.real.Rate), int(d.real.SampleSpec.Channels)
	// Volume before sound: the streams must not be heard at any other.
	if err := r.mirror.start(mine, d.real); err != nil {
		return nil, err
	}
	if err := p.setDefault(ctx, mine.SinkName); err != nil {
		return nil, fmt.Errorf("make %q default: %w", mine.SinkName, err)
	}
	from := func(s uint32) bool { return s == d.previous.SinkIndex || s == d.real.SinkIndex }
	now := time.Now()
	_, err = p.moveStreams(from, mine.SinkIndex, func(stream uint32) bool { return r.stays(stream, now) })
	return mine, err
}

// load makes the virtual sink. Floating point and no rewinding: the first sound then comes within 0.1 s. On PipeWire
// its volume is kept out of its monitor; PulseAudio has no such choice, there InputGain undoes it.
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
	if _, err := p.undo(ctx, func(l virtualSink) bool { return l.owner == os.Getpid() }); err != nil {
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
	for _, e := range missing(sinks, r.memory) {
		r.emit(e.Kind, e.Detail)
	}
	mine, real := sinkOfModule(sinks, r.module), sinkNamed(sinks, r.real)
	if mine == nil || real == nil {
		return
	}
	r.mirror.look(mine, real)
	if dirty&(dirtyServer|dirtyTimer) != 0 {
		if info, err := r.p.info(); err == nil {
			by, lost, again := stolen(sinks, info.DefaultSinkName, r.memory, time.Now())
			r.lost = lost
			if by != "" {
				r.emit(engine.DefaultChanged, by)
			}
			if again > 0 {
				r.retry(again)
			}
		}
	}
	if dirty&dirtyInputs != 0 {
		if in, err := r.p.inputs(); err == nil {
			for _, s := range astray(in, mine.SinkIndex) {
				r.opts.log("our own stream was moved to our own sink: moved back to %s", r.real)
				r.p.c.Request(&proto.MoveSinkInput{SinkInputIndex: s, DeviceIndex: real.SinkIndex}, nil)
			}
			// The default after the streams: a server that makes another one default moves streams after that.
			if info, err := r.p.info(); err == nil && info.DefaultSinkName == mine.SinkName {
				r.apart = setApart(in, mine.SinkIndex, r.apart, time.Now())
			}
		}
	}
}

// emit reports a change once, until the next Take.
func (r *router) emit(kind engine.RouteEventKind, detail string) {
	if d, ok := r.reported[kind]; ok && d == detail {
		return
	}
	r.reported[kind] = detail
	r.events.put(engine.RouteEvent{Kind: kind, Detail: detail})
}

// retry has the loop look again after d.
func (r *router) retry(d time.Duration) {
	wake, dirty := r.wake, r.dirty
	time.AfterFunc(d, func() { mark(wake, dirty, dirtyTimer) })
}
