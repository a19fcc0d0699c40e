package pulse

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/jfreymuth/pulse/proto"

	"cushwright/engine"
	"cushwright/platform/device"
)

// world is how things stand at the server.
type world struct {
	sinks   proto.GetSinkInfoListReply
	def     string        // the default sink
	virtual []virtualSink // the virtual sinks of this program, whoever made them
	self    int           // this process
}

// memory is what the router knows of its own route.
type memory struct {
	module   uint32    // of our sink; proto.Undefined if there is none
	taken    bool      // the route stands, as far as is known
	real     string    // sink name of the real output
	previous string    // sink that was default before us
	away     string    // the real output that was lost while none was named; "" if none was
	rateHz   int       // of the real output
	channels int       // of the real output
	made     time.Time // when our sink was made
	lost     time.Time // since when another sink is default; zero if ours is

	apart map[uint32]time.Time // streams that are on another sink though ours is default, and since when
}

// decision is what makes the route of a wish.
type decision struct {
	real, previous *proto.GetSinkInfoReply
	mine           *proto.GetSinkInfoReply // our sink as it is, to be used; nil: make one
	remove         bool                    // our sink records another output or has another rate: away with it first
	rateHz         int                     // of our streams
	away           string                  // for the memory; it stands with an error too
}

func (w world) ours(s *proto.GetSinkInfoReply) bool {
	return s.SinkName == device.VirtualSink ||
		slices.ContainsFunc(w.virtual, func(l virtualSink) bool { return l.module == s.ModuleIndex })
}

// other is the sink of that name, if it is none of ours.
func (w world) other(name string) *proto.GetSinkInfoReply {
	if s := sinkNamed(w.sinks, name); s != nil && !w.ours(s) {
		return s
	}
	return nil
}

// decide says what to do for the route to the output of that name, or to the default one if wish is "". It does nothing
// itself.
func decide(w world, m memory, wish string) (decision, error) {
	d := decision{away: m.away}
	for _, l := range w.virtual {
		if l.owner != w.self {
			return d, device.Err("route", "system sound", engine.GiveUp,
				fmt.Errorf("the engine of process %d holds the route", l.owner))
		}
	}
	mine := sinkOfModule(w.sinks, m.module)
	d.previous = w.before(m, mine, wish)
	if wish != "" {
		if err := w.named(wish); err != nil {
			return d, err
		}
		d.real, d.away = w.other(wish), ""
		if d.previous == nil {
			d.previous = d.real
		}
	} else {
		if m.real != "" && sinkNamed(w.sinks, m.real) == nil {
			d.away = m.real
		}
		if s := w.other(d.away); s != nil { // back again, or never noticed to be away
			d.previous, d.away = s, ""
		}
		d.real = d.previous
	}
	// auto_null is PulseAudio's stand-in where there is no output; it goes when ours comes.
	if d.real == nil || d.real.SinkName == "auto_null" {
		return d, device.Err("use output", "default", engine.Reopen, errors.New("there is no output"))
	}
	d.rateHz = streamRate(int(d.real.Rate))
	// The arguments of a module stand: what they record can only change with a new one.
	d.remove = mine != nil && (m.previous != d.previous.SinkName || int(mine.Rate) != d.rateHz)
	if !d.remove {
		d.mine = mine
	}
	return d, nil
}

// before is the output that was default before us: the default, unless that is our own sink, or only stands in for it
// while the route is being repaired, or was chosen while a named output is held. Where nothing is known it is any
// output.
func (w world) before(m memory, mine *proto.GetSinkInfoReply, wish string) *proto.GetSinkInfoReply {
	s := w.other(w.def)
	repaired := m.taken && mine == nil
	held := m.taken && mine != nil && wish != "" && wish == m.real
	if s == nil || repaired || held {
		if known := w.other(m.previous); known != nil {
			s = known
		}
	}
	if s == nil {
		if i := slices.IndexFunc(w.sinks, func(s *proto.GetSinkInfoReply) bool { return !w.ours(s) }); i >= 0 {
			s = w.sinks[i]
		}
	}
	return s
}

// named is nil if the wish names an output that can be used.
func (w world) named(wish string) error {
	name := strings.TrimSuffix(wish, ".monitor")
	s := sinkNamed(w.sinks, name)
	switch {
	case name == device.VirtualSink || s != nil && w.ours(s):
		return device.Err("use output", wish, engine.GiveUp,
			errors.New("it is the virtual sink that the system's sound goes to: "+
				"the corrected sound would feed back into its own capture; name a real output"))
	case name != wish && s != nil:
		return device.Err("use output", wish, engine.GiveUp,
			fmt.Errorf("it is a monitor, which captures; the output is %q", name))
	case s == nil:
		return device.Err("use output", wish, engine.Reopen,
			fmt.Errorf("%w; there are %s", engine.ErrNoOutput, w.list()))
	}
	return nil
}

