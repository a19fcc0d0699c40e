package pulse

import (
	"math"
	"slices"
	"time"

	"github.com/jfreymuth/pulse/proto"
)

// mirror keeps the real output's volume and mute equal to the virtual sink's. The virtual sink is default, so volume
// keys turn it; what is heard is set by the real output alone, as before the engine came and as after it goes.
//
// Where the server applies the virtual sink's volume to its monitor (PulseAudio), InputGain undoes it. Gain, volume and
// the sound in the buffers cannot change in one instant, so the order sees to it that nothing is louder meanwhile than
// the louder of before and after: turned down, the output goes first and the gain rises when the sound before the turn
// has been captured; turned up, the gain falls at once and the output rises when the sound captured before that has
// been played.
//
// Both channels of the virtual sink are kept alike, for InputGain is one factor: balance is passed on to the output.
type mirror struct {
	router *router
	seen   volume   // of the virtual sink, settled
	out    volume   // of the real output, settled
	virt   change   // under way on the virtual sink
	real   change   // under way on the real output
	later  struct { // put off
		real   *volume
		gain   bool
		at     time.Time // for real
		gainAt time.Time
	}
}

type volume struct {
	ch   []uint32 // proto.VolumeNorm is 1; cubic scale
	mute bool
}

func (v volume) equal(w volume) bool { return v.mute == w.mute && slices.Equal(v.ch, w.ch) }

func (v volume) max() uint32 {
	if len(v.ch) == 0 {
		return 0
	}
	return slices.Max(v.ch)
}

// change is a volume asked for. Until it shows, or time is up, what is seen is not taken for somebody else's doing.
type change struct {
	on    bool
	want  volume
	until time.Time
}

const (
	settle = 300 * time.Millisecond // for a server to show a volume that it was asked for
	// captureLag and playLag bound how long sound stays before and behind the point where InputGain is applied.
	captureLag = 15 * time.Millisecond
	playLag    = 100 * time.Millisecond
	// maxGain bounds InputGain: below 2 % on the volume scale the sound would be lost in any case.
	maxGain = 1e5
)

func volumeOf(s *proto.GetSinkInfoReply) volume {
	return volume{ch: slices.Clone(s.ChannelVolumes), mute: s.Mute}
}

// linear is the factor of a volume: the cube of the scale (PulseAudio, pulse/volume.c, pa_sw_volume_to_linear; PipeWire
// does the same for its clients).
func linear(v uint32) float64 {
	x := float64(v) / float64(proto.VolumeNorm)
	return x * x * x
}

func flat(v uint32, n int) []uint32 {
	ch := make([]uint32, n)
	for i := range ch {
		ch[i] = v
	}
	return ch
}

// scaled gives the channels of base the largest value max, in the same proportions.
func scaled(base []uint32, max uint32) []uint32 {
	top := slices.Max(base)
	if top == 0 {
		return flat(max, len(base))
	}
	ch := make([]uint32, len(base))
	for i, v := range base {
		ch[i] = uint32(math.Round(float64(v) * float64(max) / float64(top)))
	}
	return ch
}

// InputGain is the factor that undoes the virtual sink's volume in the captured signal.
func (r *router) InputGain() float32 { return math.Float32frombits(r.gain.Load()) }

func (r *router) setGain(g float32) { r.gain.Store(math.Float32bits(g)) }

// applies tells whether the server applies a virtual sink's volume to its monitor. The sink is loaded with
// monitor.channel-volumes=false, which PipeWire obeys and PulseAudio does not know.
func (m *mirror) applies() bool { return !m.router.p.pipewire }

func (m *mirror) gainNow() {
	g := float32(1)
	if m.applies() {
		g = float32(min(1/linear(m.seen.max()), maxGain)) // +Inf at volume 0
	}
	m.later.gain = false
	m.router.setGain(g)
}

// start gives the virtual sink the output's volume and mute.
func (m *mirror) start(virt, real *proto.GetSinkInfoReply) error {
	r := m.router
	*m = mirror{router: r, out: volumeOf(real), seen: volumeOf(virt)}
	want := volume{flat(m.out.max(), len(virt.ChannelVolumes)), m.out.mute}
	if !want.equal(m.seen) {
		if err := setVolume(r.p, virt.SinkIndex, want); err != nil {
			return err
		}
		m.virt = change{true, want, time.Now().Add(settle)}
		m.seen = want
	}
	m.gainNow()
	return nil
}

