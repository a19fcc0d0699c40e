package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/bench"
	"cushwright/config"
	"cushwright/dsp"
	swept "cushwright/dsp/sweep"
	"cushwright/engine"
	"cushwright/engine/control"
	"cushwright/platform"
)

// What sweep, prove and which have in common: a rig with its devices, its level, its microphones and its patience.

const sweepCaution = `Nobody wears the headphones during a sweep: at sweep level it can hurt. Take them off your head before you go on.`

const (
	quietDB   = -20.0 // the first sweep of a run, against the wanted level
	louderDB  = 6.0   // a step up, which is asked for
	spareDB   = 3.0   // that the microphone input keeps below full scale
	rigTries  = 3     // how often a seat is repeated before the run ends
	rigBreaks = 20    // how often it is repeated because the machine, not the seat, was to blame
	pathDelay = 0.8   // s of recording behind the signal: the way through output, air, input and engine
)

// rigFlags are the wishes that all rig commands know.
type rigFlags struct {
	ear, mic string
	yes      bool
	levelDB  float64
	seconds  float64
	asJSON   bool
}

func (w *rigFlags) flags(c *cobra.Command, ear string) {
	f := c.Flags()
	f.StringVar(&w.ear, "ear", ear, "the ear on the rig: left, right or both")
	f.StringVar(&w.mic, "mic", "each", "the input's channels: each (a microphone for each ear, or one input for both), left or right (one microphone, on that channel)")
	f.BoolVar(&w.yes, "yes", false, "ask nothing: nobody wears the headphones")
	f.Float64Var(&w.levelDB, "level", 0, "level of the sweep in dB of full scale (default: rig.sweep_level_db of settings.toml)")
	f.BoolVar(&w.asJSON, "json", false, "print JSON")
}

func (w *rigFlags) ears() ([]dsp.Ear, error) {
	if w.ear == "both" {
		return bench.Ears, nil
	}
	e, err := dsp.ParseEar(w.ear)
	if err != nil || e == dsp.Both {
		return nil, &dsp.RangeError{Key: "--ear", Value: fmt.Sprintf("%q", w.ear), Allowed: "left, right or both"}
	}
	return []dsp.Ear{e}, nil
}

// rigJob is one run of a rig command. It belongs to the command's goroutine.
type rigJob struct {
	action  string // for messages
	c       *cobra.Command
	w       rigFlags
	rig     *platform.Rig
	real    *platform.Rig // where the sweep goes through the engine: the output behind it; else nil
	set     config.Rig
	levelDB float64 // of the sweep now
	wantDB  float64 // of the sweep at most without asking again
	warm    bool
	talk    *talk
	close   func()

	status func(context.Context) (control.Status, error) // of the engine that the sweep goes through; nil where it does not
}

func (j *rigJob) fail(err error) error { return fmt.Errorf("cushwright: %s: %w", j.action, err) }

// openRig opens the rig and lets the engine step aside; through, the sweep goes through the running engine instead, whose
// status is given. close is to be called when all is done.
func (a *app) openRig(c *cobra.Command, action string, snap *config.Snapshot, w rigFlags, through *control.Status) (*rigJob, error) {
	j := &rigJob{action: action, c: c, w: w, set: snap.Settings.Rig, close: func() {}}
	switch {
	case w.mic != "each" && w.mic != "left" && w.mic != "right":
		return nil, j.fail(&dsp.RangeError{Key: "--mic", Value: fmt.Sprintf("%q", w.mic), Allowed: "each, left or right"})
	case w.seconds != 0 && !(w.seconds >= 1 && w.seconds <= 30):
		return nil, j.fail(&dsp.RangeError{Key: "--seconds", Value: fmt.Sprint(w.seconds), Allowed: "1 to 30"})
	}
	j.wantDB = min(j.set.SweepLevelDB, j.set.MaxLevelDB)
	if c.Flags().Changed("level") {
		if !(w.levelDB >= -80 && w.levelDB <= j.set.MaxLevelDB) {
			return nil, j.fail(&dsp.RangeError{Key: "--level", Value: fmt.Sprint(w.levelDB),
				Allowed: fmt.Sprintf("-80 to %g dB, the rig.max_level_db of settings.toml", j.set.MaxLevelDB)})
		}
		j.wantDB = w.levelDB
	}
	j.levelDB = max(j.wantDB+quietDB, -80)
	if _, err := bench.Calibration(snap); err != nil { // a bad file is told before anything sounds
		return nil, err
	}

	cl, err := newClient()
	if err != nil {
		return nil, err
	}
	output := j.set.Output
	switch st, err := cl.Status(c.Context()); {
	case through != nil:
		output = platform.VirtualSink
		if from := snap.Settings.Sound.Capture; from != "" { // routed by hand: what is captured is an output's monitor
			output = strings.TrimSuffix(from, ".monitor")
		}
	case err == nil && output == "":
		output = st.OutputID
	case err != nil && !errors.Is(err, control.ErrNoEngine):
		return nil, err
	}
	if j.rig, err = platform.OpenRig(platform.ServerString(), output, j.set.Input); err != nil {
		return nil, j.fail(err)
	}
	if through != nil {
		if j.real, err = platform.OpenRig(platform.ServerString(), through.OutputID, j.set.Input); err != nil {
			return nil, j.fail(err)
		}
		release, _, err := cl.HoldSteady(c.Context())
		if err != nil {
			return nil, j.fail(err)
		}
		j.status, j.close = cl.Status, release
	} else if j.rig.Output.ID == platform.VirtualSink {
		return nil, j.fail(errors.New(`the default output is the virtual sink of an engine that is gone: "cushwright restore" puts the former one back, or name rig.output in settings.toml`))
	}
	if j.set.Input == "" && j.rig.Input.Monitor {
		return nil, j.fail(fmt.Errorf("there is no microphone: the default input, %s, only repeats what an output plays; name rig.input in settings.toml (\"devices\" lists what there is)", j.rig.Input.ID))
	}
	j.talk = newTalk(c, w.yes)
	j.talk.say("%s", sweepCaution)
	j.talk.say("output %s, %d Hz; microphone input %s, %d Hz", j.rig.Output.ID, j.rig.Output.RateHz, j.rig.Input.ID, j.rig.Input.RateHz)
	if f := j.set.Calibration; f != "" {
		j.talk.say("calibration %s: seats are kept as measured; it is taken off where a wanted response is the goal", f)
	}
	if through == nil {
		release, _, err := cl.StandAside(c.Context())
		switch {
		case err == nil:
			j.talk.say("the engine stands aside until this is done")
			j.close = release
		case !errors.Is(err, control.ErrNoEngine):
			return nil, j.fail(err)
		}
	}
	return j, nil
}

