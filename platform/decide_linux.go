package platform

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/jfreymuth/pulse/proto"

	"cushwright/engine"
)

// world is how the sound server stands.
type world struct {
	sinks       proto.GetSinkInfoListReply
	defaultName string   // the sink that is default
	module      uint32   // of our own sink; proto.Undefined where there is none
	virtual     []uint32 // modules of all virtual sinks of ours, our own among them
}

func (w world) ours(s *proto.GetSinkInfoReply) bool {
	return slices.Contains(w.virtual, s.ModuleIndex) || s.SinkName == VirtualSink
}

// other is the sink of that name, unless it is one of ours.
func (w world) other(name string) *proto.GetSinkInfoReply {
	if s := sinkNamed(w.sinks, name); s != nil && !w.ours(s) {
		return s
	}
	return nil
}

// memory is what the router knows of before.
type memory struct {
	taken    bool
	real     string // the output that was played on
	previous string // the sink that was default before us
	away     string // the output that was lost while none was named; "" if none was
}

// choice is the outputs that a route rests on.
type choice struct {
	real     *proto.GetSinkInfoReply // to be played on
	previous *proto.GetSinkInfoReply // to be default again after us
	away     string                  // see memory
}

// decide chooses the output to play on and the one that is default again afterwards. wish is the output that the settings name; ""
// follows the default. The error is an *engine.Error; away holds then as well.
func decide(w world, m memory, wish string) (choice, error) {
	c := choice{previous: w.formerDefault(m, wish), away: m.away}
	if wish != "" {
		return w.named(c, wish)
	}
	if m.real != "" && sinkNamed(w.sinks, m.real) == nil {
		c.away = m.real
	}
	if s := w.other(c.away); s != nil {
		c.previous, c.away = s, "" // back again, or never noticed to be away
	}
	c.real = c.previous
	return c, c.check()
}

// formerDefault is the default, unless that is our own sink or only stands in for it while the route is being repaired; then it is
// what was default before, or any other output.
func (w world) formerDefault(m memory, wish string) *proto.GetSinkInfoReply {
	mine := sinkOfModule(w.sinks, w.module) != nil
	held := m.taken && mine && wish != "" && wish == m.real
	now := w.other(w.defaultName)
	if now == nil || m.taken && !mine || held {
		if s := w.other(m.previous); s != nil {
			return s
		}
	}
	if now != nil {
		return now
	}
	for _, s := range w.sinks {
		if !w.ours(s) {
			return s
		}
	}
	return nil
}

// named takes the output that the settings name.
func (w world) named(c choice, wish string) (choice, error) {
	name := strings.TrimSuffix(wish, ".monitor")
	s := sinkNamed(w.sinks, name)
	switch {
	case name == VirtualSink || s != nil && w.ours(s):
		return c, devErr("use output", wish, engine.GiveUp, errors.New("it is the virtual sink that the system's sound goes to: the corrected sound would feed back into its own capture; name a real output"))
	case name != wish && s != nil:
		return c, devErr("use output", wish, engine.GiveUp, fmt.Errorf("it is a monitor, which captures; the output is %q", name))
	case s == nil:
		return c, devErr("use output", wish, engine.Reopen, fmt.Errorf("%w; there are %s", engine.ErrNoOutput, sinkList(w.sinks, w.ours)))
	}
	c.real, c.away = s, ""
	if c.previous == nil {
		c.previous = s
	}
	return c, c.check()
}

func (c choice) check() error {
	if c.real == nil || c.real.SinkName == "auto_null" { // PulseAudio's stand-in where there is no output; it goes when ours comes
		return devErr("use output", "default", engine.Reopen, errors.New("there is no output"))
	}
	return nil
}

func sinkList(sinks proto.GetSinkInfoListReply, isOurs func(*proto.GetSinkInfoReply) bool) string {
	var names []string
	for _, s := range sinks {
		if !isOurs(s) {
			names = append(names, Readable(s.SinkName))
		}
	}
	if len(names) == 0 {
		return "none"
	}
	return strings.Join(names, ", ")
}
