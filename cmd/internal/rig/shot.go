package rig

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"cushwright/dsp"
	swept "cushwright/dsp/sweep"
	"cushwright/engine"
	"cushwright/platform"
)

// spec is the sweep at one rate. Output and input may run at different rates: the same sweep exists at both, so nothing
// is resampled, as long as it ends below what the lower rate carries.
func (j *Job) spec(rateHz int, short bool) swept.Spec {
	low := float64(min(j.out.RateHz, j.in.RateHz))
	s := swept.Default(low)
	if short || j.seconds != 0 && j.seconds < 2 {
		s = swept.Short(low)
	}
	if !short && j.seconds != 0 {
		s.Seconds = j.seconds
	}
	s.RateHz, s.LevelDB = float64(rateHz), j.levelDB
	return s
}

// shot is one sweep as it was recorded.
type shot struct {
	ear      dsp.Ear
	spec     swept.Spec // at the input's rate
	wanted   []float64  // the ear's channel
	other    []float64  // the other channel; nil where there is one microphone
	response *swept.Response
	levelDB  float64
	at       time.Time
	broken   bool // the sound system or the engine says that frames were lost
	began    time.Time
	torn     []tornSpan // when the engine that it went through lost frames
}

// record plays a sweep to one ear and records it. refused says what the sound system itself knows to be wrong.
func (j *Job) record(ctx context.Context, ear dsp.Ear, short bool, label string) (s shot, refused *swept.Finding, err error) {
	if s.broken, refused, err = j.look(); refused != nil || err != nil {
		return s, refused, err
	}
	mono := j.spec(j.out.RateHz, short).Signal()
	stereo := make([]float32, 2*len(mono)+j.out.RateHz)
	for i, v := range mono {
		stereo[2*i+int(ear-dsp.Left)] = float32(v)
	}
	s = shot{ear: ear, spec: j.spec(j.in.RateHz, short), levelDB: j.levelDB, at: time.Now()}
	breaks, err := j.calm(ctx)
	if err != nil {
		return s, nil, err
	}
	watched := j.watchBreaks(breaks)
	bar := j.Talk.Bar(label)
	took, err := j.rec.PlayRecord(ctx, platform.Take{Stereo: stereo, Progress: bar,
		RecordSeconds: float64(len(mono))/float64(j.out.RateHz) + pathDelay})
	j.Talk.EndBar()
	s.torn, s.began = watched(), took.Began
	if err != nil {
		refused, s.broken, err = j.lost(ctx, err)
		return s, refused, err
	}
	at, two := int(ear-dsp.Left), took.Channels == 2 && j.mic == "each"
	switch j.mic {
	case "left":
		at = 0
	case "right":
		at = 1
	}
	s.wanted = took.Channel(at)
	if two {
		s.other = took.Channel(1 - at)
	}
	for _, g := range took.Gaps {
		refused = &swept.Finding{Kind: swept.Interrupted, Refuse: true, Text: "the sweep was interrupted: " + g.String()}
	}
	s.broken = refused != nil
	return s, refused, nil
}

// measure records a sweep and works it out. refused is the first reason to repeat it, nil for a good one.
func (j *Job) measure(ctx context.Context, ear dsp.Ear, short bool, label string) (s shot, refused *swept.Finding, err error) {
	if s, refused, err = j.record(ctx, ear, short, label); refused != nil || err != nil {
		return s, refused, err
	}
	s.response, err = swept.Deconvolve(s.wanted, s.spec)
	var f *swept.Finding
	if err != nil && !errors.As(err, &f) {
		return s, nil, j.fail(err)
	}
	if t := s.tornWhile(); t != nil {
		s.broken = true
		return s, t, nil
	}
	if s.other != nil {
		if wrong := swept.CheckEar(s.wanted, s.other, s.spec); wrong != nil {
			return s, wrong, nil
		}
	}
	if f != nil {
		return s, f, nil
	}
	if bad := s.response.Refused(); len(bad) > 0 {
		return s, &bad[0], nil
	}
	return s, nil, nil
}

// look looks at the devices again: refused says what makes a sweep useless, broken that the sound server is to blame.
func (j *Job) look() (broken bool, refused *swept.Finding, err error) {
	for _, r := range []Recorder{j.rec, j.behind} {
		if r == nil {
			continue
		}
		var e *engine.Error
		if err := r.Refresh(); errors.As(err, &e) && e.Reaction == engine.Retry {
			return true, &swept.Finding{Kind: swept.Interrupted, Refuse: true, Text: "the sound server did not answer: " + e.Err.Error()}, nil
		} else if err != nil {
			return false, nil, j.fail(err)
		}
		if out, _ := r.Devices(); out.Muted || math.IsInf(out.VolumeDB, -1) {
			return false, &swept.Finding{Kind: swept.OutputMuted, Refuse: true, Text: fmt.Sprintf("the output %s is muted or turned all the way down", out.ID)}, nil
		}
	}
	j.out, j.in = j.rec.Devices()
	if j.in.Muted || math.IsInf(j.in.VolumeDB, -1) {
		return false, &swept.Finding{Kind: swept.Silent, Refuse: true, Text: fmt.Sprintf("the microphone input %s is muted or turned all the way down", j.in.ID)}, nil
	}
	return false, nil, nil
}

// lost turns an error of playing and recording into a reason to repeat the sweep, where repeating may help.
func (j *Job) lost(ctx context.Context, err error) (refused *swept.Finding, broken bool, end error) {
	var e *engine.Error
	switch {
	case ctx.Err() != nil:
		return nil, false, ctx.Err()
	case errors.As(err, &e) && e.Reaction == engine.Reopen: // should the device be gone, the next look says so
		return &swept.Finding{Kind: swept.Interrupted, Refuse: true, Text: "the sweep was interrupted: " + e.Err.Error()}, true, nil
	case errors.As(err, &e) && e.Reaction == engine.Retry:
		return &swept.Finding{Kind: swept.Silent, Refuse: true, Text: e.Err.Error()}, false, nil
	}
	return nil, false, j.fail(err)
}