// list names the outputs that are not ours.
func (w world) list() string {
	var names []string
	for _, s := range w.sinks {
		if !w.ours(s) {
			names = append(names, device.Readable(s.SinkName))
		}
	}
	if len(names) == 0 {
		return "none"
	}
	return strings.Join(names, ", ")
}

// streamRate is the rate of our streams for an output of that rate: the same, where the engine has it. A telephone
// profile of 8 or 16 kHz is the server's to resample for.
func streamRate(outputHz int) int {
	if outputHz < 44100 || outputHz > 192000 {
		return 48000
	}
	return outputHz
}

// missing says which ends of the route that stands are not as they were; nil if both are.
func missing(sinks proto.GetSinkInfoListReply, m memory) (events []engine.RouteEvent) {
	add := func(kind engine.RouteEventKind, detail string) {
		events = append(events, engine.RouteEvent{Kind: kind, Detail: detail})
	}
	if sinkOfModule(sinks, m.module) == nil {
		add(engine.SinkGone, device.VirtualSink)
	}
	real := sinkNamed(sinks, m.real)
	switch {
	case real == nil:
		add(engine.OutputGone, m.real)
	case m.away != "" && sinkNamed(sinks, m.away) != nil:
		add(engine.OutputBack, m.away)
	case int(real.Rate) != m.rateHz || int(real.SampleSpec.Channels) != m.channels:
		add(engine.OutputChanged, fmt.Sprintf("%s: %d Hz, %d channels", m.real, real.Rate, real.SampleSpec.Channels))
	}
	return events
}

// lasting is how long another default must last to be somebody's choice: a sink that is being removed first loses its
// place as default.
const lasting = 60 * time.Millisecond

// stolen says whether the default sink has been another one for long enough to be somebody's choice. lost is since when
// it is another, for the memory; again is when to look again, 0 for not.
func stolen(sinks proto.GetSinkInfoListReply, def string, m memory, now time.Time) (
	by string, lost time.Time, again time.Duration) {
	s, mine := sinkNamed(sinks, def), sinkOfModule(sinks, m.module)
	switch {
	case s == nil || mine != nil && s.SinkName == mine.SinkName:
		return "", time.Time{}, 0
	case m.lost.IsZero():
		return "", now, lasting
	}
	lasts := lasting
	if now.Sub(m.made) < 2*time.Second {
		lasts = 4 * lasting // a server that is behind may still be at what it thought of before our sink came
	}
	if since := now.Sub(m.lost); since < lasts {
		return "", m.lost, lasts - since
	}
	return s.SinkName, m.lost, 0
}

// toMove are the streams that go to our sink with the default: those of other programs on one of the sinks from, but
// those that stay.
func toMove(in proto.GetSinkInputInfoListReply, to uint32, from, stays func(index uint32) bool) (streams []uint32) {
	for _, s := range in {
		if from(s.SinkIndex) && s.SinkIndex != to && !ourStream(s) && !stays(s.SinkInputIndex) {
			streams = append(streams, s.SinkInputIndex)
		}
	}
	return streams
}

// setApart says which streams of other programs are on another sink than ours, and since when; before is what it said
// last. Asked while our sink is default, these are streams that somebody put there, or that ask for it themselves.
func setApart(in proto.GetSinkInputInfoListReply, mine uint32, before map[uint32]time.Time, now time.Time) map[uint32]time.Time {
	apart := map[uint32]time.Time{}
	for _, s := range in {
		if s.SinkIndex == mine || ourStream(s) {
			continue
		}
		since, known := before[s.SinkInputIndex]
		if !known {
			since = now
		}
		apart[s.SinkInputIndex] = since
	}
	return apart
}

// settled is how long a stream must be on another sink for that to be somebody's choice for this stream: a desktop that
// makes another output default may move the streams first, and a server moves them back one by one.
const settled = time.Second

// stays reports whether a stream is where somebody put it, and is left there.
func (m memory) stays(stream uint32, now time.Time) bool {
	since, ok := m.apart[stream]
	return ok && now.Sub(since) >= settled
}

// astray are our own streams on our own sink, which would be a howling loop.
func astray(in proto.GetSinkInputInfoListReply, mine uint32) (streams []uint32) {
	for _, s := range in {
		if s.SinkIndex == mine && ourStream(s) {
			streams = append(streams, s.SinkInputIndex)
		}
	}
	return streams
}

func ourStream(s *proto.GetSinkInputInfoReply) bool {
	return prop(s.Properties, "application.name") == device.AppName
}

// world reads how things stand.
func (p *Conn) world() (w world, err error) {
	w.self = os.Getpid()
	if w.virtual, err = p.virtual(); err != nil {
		return w, err
	}
	if w.sinks, err = p.sinks(); err != nil {
		return w, err
	}
	info, err := p.info()
	w.def = info.DefaultSinkName
	return w, err
}
