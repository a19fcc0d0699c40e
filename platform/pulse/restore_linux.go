package pulse

import (
	"context"
	"fmt"
	"os"
	"strings"

	"github.com/jfreymuth/pulse/proto"

	"cushwright/engine"
	"cushwright/platform/device"
)

// Options name the sound server and say who is alive.
type Options struct {
	Server string               // sound server; "" for the one that ServerString finds
	Living func() int           // the process of the engine that is alive, 0 for none
	Log    func(message string) // told of notable events; nil for none. Called from any goroutine.
}

func (o Options) log(format string, args ...any) {
	if o.Log != nil {
		o.Log(fmt.Sprintf(format, args...))
	}
}

func (o Options) filled() Options {
	if o.Server == "" {
		o.Server = ServerString()
	}
	if o.Living == nil {
		o.Living = func() int { return 0 }
	}
	return o
}

// server fills the options in and connects.
func (o *Options) server() (*Conn, error) {
	*o = o.filled()
	p, err := Dial(o.Server)
	if err != nil {
		return nil, noServer(o.Server, err)
	}
	return p, nil
}

// Sweep removes the virtual sinks of engines that are dead, and puts the routing back that they left; the engine that
// holds the lock in the runtime folder is the only one alive, and the caller has no route yet. done says in words what
// was done; empty if nothing was left.
func Sweep(ctx context.Context, o Options) (done []string, err error) {
	p, err := o.server()
	if err != nil {
		return nil, err
	}
	defer p.Close()
	return p.sweep(ctx, o, proto.Undefined)
}

// sweep removes the virtual sinks of the dead, but not that of the module keep. A sink that bears our own number and is
// not that one is of a dead process that had the number before us.
func (p *Conn) sweep(ctx context.Context, o Options, keep uint32) (done []string, err error) {
	live := o.Living()
	done, err = p.undo(ctx, func(l virtualSink) bool { return l.module != keep && (l.owner != live || l.owner == os.Getpid()) })
	if err != nil {
		return done, device.Err("sweep", strings.Join(done, ", "), engine.Retry, err)
	}
	return done, nil
}

// Restore puts the system's sound routing back, whoever left it: every virtual sink of this program goes. Where an
// engine is alive it touches nothing. done says in words what was done; empty if there was nothing to do.
func Restore(ctx context.Context, o Options) (done []string, err error) {
	o = o.filled()
	if pid := o.Living(); pid != 0 {
		return nil, device.Err("restore", "sound routing", engine.GiveUp,
			fmt.Errorf("the engine is running (process %d)", pid))
	}
	p, err := o.server()
	if err != nil {
		return nil, err
	}
	defer p.Close()
	done, err = p.undo(ctx, func(virtualSink) bool { return true })
	if err != nil {
		return done, device.Err("restore", "sound routing", engine.Retry, err)
	}
	return done, nil
}

func noServer(server string, err error) *engine.Error {
	return device.Err("connect to sound server", server, engine.Reopen, unanswered(err))
}

// unanswered says that no server answers, why, and what to start.
func unanswered(err error) error {
	return fmt.Errorf("%w (%w): start PulseAudio (\"pulseaudio --start\") or PipeWire "+
		"(\"systemctl --user start pipewire-pulse wireplumber\")", engine.ErrNoServer, err)
}
