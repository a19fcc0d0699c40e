package platform

import (
	"errors"
	"strings"
	"testing"

	"github.com/jfreymuth/pulse/proto"

	"cushwright/engine"
)

// TestDecide walks the fault book's ways of changing outputs: a world, what the router remembers, what the settings name, and
// the outputs that the route rests on then.
func TestDecide(t *testing.T) {
	const ours = 7
	sink := func(name string, module uint32) *proto.GetSinkInfoReply {
		return &proto.GetSinkInfoReply{SinkName: name, ModuleIndex: module}
	}
	all := map[string]*proto.GetSinkInfoReply{"booth": sink("booth", 1), "hall": sink("hall", 2), VirtualSink: sink(VirtualSink, ours),
		"auto_null": sink("auto_null", 3), "other-engine": sink("other-engine", 9)}
	taken := func(real, previous string) memory { return memory{taken: true, real: real, previous: previous} }
	for _, c := range []struct {
		name     string
		sinks    string // in the server's order
		standard string // the default
		m        memory
		wish     string

		real, previous, away string
		says                 string
		reaction             engine.Reaction
	}{
		{name: "first start", sinks: "booth hall", standard: "hall", real: "hall", previous: "hall"},
		{name: "first start, an output named", sinks: "booth hall", standard: "hall", wish: "booth", real: "booth", previous: "hall"},
		{name: "no default is known", sinks: "booth hall", standard: "", real: "booth", previous: "booth"},
		{name: "ours is default: what was default before", sinks: "hall booth ours", standard: VirtualSink, m: taken("booth", "booth"), real: "booth", previous: "booth"},
		{name: "another output is chosen and followed", sinks: "booth hall ours", standard: "hall", m: taken("booth", "booth"), real: "hall", previous: "hall"},
		{name: "another output is chosen, the settings' holds", sinks: "booth hall ours", standard: "hall", m: taken("booth", "booth"), wish: "booth", real: "booth", previous: "booth"},
		{name: "our sink was removed: the default only stands in", sinks: "booth hall", standard: "hall", m: taken("booth", "booth"), real: "booth", previous: "booth"},
		{name: "unplugged, it was only default", sinks: "hall ours", standard: VirtualSink, m: taken("booth", "booth"), real: "hall", previous: "hall", away: "booth"},
		{name: "still away", sinks: "hall ours", standard: VirtualSink, m: memory{taken: true, real: "hall", previous: "hall", away: "booth"}, real: "hall", previous: "hall", away: "booth"},
		{name: "back again", sinks: "hall booth ours", standard: VirtualSink, m: memory{taken: true, real: "hall", previous: "hall", away: "booth"}, real: "booth", previous: "booth"},
		{name: "unplugged, the settings name it", sinks: "hall ours", standard: VirtualSink, m: taken("booth", "booth"), wish: "booth", says: "there are hall", reaction: engine.Reopen},
		{name: "misspelt", sinks: "booth hall", standard: "hall", wish: "boot", says: "there are booth, hall", reaction: engine.Reopen},
		{name: "a monitor", sinks: "booth hall", standard: "hall", wish: "booth.monitor", says: `the output is "booth"`, reaction: engine.GiveUp},
		{name: "our own sink", sinks: "booth ours", standard: "booth", wish: VirtualSink, says: "feed back", reaction: engine.GiveUp},
		{name: "our own sink's monitor", sinks: "booth", standard: "booth", wish: VirtualSink + ".monitor", says: "feed back", reaction: engine.GiveUp},
		{name: "only the stand-in is left", sinks: "auto_null", standard: "auto_null", m: taken("booth", "booth"), away: "booth", says: "there is no output", reaction: engine.Reopen},
		{name: "nothing at all", sinks: "", standard: "", says: "there is no output", reaction: engine.Reopen},
		{name: "a sink named like nobody's, of a module of ours", sinks: "other-engine booth", standard: "other-engine", real: "booth", previous: "booth"},
		{name: "a named output that is away is forgotten once it is named and there", sinks: "booth hall", standard: "hall", m: memory{away: "booth"}, wish: "hall", real: "hall", previous: "hall"},
	} {
		w := world{defaultName: c.standard, module: proto.Undefined, virtual: []uint32{9}}
		for _, n := range strings.Fields(c.sinks) {
			if n == "ours" {
				n, w.module, w.virtual = VirtualSink, ours, append(w.virtual, ours)
			}
			w.sinks = append(w.sinks, all[n])
		}
		got, err := decide(w, c.m, c.wish)
		nameOf := func(s *proto.GetSinkInfoReply) string {
			if s == nil {
				return ""
			}
			return s.SinkName
		}
		if c.says != "" {
			var e *engine.Error
			if !errors.As(err, &e) || e.Reaction != c.reaction || !strings.Contains(err.Error(), c.says) || got.away != c.away {
				t.Errorf("%s: away %q, %v; want %q", c.name, got.away, err, c.says)
			}
			continue
		}
		if err != nil || nameOf(got.real) != c.real || nameOf(got.previous) != c.previous || got.away != c.away {
			t.Errorf("%s: plays on %q, then %q, away %q, %v; want %q, %q, %q", c.name, nameOf(got.real), nameOf(got.previous), got.away, err, c.real, c.previous, c.away)
		}
	}
}
