package platform

import (
	"context"
	"fmt"
	"os"
	"strings"

	"github.com/jfreymuth/pulse/proto"

	"cushwright/engine"
)

// server fills the options in and connects.
func (o *RouterOptions) server() (*pulse, error) {
	var err error
	if *o, err = o.filled(); err != nil {
		return nil, err
	}
	p, err := dial(o.Server, nil)
	if err != nil {
		return nil, noServer(o.Server, err)
	}
	return p, nil
}

func (o RouterOptions) filled() (RouterOptions, error) {
	if o.Server == "" {
		o.Server = ServerString()
	}
	if o.RuntimeDir == "" {
		dir, err := RuntimeDir()
		if err != nil {
			return o, err
		}
		o.RuntimeDir = dir
	}
	return o, nil
}

// Sweep removes the virtual sinks of engines that are dead, and puts the routing back that they left; the engine that
// holds the lock in the runtime folder is the only one alive, and the caller has no route yet. done says in words what was done; empty if nothing was left.
func Sweep(ctx context.Context, o RouterOptions) (done []string, err error) {
	p, err := o.server()
	if err != nil {
		return nil, err
	}
	defer p.close()
	return p.sweep(ctx, o, proto.Undefined)
}

// sweep removes the virtual sinks of the dead, but not that of the module keep. A sink that bears our own number and is
// not that one is of a dead process that had the number before us.
func (p *pulse) sweep(ctx context.Context, o RouterOptions, keep uint32) (done []string, err error) {
	live := liveEngine(o.RuntimeDir)
	done, err = p.undo(ctx, func(l left) bool { return l.module != keep && (l.owner != live || l.owner == os.Getpid()) })
	if err != nil {
		return done, devErr("sweep", strings.Join(done, ", "), engine.Retry, err)
	}
	return done, nil
}

// Restore puts the system's sound routing back, whoever left it: every virtual sink of this program goes, a living
// engine's too (it takes the route again if it is well; if it hangs, the sound is back without it). done says in words
// what was done; empty if there was nothing to do.
func Restore(ctx context.Context, o RouterOptions) (done []string, err error) {
	p, err := o.server()
	if err != nil {
		return nil, err
	}
	defer p.close()
	done, err = p.undo(ctx, func(left) bool { return true })
	if err != nil {
		return done, devErr("restore", "sound routing", engine.Retry, err)
	}
	if pid := liveEngine(o.RuntimeDir); pid != 0 && len(done) > 0 {
		done = append(done, fmt.Sprintf("the engine (process %d) runs and may take the route again: stop it first", pid))
	}
	return done, nil
}

func noServer(server string, err error) *engine.Error {
	return devErr("connect to sound server", server, engine.Reopen, err)
}