func setVolume(p *Conn, sink uint32, v volume) error {
	if err := p.c.Request(&proto.SetSinkVolume{SinkIndex: sink, ChannelVolumes: v.ch}, nil); err != nil {
		return err
	}
	return p.c.Request(&proto.SetSinkMute{SinkIndex: sink, Mute: v.mute}, nil)
}

// look compares both sinks with what is known and passes changes on.
func (m *mirror) look(virt, real *proto.GetSinkInfoReply) {
	now := time.Now()
	v, o := volumeOf(virt), volumeOf(real)
	if m.virt.on && (v.equal(m.virt.want) || now.After(m.virt.until)) {
		m.virt.on = false
		m.seen = m.virt.want // what it is instead then counts as a change
	}
	if m.real.on && (o.equal(m.real.want) || now.After(m.real.until)) {
		m.real.on = false
		m.out = o // a device takes what it can; the virtual sink keeps what was asked for
	}
	switch {
	case !m.virt.on && !v.equal(m.seen):
		m.turned(v, virt, real)
	case !m.real.on && m.later.real == nil && !o.equal(m.out):
		m.out = o
		m.setVirt(volume{flat(o.max(), len(v.ch)), o.mute}, virt)
	}
	now = time.Now()
	if m.later.gain && !now.Before(m.later.gainAt) {
		m.gainNow()
	}
	if m.later.real != nil && !now.Before(m.later.at) {
		m.setReal(*m.later.real, real)
	}
}

// turned passes a change of the virtual sink on to the output.
func (m *mirror) turned(v volume, virt, real *proto.GetSinkInfoReply) {
	base := m.out.ch
	if m.later.real != nil {
		base = m.later.real.ch
	} else if m.real.on {
		base = m.real.want.ch
	}
	top := v.max()
	even := flat(top, len(v.ch))
	if !slices.Equal(v.ch, even) && len(base) == len(v.ch) && top > 0 {
		tilted := make([]uint32, len(base))
		for i := range tilted {
			tilted[i] = uint32(uint64(base[i]) * uint64(v.ch[i]) / uint64(top))
		}
		base = tilted
	}
	want := volume{scaled(base, top), v.mute}
	before := m.seen.max()
	m.seen = v
	switch {
	case !m.applies():
		m.setReal(want, real)
	case top > before:
		m.gainNow()
		if m.later.real == nil {
			m.later.at = time.Now().Add(playLag)
			m.router.retry(playLag)
		}
		m.later.real = &want
	default:
		m.setReal(want, real)
		if top < before {
			m.later.gain, m.later.gainAt = true, time.Now().Add(captureLag)
			m.router.retry(captureLag)
		}
	}
	if !slices.Equal(v.ch, even) {
		m.setVirt(volume{even, v.mute}, virt)
	}
}

func (m *mirror) setReal(want volume, real *proto.GetSinkInfoReply) {
	m.later.real = nil
	m.real = change{true, want, time.Now().Add(settle)}
	setVolume(m.router.p, real.SinkIndex, want)
	m.router.retry(settle + time.Millisecond)
}

// setVirt follows the output, changed by hardware or by another program. The sound heard has changed already and must
// not change twice, so the gain only has to keep step.
func (m *mirror) setVirt(want volume, virt *proto.GetSinkInfoReply) {
	up := want.max() > m.seen.max()
	m.virt = change{true, want, time.Now().Add(settle)}
	m.seen = want
	if up {
		m.gainNow()
	}
	setVolume(m.router.p, virt.SinkIndex, want)
	if !up {
		m.later.gain, m.later.gainAt = true, time.Now().Add(captureLag)
		m.router.retry(captureLag)
	}
	m.router.retry(settle + time.Millisecond)
}

// flush does at once what was put off, before the route ends.
func (m *mirror) flush(p *Conn) {
	if m.later.real == nil {
		return
	}
	if sinks, err := p.sinks(); err == nil {
		if s := sinkNamed(sinks, m.router.real); s != nil {
			setVolume(p, s.SinkIndex, *m.later.real)
		}
	}
	m.later.real = nil
}
