package pulse

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/jfreymuth/pulse/proto"
)

// virtualSink is a virtual sink of this program, ours or of another process.
type virtualSink struct {
	module   uint32
	owner    int
	previous string
}

// virtual lists the virtual sinks of this program, whoever made them.
func (p *Conn) virtual() ([]virtualSink, error) {
	var mods proto.GetModuleInfoListReply
	if err := p.c.Request(&proto.GetModuleInfoList{}, &mods); err != nil {
		return nil, err
	}
	var all []virtualSink
	for _, m := range mods {
		o := ownerArg.FindStringSubmatch(m.ModuleArgs)
		if o == nil {
			continue
		}
		l := virtualSink{module: m.ModuleIndex}
		l.owner, _ = strconv.Atoi(o[1])
		if b := previousArg.FindStringSubmatch(m.ModuleArgs); b != nil {
			l.previous, _ = url.QueryUnescape(b[1])
		}
		all = append(all, l)
	}
	return all, nil
}

// setDefault makes the sink default and waits until the server says that it is: PipeWire answers before it has done it.
// Its session manager, seen under load, can miss a wish for a sink that has only just come, and looks again only when
// the wish changes: so wish for something else in between.
func (p *Conn) setDefault(ctx context.Context, sink string) error {
	wish := func(sink string) error { return p.c.Request(&proto.SetDefaultSink{SinkName: sink}, nil) }
	if err := wish(sink); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, requestTimeout)
	defer cancel()
	next := time.Now().Add(wishAgain)
	return wait(ctx, func() (bool, error) {
		info, err := p.info()
		if err != nil || info.DefaultSinkName == sink {
			return err == nil, err
		}
		if time.Now().After(next) {
			next = time.Now().Add(wishAgain)
			other := info.DefaultSinkName
			if strings.HasPrefix(other, "@") { // PipeWire's word for none: as a wish it would stay
				other = ""
				if sinks, err := p.sinks(); err == nil {
					for _, k := range sinks {
						if k.SinkName != sink {
							other = k.SinkName
						}
					}
				}
			}
			if other != "" {
				wish(other) // may have gone meanwhile
			}
			return false, wish(sink)
		}
		return false, nil
	})
}

// wait polls until ok or error. Each poll is a round trip to the server, so a couple of milliseconds apart is plenty.
func wait(ctx context.Context, ok func() (bool, error)) error {
	for {
		if done, err := ok(); done || err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(2 * time.Millisecond):
		}
	}
}

// moveStreams moves the streams that play on the sinks that from accepts, except our own and those that stay; a stream
// that may not be moved stays, too.
func (p *Conn) moveStreams(from func(sink uint32) bool, to uint32, stays func(stream uint32) bool) (moved int, err error) {
	in, err := p.inputs()
	if err != nil {
		return 0, err
	}
	for _, s := range toMove(in, to, from, stays) {
		err := p.c.Request(&proto.MoveSinkInput{SinkInputIndex: s, DeviceIndex: to}, nil)
		var refused proto.Error
		if err != nil && !errors.As(err, &refused) {
			return moved, err
		}
		if err == nil {
			moved++
		}
	}
	return moved, nil
}

// Undo takes away the virtual sinks of the process, as undo does.
func (p *Conn) Undo(ctx context.Context, owner int) (done []string, err error) {
	return p.undo(ctx, func(l virtualSink) bool { return l.owner == owner })
}

// undo takes away the virtual sinks that sel chooses: the former output becomes default (if ours is default now), the
// streams move to it, the sinks go. It says in words what it did.
func (p *Conn) undo(ctx context.Context, sel func(virtualSink) bool) (done []string, err error) {
	all, err := p.virtual()
	if err != nil || len(all) == 0 {
		return nil, err
	}
	sinks, err := p.sinks()
	if err != nil {
		return nil, err
	}
	info, err := p.info()
	if err != nil {
		return nil, err
	}
	ours := map[uint32]bool{} // sinks of this program, all of them
	goes := map[uint32]bool{} // sinks that go
	def := sinkNamed(sinks, info.DefaultSinkName)
	var to *proto.GetSinkInfoReply
	for _, l := range all {
		s := sinkOfModule(sinks, l.module)
		if s == nil {
			continue
		}
		ours[s.SinkIndex] = true
		goes[s.SinkIndex] = sel(l)
	}
	for _, l := range all {
		if s := sinkNamed(sinks, l.previous); sel(l) && s != nil && !ours[s.SinkIndex] {
			to = s
		}
	}
	// Each step is tried though one before it failed: half an undoing is better than none.
	var errs []error
	if def == nil || goes[def.SinkIndex] {
		if to != nil {
			if err := p.setDefault(ctx, to.SinkName); err != nil {
				errs = append(errs, fmt.Errorf("make %q default: %w", to.SinkName, err))
			} else {
				done = append(done, fmt.Sprintf("%q is the default output again", to.SinkName))
			}
		}
	} else if !ours[def.SinkIndex] {
		to = def // the user chose another output meanwhile
	}
	if to != nil {
		n, err := p.moveStreams(func(s uint32) bool { return goes[s] }, to.SinkIndex, func(uint32) bool { return false })
		if err != nil {
			errs = append(errs, fmt.Errorf("move streams to %q: %w", to.SinkName, err))
		}
		if n > 0 {
			done = append(done, fmt.Sprintf("%d streams moved to %q", n, to.SinkName))
		}
	}
	for _, l := range all {
		if !sel(l) {
			continue
		}
		err := p.c.Request(&proto.UnloadModule{ModuleIndex: l.module}, nil)
		if err != nil && !errors.Is(err, proto.ErrNoSuchEntity) {
			errs = append(errs, fmt.Errorf("remove the virtual sink of process %d: %w", l.owner, err))
			continue
		}
		done = append(done, fmt.Sprintf("virtual sink of process %d removed", l.owner))
	}
	return done, errors.Join(errs...)
}
