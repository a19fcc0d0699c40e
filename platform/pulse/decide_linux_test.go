package pulse

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jfreymuth/pulse/proto"

	"cushwright/engine"
	"cushwright/platform/device"
)

const (
	ourModule = 7
	ourPID    = 4711
)

// sinksNamed gives the sinks of those names, at 48 kHz, or name@rate; our own has our module.
func sinksNamed(names ...string) (all proto.GetSinkInfoListReply) {
	for i, n := range names {
		s := &proto.GetSinkInfoReply{SinkIndex: uint32(i + 1), ModuleIndex: uint32(100 + i)}
		s.Rate = 48000
		s.SinkName = n
		if name, rate, ok := strings.Cut(n, "@"); ok {
			s.SinkName = name
			fmt.Sscan(rate, &s.Rate)
		}
		s.SampleSpec.Channels = 2
		if s.SinkName == device.VirtualSink {
			s.ModuleIndex = ourModule
		}
		all = append(all, s)
	}
	return all
}

// The cases of testdata/faults in which the route is made anew, and those that no script has.
func TestDecide(t *testing.T) {
	const v = device.VirtualSink
	fresh := memory{module: proto.Undefined}
	on := func(real, previous string) memory {
		return memory{module: ourModule, taken: true, real: real, previous: previous, rateHz: 48000, channels: 2}
	}
	ours := []virtualSink{{module: ourModule, owner: ourPID}}
	for _, c := range []struct {
		name           string
		sinks          []string
		def            string
		virtual        []virtualSink
		m              memory
		wish           string
		real, previous string // "" with an error
		does           string // make, keep, or remake: our sink
		rateHz         int    // 0: 48000
		away           string
		err            string
		reaction       engine.Reaction
	}{
		{name: "start", sinks: []string{"a", "b"}, def: "b", m: fresh, real: "b", previous: "b", does: "make"},
		{name: "start, an output named", sinks: []string{"a", "b"}, def: "b", m: fresh, wish: "a", real: "a", previous: "b", does: "make"},
		{name: "start, no default told", sinks: []string{"a", "b"}, def: "@none@", m: fresh, real: "a", previous: "a", does: "make"},
		{name: "taken again, nothing changed", sinks: []string{"a", "b", v}, def: v, virtual: ours, m: on("a", "a"), real: "a", previous: "a", does: "keep"},

		{name: "unplugged", sinks: []string{"b", v}, def: v, virtual: ours, m: on("a", "a"), real: "b", previous: "b", does: "remake", away: "a"},
		{name: "unplugged, the server chose meanwhile", sinks: []string{"b", "c", v}, def: "c", virtual: ours, m: on("a", "a"),
			real: "c", previous: "c", does: "remake", away: "a"},
		{name: "unplugged, the only one", sinks: []string{v}, def: v, virtual: ours, m: on("a", "a"), away: "a", err: "there is no output"},
		{name: "unplugged, the only one, the server's stand-in instead", sinks: []string{"auto_null"}, def: "auto_null", m: fresh, err: "there is no output"},
		{name: "unplugged, the named one", sinks: []string{"b", v}, def: v, virtual: ours, m: on("a", "a"), wish: "a", err: engine.ErrNoOutput.Error()},
		{name: "another one unplugged", sinks: []string{"a", v}, def: v, virtual: ours, m: on("a", "a"), real: "a", previous: "a", does: "keep"},
		{name: "returns", sinks: []string{"b", v, "a"}, def: v, virtual: ours,
			m: func() memory { m := on("b", "b"); m.away = "a"; return m }(), real: "a", previous: "a", does: "remake"},
		{name: "returns before its going was seen", sinks: []string{"b", v, "a"}, def: v, virtual: ours, m: on("a", "a"), real: "a", previous: "a", does: "keep"},
		{name: "returns while another is named", sinks: []string{"b", v, "a"}, def: v, virtual: ours,
			m: func() memory { m := on("b", "b"); m.away = "a"; return m }(), wish: "b", real: "b", previous: "b", does: "keep"},
		{name: "the only one returns", sinks: []string{"a", v}, def: v, virtual: ours,
			m: func() memory { m := on("a", "a"); m.away = "a"; return m }(), real: "a", previous: "a", does: "keep"},

		{name: "followed", sinks: []string{"a", "b", v}, def: "b", virtual: ours, m: on("a", "a"), real: "b", previous: "b", does: "remake"},
		{name: "held", sinks: []string{"a", "b", v}, def: "b", virtual: ours, m: on("a", "a"), wish: "a", real: "a", previous: "a", does: "keep"},
		{name: "held, and the first choice unplugged", sinks: []string{"a", "b", v}, def: "b", virtual: ours, m: on("a", "gone"), wish: "a",
			real: "a", previous: "b", does: "remake"},
		{name: "stolen by nobody's choice", sinks: []string{"a", "b", v}, def: "gone", virtual: ours, m: on("a", "a"), real: "a", previous: "a", does: "keep"},
		{name: "another output named while it runs", sinks: []string{"a", "b", v}, def: v, virtual: ours, m: on("a", "a"), wish: "b",
			real: "b", previous: "a", does: "keep"},

		{name: "virtual sink removed", sinks: []string{"a", "b"}, def: "b", m: on("a", "a"), real: "a", previous: "a", does: "make"},
		{name: "virtual sink removed, an output named", sinks: []string{"a", "b"}, def: "b", m: on("b", "a"), wish: "b", real: "b", previous: "a", does: "make"},
		{name: "server restarted", sinks: []string{"b", "a"}, def: "a", m: memory{module: proto.Undefined, taken: true, real: "a", previous: "a"},
			real: "a", previous: "a", does: "make"},

		{name: "output changed its rate", sinks: []string{"a@96000", v}, def: v, virtual: ours, m: on("a", "a"), real: "a", previous: "a", does: "remake", rateHz: 96000},
		{name: "output of a telephone profile", sinks: []string{"a@8000", v}, def: v, virtual: ours, m: on("a", "a"), real: "a", previous: "a", does: "keep"},

		{name: "misspelt", sinks: []string{"a", "b"}, def: "a", m: fresh, wish: "A", err: "there are a, b"},
		{name: "misspelt, and there is none", m: fresh, wish: "A", err: "there are none"},
		{name: "a monitor named", sinks: []string{"a"}, def: "a", m: fresh, wish: "a.monitor", err: `the output is "a"`, reaction: engine.GiveUp},
		{name: "our own named", sinks: []string{"a", v}, def: v, virtual: ours, m: on("a", "a"), wish: v, err: "feed back", reaction: engine.GiveUp},
		{name: "our own monitor named, not there", sinks: []string{"a"}, def: "a", m: fresh, wish: v + ".monitor", err: "feed back", reaction: engine.GiveUp},
		{name: "another engine holds the route", sinks: []string{"a", v}, def: v, virtual: []virtualSink{{module: ourModule, owner: 42}}, m: fresh,
			err: "process 42", reaction: engine.GiveUp},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := world{sinks: sinksNamed(c.sinks...), def: c.def, virtual: c.virtual, self: ourPID}
			d, err := decide(w, c.m, c.wish)
			if d.away != c.away {
				t.Errorf("away %q, want %q", d.away, c.away)
			}
			if c.err != "" {
				var e *engine.Error
				if !errors.As(err, &e) || !strings.Contains(err.Error(), c.err) || e.Reaction != c.reaction {
					t.Errorf("error %v, want %q", err, c.err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			does := map[[2]bool]string{{false, false}: "make", {true, false}: "keep", {false, true}: "remake"}[[2]bool{d.mine != nil, d.remove}]
			rate := c.rateHz
			if rate == 0 {
				rate = 48000
			}
			if d.real.SinkName != c.real || d.previous.SinkName != c.previous || does != c.does || d.rateHz != rate {
				t.Errorf("real %q, previous %q, %s our sink at %d Hz; want %q, %q, %s at %d",
					d.real.SinkName, d.previous.SinkName, does, d.rateHz, c.real, c.previous, c.does, rate)
			}
		})
	}
}

func TestMissing(t *testing.T) {
	const v = device.VirtualSink
	m := memory{module: ourModule, taken: true, real: "a", previous: "a", rateHz: 48000, channels: 2}
	back := m
	back.away = "b"
	for _, c := range []struct {
		sinks []string
		m     memory
		want  []engine.RouteEventKind
	}{
		{[]string{"a", v}, m, nil},
		{[]string{"a"}, m, []engine.RouteEventKind{engine.SinkGone}},
		{[]string{v}, m, []engine.RouteEventKind{engine.OutputGone}},
		{nil, m, []engine.RouteEventKind{engine.SinkGone, engine.OutputGone}},
		{[]string{"a", "b", v}, m, nil},
		{[]string{"a", "b", v}, back, []engine.RouteEventKind{engine.OutputBack}},
		{[]string{"a@44100", v}, m, []engine.RouteEventKind{engine.OutputChanged}},
	} {
		var got []engine.RouteEventKind
		for _, e := range missing(sinksNamed(c.sinks...), c.m) {
			got = append(got, e.Kind)
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%q: %v, want %v", c.sinks, got, c.want)
		}
	}
}

// Another default is told when it has lasted; one that lasts no longer than the removal of a sink is not.
func TestStolen(t *testing.T) {
	sinks := sinksNamed("a", "b", device.VirtualSink)
	at := time.Unix(1000, 0)
	m := memory{module: ourModule, real: "a", made: at.Add(-time.Hour)}
	if by, lost, again := stolen(sinks, device.VirtualSink, m, at); by != "" || !lost.IsZero() || again != 0 {
		t.Errorf("ours is default: %q %v %v", by, lost, again)
	}
	by, lost, again := stolen(sinks, "b", m, at)
	if by != "" || !lost.Equal(at) || again != lasting {
		t.Errorf("at first: %q %v %v", by, lost, again)
	}
	m.lost = lost
	if by, _, again := stolen(sinks, "b", m, at.Add(lasting/2)); by != "" || again != lasting/2 {
		t.Errorf("half way: %q %v", by, again)
	}
	if by, lost, _ := stolen(sinks, "gone", m, at.Add(lasting)); by != "" || !lost.IsZero() {
		t.Errorf("a sink that is no more: %q %v", by, lost)
	}
	if by, _, again := stolen(sinks, "b", m, at.Add(lasting)); by != "b" || again != 0 {
		t.Errorf("at last: %q %v", by, again)
	}
	m.made = at
	if by, _, again := stolen(sinks, "b", m, at.Add(lasting)); by != "" || again != 3*lasting {
		t.Errorf("our sink has only just come: %q %v", by, again)
	}
}

// The system's streams go to our sink; our own playback and the rig's sweeps stay, and come back where somebody moved
// them.
func TestStreamsThatMove(t *testing.T) {
	stream := func(index, sink uint32, app string) *proto.GetSinkInputInfoReply {
		return &proto.GetSinkInputInfoReply{SinkInputIndex: index, SinkIndex: sink,
			Properties: proto.PropList{"application.name": proto.PropListString(app)}}
	}
	const real, other, mine = 1, 2, 3
	in := proto.GetSinkInputInfoListReply{stream(10, real, "player"), stream(11, real, device.AppName), stream(12, other, "player"),
		stream(13, mine, "player"), stream(14, mine, device.AppName)}
	all, none := func(uint32) bool { return true }, func(uint32) bool { return false }
	if got := toMove(in, mine, func(s uint32) bool { return s == real }, none); !slices.Equal(got, []uint32{10}) {
		t.Errorf("from the output: %v", got)
	}
	if got := toMove(in, mine, all, none); !slices.Equal(got, []uint32{10, 12}) {
		t.Errorf("from everywhere: %v", got)
	}
	if got := astray(in, mine); !slices.Equal(got, []uint32{14}) {
		t.Errorf("astray: %v", got)
	}
}

// A stream that somebody moved to another output stays there when the route is made anew; one that the server moved,
// because another output was made default or our sink went, comes along.
func TestChosenStreamsStay(t *testing.T) {
	const real, other, mine, anew = 1, 2, 3, 4
	stream := func(index, sink uint32) *proto.GetSinkInputInfoReply {
		return &proto.GetSinkInputInfoReply{SinkInputIndex: index, SinkIndex: sink,
			Properties: proto.PropList{"application.name": proto.PropListString("player")}}
	}
	type look struct {
		afterMS int // since the look before
		on      map[uint32]uint32
	}
	both := func(a, b uint32) map[uint32]uint32 { return map[uint32]uint32{10: a, 11: b} }
	for _, c := range []struct {
		name  string
		looks []look            // while our sink is default
		at    int               // ms from the last look to the reopening
		on    map[uint32]uint32 // at the reopening
		moves []uint32
	}{
		{"first opening", nil, 0, both(real, real), []uint32{10, 11}},
		{"one was moved by hand, then its output is followed", []look{{0, both(mine, mine)}, {50, both(mine, other)}}, 5000,
			both(other, other), []uint32{10}},
		{"one was moved by hand to the real output, then our sink is made anew", []look{{0, both(mine, real)}}, 5000,
			both(real, real), []uint32{10}},
		{"moved to and fro", []look{{0, both(mine, other)}, {5000, both(mine, mine)}}, 5000, both(other, other), []uint32{10, 11}},
		{"looked at again and again", []look{{0, both(mine, other)}, {600, both(mine, other)}, {600, both(mine, other)}}, 0,
			both(other, other), []uint32{10}},
		{"a desktop moves all, then makes the output default", []look{{0, both(mine, mine)}, {5000, both(other, other)}}, 100,
			both(other, other), []uint32{10, 11}},
		{"one that has only just come", []look{{0, map[uint32]uint32{10: mine}}}, 5000, both(real, real), []uint32{10, 11}},
	} {
		var in proto.GetSinkInputInfoListReply
		read := func(on map[uint32]uint32) {
			in = nil
			for _, i := range []uint32{10, 11} {
				if sink, ok := on[i]; ok {
					in = append(in, stream(i, sink))
				}
			}
		}
		var m memory
		now := time.Unix(1000, 0)
		for _, l := range c.looks {
			now = now.Add(time.Duration(l.afterMS) * time.Millisecond)
			read(l.on)
			m.apart = setApart(in, mine, m.apart, now)
		}
		now = now.Add(time.Duration(c.at) * time.Millisecond)
		read(c.on)
		got := toMove(in, anew, func(s uint32) bool { return s == real || s == other },
			func(s uint32) bool { return m.stays(s, now) })
		if !slices.Equal(got, c.moves) {
			t.Errorf("%s: moved %v, want %v", c.name, got, c.moves)
		}
	}
}
