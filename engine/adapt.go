package engine

import (
	"fmt"
	"slices"
	"time"
)

const (
	settleTime = time.Second            // after a change of the buffers nothing is concluded for so long
	calmTime   = 10 * time.Minute       // without a break, before a smaller buffer is tried
	spareTime  = 500 * time.Millisecond // how long a larger buffer waits for the ring to hold what it takes
)

// buffers is how the open streams buffer, and what is learnt of it. It is kept over a reopening.
//
// Owner: the supervisor.
type buffers struct {
	inForce Plan
	step    int       // which of inForce.OutputFrames is in force
	dry     uint64    // how often the server had run dry at the last change of step, or when the calm began
	calm    time.Time // when the calm began
	growing int       // the step that the output's buffer is to take once the ring holds what it will ask for; 0: none
	growBy  time.Time // the latest time for that
	told    bool      // that the delay has grown since it was last the least
}

// plan fills in the frames of the request: as the settings say, or as the driver plans for the wished delay.
func (b *buffers) plan(driver Driver, set Settings, req *Request) {
	before := b.inForce.OutputFrames
	b.inForce = Plan{CaptureFrames: 480, KeepFrames: 960, OutputFrames: []int{1920}}
	if d, ok := driver.(Planner); ok {
		b.inForce = d.Plan(set.Delay, req.RateHz)
	}
	if n := set.CaptureFrames; n > 0 {
		b.inForce.CaptureFrames, b.inForce.KeepFrames = n, 2*n
	}
	if n := set.OutputFrames; n > 0 {
		b.inForce.OutputFrames = []int{n}
	}
	if !slices.Equal(before, b.inForce.OutputFrames) {
		b.step = 0
	}
	req.CaptureFrames, req.OutputFrames = b.inForce.CaptureFrames, b.frames()
}

// frames is the output's buffer in force.
func (b *buffers) frames() int { return b.inForce.OutputFrames[b.step] }

// grown is by how many frames the buffer in force is larger than the first of the plan.
func (b *buffers) grown() int {
	if len(b.inForce.OutputFrames) == 0 {
		return 0
	}
	return b.frames() - b.inForce.OutputFrames[0]
}

// grows reports whether there is a larger output buffer that covers what is late at either end.
func (b *buffers) grows() bool { return !b.inForce.InStep && b.step+1 < len(b.inForce.OutputFrames) }

// begin starts to watch streams that have just been opened.
func (b *buffers) begin(dry uint64, now time.Time) {
	b.dry, b.calm, b.growing = dry, now.Add(settleTime), 0
}

// choose is the step that the output's buffer is to have: a larger one after the server ran dry, a smaller one after a
// long calm. dry is how often the server has run dry.
func (b *buffers) choose(dry uint64, now time.Time) (step int) {
	switch {
	case now.Before(b.calm): // settling
		b.dry = dry
		return b.step
	case dry != b.dry && b.step+1 < len(b.inForce.OutputFrames):
		step = b.step + 1
	case dry != b.dry:
		b.dry, b.calm = dry, now
		return b.step
	case now.Sub(b.calm) > calmTime && b.step > 0:
		step = b.step - 1
	default:
		return b.step
	}
	b.dry, b.calm = dry, now.Add(settleTime)
	return step
}

// adapt changes the output's buffer as choose says. The ring comes first: it is to hold what a larger buffer asks for
// at once.
func (v *supervisor) adapt(now time.Time) {
	b, path := &v.buffers, v.path.Load()
	if path == nil {
		return
	}
	if b.growing > 0 {
		spare := b.inForce.OutputFrames[b.growing] - b.frames()
		if path.SpareHeld() < spare && now.Before(b.growBy) {
			return
		}
		v.resize(b.growing)
		path.Spare(0)
		b.growing = 0
		return
	}
	step := b.choose(v.meters.Underflows(), now)
	if _, ok := v.stream.(Resizer); !ok || step == b.step {
		return
	}
	more := b.inForce.OutputFrames[step] - b.frames()
	if more <= 0 || b.inForce.InStep {
		v.resize(step)
		return
	}
	path.Spare(more)
	b.growing, b.growBy = step, now.Add(spareTime)
}

// resize makes the output's buffer as large as the plan's step says.
func (v *supervisor) resize(step int) {
	b, stream := &v.buffers, v.stream.(Resizer)
	from, to := b.frames(), b.inForce.OutputFrames[step]
	got, err := wait(v, func() (int, error) { return stream.Resize(to) })
	if err != nil {
		v.log.Warn("changing the output's buffer", "frames", to, "error", err)
		return
	}
	b.step, v.delay = step, v.stream.DelayFrames()
	v.wish()
	v.log.Info("the output's buffer changed", "from_frames", from, "to_frames", got, "server_ran_dry", b.dry)
	switch grown := b.grown(); {
	case grown > 0 && !b.told:
		b.told = true
		v.log.Info("the sound broke, so the delay grows; it shrinks again after ten minutes without a break",
			"by_ms", fmt.Sprintf("%.0f", float64(grown)/float64(v.route.RateHz)*1e3))
	case grown == 0:
		b.told = false
	}
	v.publish()
}