// limit takes what is added to the sweep behind it off the highest level.
func (j *rigJob) limit(gainDB float64) {
	if gainDB <= 0 {
		return
	}
	j.set.MaxLevelDB -= gainDB
	j.wantDB = min(j.wantDB, j.set.MaxLevelDB)
	j.levelDB = max(min(j.levelDB, j.wantDB+quietDB), -80)
}

// spec is the sweep at one rate. Output and input may run at different rates: the same sweep exists at both, so nothing is
// resampled, as long as it ends below what the lower rate carries.
func (j *rigJob) spec(rateHz int, short bool) swept.Spec {
	low := float64(min(j.rig.Output.RateHz, j.rig.Input.RateHz))
	s := swept.Default(low)
	if short || j.w.seconds != 0 && j.w.seconds < 2 {
		s = swept.Short(low)
	}
	if !short && j.w.seconds != 0 {
		s.Seconds = j.w.seconds
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
func (j *rigJob) record(ctx context.Context, ear dsp.Ear, short bool, label string) (s shot, refused *swept.Finding, err error) {
	for _, r := range []*platform.Rig{j.rig, j.real} {
		if r == nil {
			continue
		}
		var e *engine.Error
		if err := r.Refresh(); errors.As(err, &e) && e.Reaction == engine.Retry {
			s.broken = true
			return s, &swept.Finding{Kind: swept.Interrupted, Refuse: true, Text: "the sound server did not answer: " + e.Err.Error()}, nil
		} else if err != nil {
			return s, nil, j.fail(err)
		}
		if r.Output.Muted || math.IsInf(r.Output.VolumeDB, -1) {
			return s, &swept.Finding{Kind: swept.OutputMuted, Refuse: true, Text: fmt.Sprintf("the output %s is muted or turned all the way down", r.Output.ID)}, nil
		}
	}
	if j.rig.Input.Muted || math.IsInf(j.rig.Input.VolumeDB, -1) {
		return s, &swept.Finding{Kind: swept.Silent, Refuse: true, Text: fmt.Sprintf("the microphone input %s is muted or turned all the way down", j.rig.Input.ID)}, nil
	}
	mono := j.spec(j.rig.Output.RateHz, short).Signal()
	stereo := make([]float32, 2*len(mono)+j.rig.Output.RateHz)
	for i, v := range mono {
		stereo[2*i+int(ear-dsp.Left)] = float32(v)
	}
	s = shot{ear: ear, spec: j.spec(j.rig.Input.RateHz, short), levelDB: j.levelDB, at: time.Now()}
	breaks, err := j.calm(ctx)
	if err != nil {
		return s, nil, err
	}
	watched := j.watchBreaks(breaks)
	bar := j.talk.bar(label)
	took, err := j.rig.PlayRecord(ctx, platform.Take{Stereo: stereo, Progress: bar,
		RecordSeconds: float64(len(mono))/float64(j.rig.Output.RateHz) + pathDelay})
	j.talk.endBar()
	s.torn, s.began = watched(), took.Began
	var lost *engine.Error
	switch {
	case ctx.Err() != nil:
		return s, nil, ctx.Err()
	case errors.As(err, &lost) && lost.Reaction == engine.Reopen: // should the device be gone, the next look says so
		s.broken = true
		return s, &swept.Finding{Kind: swept.Interrupted, Refuse: true, Text: "the sweep was interrupted: " + lost.Err.Error()}, nil
	case errors.As(err, &lost) && lost.Reaction == engine.Retry:
		return s, &swept.Finding{Kind: swept.Silent, Refuse: true, Text: lost.Err.Error()}, nil
	case err != nil:
		return s, nil, j.fail(err)
	}
	at, two := int(ear-dsp.Left), took.Channels == 2 && j.w.mic == "each"
	switch j.w.mic {
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

// tornSpan is a time between two looks.
type tornSpan struct{ from, to time.Time }

// watchBreaks looks at the engine that a sweep goes through, again and again, until stop is called, which says when its
// sound broke off. Where the sweep goes through none, there is nothing to see.
func (j *rigJob) watchBreaks(breaks uint64) (stop func() []tornSpan) {
	if j.status == nil {
		return func() []tornSpan { return nil }
	}
	quit, done := make(chan struct{}), make(chan []tornSpan, 1)
	go func() {
		var torn []tornSpan
		last := time.Now()
		for over := false; ; {
			select {
			case <-quit:
				over = true
			case <-time.After(50 * time.Millisecond):
			}
			ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
			st, err := j.status(ctx)
			cancel()
			now := time.Now()
			if n := engineBreaks(st); err != nil || n != breaks { // an engine that does not answer tells nothing good
				torn = append(torn, tornSpan{last, now})
				if err == nil {
					breaks = n
				}
			}
			last = now
			if over {
				done <- torn
				return
			}
		}
	}()
	return func() []tornSpan {
		close(quit)
		return <-done
	}
}

// tornWhile reports whether the engine's sound broke off while the sweep went through it, not before or after.
func (s shot) tornWhile() *swept.Finding {
	for _, t := range s.torn {
		if s.response != nil {
			second := func(x float64) time.Duration { return time.Duration(x * float64(time.Second)) }
			from := s.began.Add(second(s.spec.LeadSeconds - 0.05))
			to := s.began.Add(second(s.spec.LeadSeconds + s.response.DelaySeconds + s.spec.DurationSeconds() + s.response.WindowSeconds + 0.05))
			if t.to.Before(from) || t.from.After(to) {
				continue
			}
		}
		return &swept.Finding{Kind: swept.Interrupted, Refuse: true,
			Text: "the sweep was interrupted: the engine's sound broke off; should that go on, sound.delay = \"safe\" gives it more time"}
	}
	return nil
}

// engineBreaks counts what may have torn a sweep that went through the engine.
func engineBreaks(st control.Status) uint64 {
	n := st.Counters
	return n.Underruns + n.Underflows + n.Trims + uint64(st.Reopened)
}

// calm waits until the engine that the sweep goes through has settled: no breaks, and its resampler at the ratio that it was
// asked to keep, for a sweep would be stretched otherwise. It counts the breaks so far.
func (j *rigJob) calm(ctx context.Context) (breaks uint64, err error) {
	if j.status == nil {
		return 0, nil
	}
	const enough, moving = 400 * time.Millisecond, 1 // ppm
	var since time.Time
	ppm := math.Inf(1)
	for end := time.Now().Add(10 * time.Second); ; {
		st, err := j.status(ctx)
		if err != nil {
			return 0, j.fail(err)
		}
		n, now := engineBreaks(st), time.Now()
		if n != breaks || math.Abs(st.Counters.DriftPPM-ppm) > moving || since.IsZero() {
			breaks, ppm, since = n, st.Counters.DriftPPM, now
		}
		if now.Sub(since) > enough || now.After(end) {
			return breaks, nil
		}
		select {
		case <-ctx.Done():
			return 0, ctx.Err()
		case <-time.After(50 * time.Millisecond):
		}
	}
}

// measure records a sweep and works it out. refused is the first reason to repeat it, nil for a good one.
func (j *rigJob) measure(ctx context.Context, ear dsp.Ear, short bool, label string) (s shot, refused *swept.Finding, err error) {
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

// warmUp makes the first sweep of a run a quiet one and asks before it goes louder. refused is why nothing can be measured.
func (j *rigJob) warmUp(ctx context.Context, ear dsp.Ear) (refused *swept.Finding, err error) {
	for tries := 0; !j.warm; {
		s, f, err := j.measure(ctx, ear, true, "quiet sweep")
		if err != nil {
			return nil, err
		}
		if f == nil {
		} else if most, _, passes := j.patience(f, s); passes && tries+1 < most {
			tries++
			j.talk.say("the quiet sweep was no good: %s", f.Text)
			continue
		}
		faint := f != nil && (f.Kind == swept.NoSweep || f.Kind == swept.Noisy || f.Kind == swept.Unusable)
		if f != nil && !(faint && j.levelDB < j.wantDB) {
			if f.Kind == swept.WrongEar && s.other != nil {
				j.talk.say("note: a rig with one microphone for both ears needs --mic left or --mic right")
			}
			if f.Kind == swept.NoSweep && s.other == nil {
				if wrong, err := j.otherEar(ctx, s); wrong != nil || err != nil {
					return wrong, err
				}
			}
			return f, nil
		}
		if s.other == nil && !faint && s.wanted != nil {
			if wrong, err := j.otherEar(ctx, s); wrong != nil || err != nil {
				return wrong, err
			}
		}
		next := j.wantDB
		said := "the microphone hears nothing of the sweep"
		if s.response != nil {
			said = fmt.Sprintf("it stands %.0f dB out of the noise", signalDB(s.response))
			// As loud as wanted, but not so loud that the input is overloaded.
			next = min(next, j.levelDB-spareDB-s.response.PeakDB)
		}
		if next > j.levelDB {
			yes, err := j.talk.confirm(ctx, fmt.Sprintf("The quiet sweep at %.0f dB: %s. Nobody wears the headphones: go on at %.0f dB?", j.levelDB, said, next))
			if err != nil {
				return nil, err
			}
			if !yes && faint {
				return f, nil
			}
			if yes {
				if next < j.wantDB-0.05 {
					j.talk.say("%.1f dB instead of %.1f: more would overload the microphone input", next, j.wantDB)
				}
				j.levelDB = next
			}
		}
		j.warm = !faint
	}
	return nil, nil
}

// patience is how often a sweep is repeated for what was found, whether the machine is to blame and not the seat, and
// whether it may pass without anything being changed.
func (j *rigJob) patience(f *swept.Finding, s shot) (most int, machine, passes bool) {
	switch f.Kind {
	case swept.Burst:
		return rigTries, false, true
	case swept.Interrupted, swept.ClockOff:
		if s.broken || j.status != nil {
			return rigBreaks, true, true
		}
		return rigTries, false, true
	}
	return rigTries, false, false
}

// once measures a single sweep, again where something passing spoilt it.
func (j *rigJob) once(ctx context.Context, ear dsp.Ear, label string) (s shot, refused *swept.Finding, err error) {
	for tries := 1; ; tries++ {
		s, refused, err = j.measure(ctx, ear, true, label)
		if err != nil || refused == nil {
			return s, refused, err
		}
		if most, _, passes := j.patience(refused, s); !passes || tries >= most {
			return s, refused, nil
		}
		j.talk.say("refused: %s", refused.Text)
	}
}

// otherEar plays a sweep to the other ear: with one microphone only that tells that the wrong one is on the rig.
func (j *rigJob) otherEar(ctx context.Context, s shot) (*swept.Finding, error) {
	t, f, err := j.record(ctx, dsp.Left+dsp.Right-s.ear, true, "the other ear, quietly")
	if f != nil || err != nil {
		return nil, err
	}
	return swept.CheckEar(s.wanted, t.wanted, s.spec), nil
}

// signalDB is the signal-to-noise ratio over all frequencies: the mean of the octaves that hold any.
func signalDB(r *swept.Response) float64 {
	sum, n := 0.0, 0.0
	for _, v := range r.OctaveSNRDB {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			sum, n = sum+v, n+1
		}
	}
	return sum / n
}

// seatSet is a series of seats of one cushion that are stored as they come.
type seatSet struct {
	cushion string
	dir     string   // the bench, or what is laid out like one, that the seats go to
	notes   []string // that every seat of the series carries
	keep    func(config.Seat) bool
	short   bool
	impulse bool
	seats   int
}

// seatReport is what is said of a seat.
type seatReport struct {
	Ear              dsp.Ear    `json:"ear"`
	Seat             string     `json:"seat"`
	SweepLevelDB     float64    `json:"sweep_level_db"`
	LevelDB          float64    `json:"level_db"` // recorded RMS; 0 = a sine at full scale
	PeakDB           float64    `json:"peak_db"`
	OctaveHz         []float64  `json:"octave_hz"`
	OctaveSNRDB      []*float64 `json:"octave_signal_to_noise_db"` // null outside the sweep
	SignalDB         float64    `json:"signal_to_noise_db"`
	Clipped          bool       `json:"clipped"`
	Distortion100Hz  float64    `json:"distortion_100_hz"` // harmonics 2 to 5 over the fundamental, as a ratio
	Distortion100Flr float64    `json:"distortion_100_hz_floor"`
	Distortion1kHz   float64    `json:"distortion_1_khz"`
	Distortion1kFlr  float64    `json:"distortion_1_khz_floor"`
	Earlier          int        `json:"earlier_seats"`
	AgreementDB      *float64   `json:"agreement_db"` // RMS against the mean of the earlier seats; null for the first
	LeakSuspected    bool       `json:"leak_suspected"`
	UnusablePoints   int        `json:"unusable_points"`
	DelayMS          float64    `json:"delay_ms"`
	ClockPPM         float64    `json:"clock_ppm"`
	WindowMS         float64    `json:"window_ms"`
	Refused          []refusal  `json:"refused,omitempty"` // the tries before
	Impulse          string     `json:"impulse,omitempty"`
	Notes            []string   `json:"notes,omitempty"`
}

type refusal struct {
	Kind swept.Kind `json:"kind"`
	Text string     `json:"reason"`
}

// run measures a series: seat by seat, each ear in turn where there is a microphone for each, otherwise ear by ear. What was
// measured is on disk when the error comes.
func (j *rigJob) run(ctx context.Context, set seatSet, earsWanted []dsp.Ear) (out []seatReport, err error) {
	type turn struct {
		ear dsp.Ear
		n   int
	}
	var turns []turn
	if two := j.rig.Input.Channels >= 2 && j.w.mic == "each"; two {
		for n := range set.seats {
			for _, e := range earsWanted {
				turns = append(turns, turn{e, n + 1})
			}
		}
	} else {
		for _, e := range earsWanted {
			for n := range set.seats {
				turns = append(turns, turn{e, n + 1})
			}
		}
	}
	lastN := 0
	var lastEar dsp.Ear
	for _, t := range turns {
		if both := len(earsWanted) == 2 && j.rig.Input.Channels >= 2 && j.w.mic == "each"; !both || t.n != lastN {
			what := fmt.Sprintf("the %s ear", t.ear)
			if both {
				what = "both ears"
			}
			ask := fmt.Sprintf("Seat %d of %d of %s, %s: lift the headphones, seat them again, keep quiet, then press Enter.", t.n, set.seats, set.cushion, what)
			if t.n == 1 {
				ask = fmt.Sprintf("Seat 1 of %d of %s, %s: seat the headphones on the rig, keep quiet, then press Enter.", set.seats, set.cushion, what)
			}
			if err := j.talk.enter(ctx, ask); err != nil {
				return out, err
			}
		}
		if t.ear != lastEar && j.w.mic != "each" || j.rig.Input.Channels == 1 && t.ear != lastEar {
			j.warm = j.warm && lastEar == 0 // another ear on the rig: quiet first, and is it the right one?
			if !j.warm {
				j.levelDB = min(j.levelDB, max(j.wantDB+quietDB, -80))
			}
		}
		lastN, lastEar = t.n, t.ear
		r, err := j.seat(ctx, set, t.ear, t.n)
		if err != nil {
			return out, err
		}
		out = append(out, r)
	}
	return out, nil
}

// seat measures one seat, again and again until it is good, and writes it.
func (j *rigJob) seat(ctx context.Context, set seatSet, ear dsp.Ear, n int) (seatReport, error) {
	var refused []refusal
	bad, breaks := 0, 0
	for {
		f, err := j.warmUp(ctx, ear)
		if err != nil {
			return seatReport{}, err
		}
		if f != nil { // a wrong set-up: sweeping on mends nothing
			return seatReport{}, answerNo{j.fail(f)}
		}
		s, f, err := j.measure(ctx, ear, set.short, fmt.Sprintf("%s ear, seat %d of %d", ear, n, set.seats))
		if err != nil {
			return seatReport{}, err
		}
		var r seatReport
		if f == nil {
			r, f, err = j.judge(set, s)
			if err != nil {
				return seatReport{}, err
			}
		}
		if f == nil {
			r.Refused = refused
			if err := j.keep(set, s, &r); err != nil {
				return seatReport{}, err
			}
			return r, nil
		}
		refused = append(refused, refusal{f.Kind, f.Text})
		j.talk.say("refused: %s", f.Text)
		most, machine, _ := j.patience(f, s)
		count := &bad
		if machine {
			count = &breaks
		}
		if *count++; *count >= most {
			more := ""
			if f.Kind == swept.Disagrees || f.Kind == swept.Leak {
				more = "; perhaps an earlier seat is the odd one: look at them with compare, and delete its file"
			}
			return seatReport{}, answerNo{j.fail(fmt.Errorf("the %s ear's seat %d was refused %d times, last of all: %s%s", ear, n, len(refused), f.Text, more))}
		}
		if machine {
			continue
		}
		if up := min(j.levelDB+louderDB, j.set.MaxLevelDB); f.Kind == swept.Noisy && up > j.levelDB+0.5 && !j.w.yes {
			yes, err := j.talk.confirm(ctx, fmt.Sprintf("Sweep at %.0f dB instead of %.0f? Nobody wears the headphones?", up, j.levelDB))
			if err != nil {
				return seatReport{}, err
			}
			if yes {
				j.levelDB, j.wantDB = up, max(j.wantDB, up)
			}
		}
		if err := j.talk.enter(ctx, "Seat the headphones again, keep quiet, then press Enter."); err != nil {
			return seatReport{}, err
		}
	}
}

// sameVisit is how far apart in time seats may be that are to agree with each other; older ones may be of a younger
// cushion.
const sameVisit = 12 * time.Hour

// judge reports on a seat and compares it with the earlier ones. Only those of the same visit to the rig have a say in refusing it.
func (j *rigJob) judge(set seatSet, s shot) (seatReport, *swept.Finding, error) {
	x := s.response
	r := seatReport{Ear: s.ear, SweepLevelDB: s.levelDB, LevelDB: x.RMSDB, PeakDB: x.PeakDB, OctaveHz: swept.OctaveMidHz(), SignalDB: signalDB(x),
		DelayMS: x.DelaySeconds * 1e3, ClockPPM: x.ClockPPM, WindowMS: x.WindowSeconds * 1e3}
	for _, v := range x.OctaveSNRDB {
		var p *float64
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			p = &v
		}
		r.OctaveSNRDB = append(r.OctaveSNRDB, p)
	}
	r.Distortion100Hz, r.Distortion100Flr = finiteRatio(x.Distortion(100))
	r.Distortion1kHz, r.Distortion1kFlr = finiteRatio(x.Distortion(1000))
	for _, v := range x.LevelDB {
		if math.IsNaN(v) {
			r.UnusablePoints++
		}
	}
	for _, f := range x.Findings {
		r.Clipped = r.Clipped || f.Kind == swept.Clipped
		r.Notes = append(r.Notes, f.Text)
	}
	before, err := storedSeats(set.dir, set.cushion, s.ear, set.keep)
	if err != nil {
		return r, nil, err
	}
	var now, older [][]float64
	day := ""
	for _, b := range before {
		if t, ok := seatTime(b.seat.Date); ok && s.at.Sub(t).Abs() < sameVisit {
			now = append(now, b.levelDB)
		} else {
			older, day = append(older, b.levelDB), b.seat.Date
		}
	}
	if len(now) == 0 && len(older) > 0 {
		_, found, err := swept.Agreement(x.FreqHz, x.LevelDB, older)
		if err != nil {
			return r, nil, j.fail(err)
		}
		for _, f := range found {
			r.Notes = append(r.Notes, fmt.Sprintf("against the %d older seats, the latest of %s: %s; has the cushion aged? compare %s --since tells", len(older), day, f.Text, set.cushion))
		}
	}
	r.Earlier = len(now)
	if len(now) == 0 {
		return r, nil, nil
	}
	rms, found, err := swept.Agreement(x.FreqHz, x.LevelDB, now)
	if err != nil {
		return r, nil, j.fail(err)
	}
	r.AgreementDB = &rms
	for i, f := range found {
		r.LeakSuspected = r.LeakSuspected || f.Kind == swept.Leak
		if f.Refuse {
			return r, &found[i], nil
		}
	}
	return r, nil, nil
}

func finiteRatio(ratio, floor float64) (float64, float64) {
	if math.IsNaN(ratio) || math.IsInf(ratio, 0) {
		ratio = 0
	}
	if math.IsNaN(floor) || math.IsInf(floor, 0) {
		floor = 0
	}
	return ratio, floor
}

// keep writes a good seat.
func (j *rigJob) keep(set seatSet, s shot, r *seatReport) error {
	x := s.response
	seat := config.Seat{Ear: s.ear, Date: s.at.Format(time.RFC3339), RateHz: x.RateHz, SweepLevelDB: s.levelDB, SignalDB: math.Round(r.SignalDB*10) / 10}
	for i, f := range x.FreqHz {
		if v := x.LevelDB[i]; !math.IsNaN(v) && !math.IsInf(v, 0) {
			seat.FreqHz = append(seat.FreqHz, typed(f, 1e-6))
			seat.LevelDB = append(seat.LevelDB, typed(v, 1e-4))
			seat.PhaseDeg = append(seat.PhaseDeg, typed(x.PhaseDeg[i], 1e-3))
		}
	}
	var snr []string
	for i, v := range r.OctaveSNRDB {
		if v != nil {
			snr = append(snr, fmt.Sprintf("%.4g Hz %.0f", r.OctaveHz[i], *v))
		}
	}
	seat.Notes = append([]string{
		fmt.Sprintf("sweep: %g to %g Hz in %.2f s, %s ear, output %s, input %s", s.spec.StartHz, s.spec.EndHz, s.spec.DurationSeconds(), s.ear, j.rig.Output.ID, j.rig.Input.ID),
		"level_db: against the sweep as generated; phase with the delay taken off",
		"signal to noise by octave, dB: " + strings.Join(snr, ", "),
		fmt.Sprintf("distortion, harmonics 2 to 5: 100 Hz %.3f %%, 1 kHz %.3f %%", 100*r.Distortion100Hz, 100*r.Distortion1kHz),
		fmt.Sprintf("delay %.2f ms, clocks %+.1f ppm, window %.0f ms", r.DelayMS, r.ClockPPM, r.WindowMS),
		fmt.Sprintf("volume set in the sound system: output %.1f dB, input %.1f dB", j.rig.Output.VolumeDB, j.rig.Input.VolumeDB),
	}, set.notes...)
	if j.set.Calibration != "" {
		seat.Notes = append(seat.Notes, "calibration, not taken off here: "+j.set.Calibration)
	}
	file, err := config.WriteSeat(set.dir, set.cushion, s.ear, seat)
	if err != nil {
		return err
	}
	r.Seat = file
	if set.impulse {
		r.Impulse = strings.TrimSuffix(file, ".csv") + ".wav"
		if err := writeImpulse(r.Impulse, x); err != nil {
			return err
		}
	}
	if !j.w.asJSON {
		return printTo(j.c, r.print)
	}
	return nil
}

func (r seatReport) print(w io.Writer) {
	fmt.Fprintf(w, "%s ear: %s\n", r.Ear, r.Seat)
	fmt.Fprintf(w, "  recorded %.1f dB (peak %.1f), not clipped; sweep at %.1f dB\n", r.LevelDB, r.PeakDB, r.SweepLevelDB)
	fmt.Fprint(w, "  signal to noise by octave, dB:")
	for i, v := range r.OctaveSNRDB {
		if v != nil {
			fmt.Fprintf(w, " %s:%.0f", octaveName(r.OctaveHz[i]), *v)
		}
	}
	fmt.Fprintln(w)
	fmt.Fprintf(w, "  distortion: 100 Hz %s, 1 kHz %s\n", percent(r.Distortion100Hz, r.Distortion100Flr), percent(r.Distortion1kHz, r.Distortion1kFlr))
	switch {
	case r.AgreementDB == nil:
		fmt.Fprintln(w, "  no earlier seat of this visit to the rig to agree with, so a leak cannot be told yet")
	default:
		fmt.Fprintf(w, "  %.1f dB RMS from the mean of %s before; no leak suspected\n", *r.AgreementDB, plural(uint64(r.Earlier), "seat"))
	}
	if r.UnusablePoints > 0 {
		fmt.Fprintf(w, "  %d points drown in noise and are left out\n", r.UnusablePoints)
	}
	for _, n := range r.Notes {
		fmt.Fprintln(w, "  note:", n)
	}
	if r.Impulse != "" {
		fmt.Fprintln(w, "  impulse response:", r.Impulse)
	}
}

func percent(ratio, floor float64) string {
	if ratio <= 0 {
		return fmt.Sprintf("below %.3f %%", 100*floor)
	}
	return fmt.Sprintf("%.3f %%", 100*ratio)
}

// octaveName is the nominal frequency (ISO 266) of an octave's exact mid-band.
func octaveName(midHz float64) string {
	for i, n := range []string{"31.5", "63", "125", "250", "500", "1k", "2k", "4k", "8k", "16k"} {
		if math.Abs(math.Log(midHz/(1000*math.Pow(10, 0.3*float64(i-5))))) < 0.01 {
			return n
		}
	}
	return fmt.Sprintf("%.0f", midHz)
}

// stored is a seat on disk, with its levels on the grid of the sweep.
type stored struct {
	ref     config.SeatRef
	seat    config.Seat
	levelDB []float64
}

// storedSeats reads the seats of one ear that keep accepts (nil: all).
func storedSeats(dir, cushion string, ear dsp.Ear, keep func(config.Seat) bool) (out []stored, err error) {
	b := config.Bench{Dir: dir}
	refs, err := b.Seats(cushion)
	if err != nil {
		return nil, err
	}
	for _, r := range refs {
		if r.Ear != ear {
			continue
		}
		s, err := b.LoadSeat(r)
		if err != nil {
			return nil, err
		}
		if keep == nil || keep(s) {
			out = append(out, stored{r, s, onSweepGrid(s.FreqHz, s.LevelDB)})
		}
	}
	return out, nil
}

func levelsOf(seats []stored) (out [][]float64) {
	for _, s := range seats {
		out = append(out, s.levelDB)
	}
	return out
}

// onSweepGrid puts measured points on the grid of package sweep, over log frequency. Where nothing was measured within a
// sixth of an octave on either side there is NaN.
func onSweepGrid(freqHz, levelDB []float64) []float64 {
	grid := swept.Grid()
	out := make([]float64, len(grid))
	k := 0
	for i, f := range grid {
		for k < len(freqHz) && freqHz[k] < f*(1-1e-6) {
			k++
		}
		out[i] = math.NaN()
		switch {
		case k < len(freqHz) && math.Abs(freqHz[k]/f-1) < 1e-5:
			out[i] = levelDB[k]
		case k == 0 || k == len(freqHz):
		case math.Log2(freqHz[k]/freqHz[k-1]) <= 1./3:
			t := math.Log(f/freqHz[k-1]) / math.Log(freqHz[k]/freqHz[k-1])
			out[i] = levelDB[k-1] + t*(levelDB[k]-levelDB[k-1])
		}
	}
	return out
}

// inside is the path of a file as people see it, relative to the bench where it lies inside.
func inside(bench, file string) string {
	if r, err := filepath.Rel(bench, file); err == nil && !strings.HasPrefix(r, "..") {
		return filepath.ToSlash(r)
	}
	return file
}

// interrupted turns the end of a context into an answer that says what is kept.
func interrupted(err error, action string, kept, wanted int) error {
	if errors.Is(err, context.Canceled) {
		return answerNo{fmt.Errorf("cushwright: %s: interrupted: %s of %d measured and kept", action, plural(uint64(kept), "seat"), wanted)}
	}
	return err
}

// engineRuns checks that the engine plays the correction of a cushion and nothing else.
func engineRuns(st control.Status, name string) error {
	switch {
	case st.State != engine.Running:
		return fmt.Errorf("the engine is %v", st.State)
	case st.Trial:
		return errors.New("a listening trial is under way: end it first")
	case st.Cushion != name:
		return fmt.Errorf("the engine plays the correction of %s: say \"cushwright wear %s\" when that cushion is fitted", st.Cushion, name)
	case st.Bypass:
		return errors.New(`the correction is bypassed: say "cushwright bypass off"`)
	case st.Muted || st.Aside:
		return errors.New("the engine is muted")
	case len(st.Problems) > 0:
		return fmt.Errorf("the engine does not play what is on disk: %s", st.Problems[0])
	}
	return nil
}

// talk asks and tells on standard error. Its own goroutine reads standard input, so that Ctrl-C ends a question too.
type talk struct {
	out   io.Writer
	yes   bool
	tty   bool
	in    io.Reader
	lines chan string // nil until something is asked
	drawn bool
}

func newTalk(c *cobra.Command, yes bool) *talk {
	t := &talk{out: c.ErrOrStderr(), in: c.InOrStdin(), yes: yes}
	if f, ok := t.out.(*os.File); ok {
		if fi, err := f.Stat(); err == nil {
			t.tty = fi.Mode()&os.ModeCharDevice != 0
		}
	}
	return t
}

func (t *talk) say(format string, args ...any) { fmt.Fprintf(t.out, format+"\n", args...) }

// line reads one line of standard input.
func (t *talk) line(ctx context.Context) (string, error) {
	if t.lines == nil {
		lines := make(chan string)
		t.lines = lines
		go func() { // ends with the input, or with the process
			for sc := bufio.NewScanner(t.in); sc.Scan(); {
				lines <- sc.Text()
			}
			close(lines)
		}()
	}
	select {
	case l, ok := <-t.lines:
		if !ok {
			return "", errors.New("cushwright: ask: standard input has ended: --yes asks nothing")
		}
		return strings.TrimSpace(l), nil
	case <-ctx.Done():
		fmt.Fprintln(t.out)
		return "", ctx.Err()
	}
}

// enter waits for Enter.
func (t *talk) enter(ctx context.Context, ask string) error {
	if t.yes {
		return ctx.Err()
	}
	t.say("%s", ask)
	_, err := t.line(ctx)
	return err
}

// confirm asks a question whose default is no.
func (t *talk) confirm(ctx context.Context, ask string) (bool, error) {
	if t.yes {
		return true, ctx.Err()
	}
	fmt.Fprintf(t.out, "%s [y/N] ", ask)
	l, err := t.line(ctx)
	return strings.EqualFold(l, "y") || strings.EqualFold(l, "yes"), err
}

// bar returns what draws the progress of a sweep, on terminals only.
func (t *talk) bar(label string) func(share float64) {
	if !t.tty {
		return nil
	}
	return func(share float64) {
		const width = 30
		n := int(share*width + 0.5)
		fmt.Fprintf(t.out, "\r%s [%s%s] %3.0f %%", label, strings.Repeat("#", n), strings.Repeat("-", width-n), share*100)
		t.drawn = true
	}
}

func (t *talk) endBar() {
	if t.drawn {
		fmt.Fprintln(t.out)
	}
	t.drawn = false
}
