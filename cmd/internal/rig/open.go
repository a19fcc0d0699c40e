package rig

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"cushwright/cmd/internal/bench"
	"cushwright/config"
	"cushwright/dsp"
	swept "cushwright/dsp/sweep"
	"cushwright/engine/control"
	"cushwright/platform"
)

// Caution stands above everything that plays a sweep.
const Caution = `Nobody wears the headphones during a sweep: at sweep level it can hurt. Take them off your head before you go on.`

const (
	quietDB   = -20.0 // the first sweep of a run, against the wanted level
	leastDB   = -80.0 // no sweep is quieter
	louderDB  = 6.0   // a step up, which is asked for
	spareDB   = 3.0   // that the microphone input keeps below full scale
	rigTries  = 3     // how often a seat is repeated before the run ends
	rigBreaks = 20    // how often it is repeated because the machine, not the seat, was to blame
	pathDelay = 0.8   // s of recording behind the signal: the way through output, air, input and engine
)

// Recorder plays and records on one pair of devices.
type Recorder interface {
	// Devices says what the devices are, as they were when they were looked at last.
	Devices() (output, input platform.RigDevice)
	// Refresh looks at the devices again. An *engine.Error says whether to try again.
	Refresh() error
	// PlayRecord plays and records at once, see platform.Rig.
	PlayRecord(ctx context.Context, t platform.Take) (platform.Taken, error)
}

// Engine is the running engine, which steps aside for a sweep or holds still for one that goes through it.
// *control.Client is one.
type Engine interface {
	Status(ctx context.Context) (control.Status, error)
	StandAside(ctx context.Context) (release func(), lost <-chan struct{}, err error)
	HoldSteady(ctx context.Context) (release func(), lost <-chan struct{}, err error)
}

// Options say how a job is done. The zero value of a field stands for its default, where one is named.
type Options struct {
	Action  string  // what messages call the job, such as `sweep "woven"`
	Mic     string  // each (default), left or right
	Yes     bool    // nothing is asked: in a series, a noisy seat is not repeated louder
	LevelDB float64 // of the sweep; only with HasLevel
	Seconds float64 // length of the sweep, 1 to 30; 0: the default

	HasLevel bool
	Through  *control.Status // the sweep goes through the running engine, whose status this is; nil: the engine steps aside
	Talk     *Talk
	Engine   Engine
	Open     func(output, input string) (Recorder, error)
}

// OpenServer opens the devices of this user's sound server.
func OpenServer(output, input string) (Recorder, error) {
	r, err := platform.OpenRig(platform.ServerString(), output, input)
	if err != nil {
		return nil, err
	}
	return onServer{r}, nil
}

type onServer struct{ *platform.Rig }

func (r onServer) Devices() (output, input platform.RigDevice) { return r.Output, r.Input }

// Refused is the end of a job that could not measure what was asked for: an answer, not a failure of input.
type Refused struct{ Err error }

func (r *Refused) Error() string { return r.Err.Error() }
func (r *Refused) Unwrap() error { return r.Err }

// Job is one run on the rig. It belongs to the goroutine that opened it.
type Job struct {
	Talk *Talk

	action  string
	mic     string
	yes     bool
	seconds float64
	rec     Recorder
	behind  Recorder // where the sweep goes through the engine: the output behind it; else nil
	out, in platform.RigDevice
	set     config.Rig
	levelDB float64 // of the sweep now
	wantDB  float64 // of the sweep at most without asking again
	warm    bool    // the quiet sweep was heard
	engine  Engine  // that the sweep goes through; nil where it does not
	release func()  // of what was taken of the engine
}

func (j *Job) fail(err error) error { return fmt.Errorf("cushwright: %s: %w", j.action, err) }

// Open opens the rig and lets the engine step aside, or hold still where the sweep goes through it. Close is to be
// called when all is done; after an error nothing is held.
func Open(ctx context.Context, snap *config.Snapshot, o Options) (j *Job, err error) {
	j = &Job{action: o.Action, mic: o.Mic, yes: o.Yes, seconds: o.Seconds, Talk: o.Talk, set: snap.Settings.Rig, release: func() {}}
	defer func() {
		if err != nil {
			j.Close()
			j = nil
		}
	}()
	if j.mic == "" {
		j.mic = "each"
	}
	if err := j.level(o); err != nil {
		return j, err
	}
	if _, err := bench.Calibration(snap); err != nil { // a bad file is reported before anything sounds
		return j, err
	}
	output, err := j.outputOf(ctx, snap, o)
	if err != nil {
		return j, err
	}
	if j.rec, err = o.Open(output, j.set.Input); err != nil {
		return j, j.fail(err)
	}
	j.out, j.in = j.rec.Devices()
	if o.Through != nil {
		if j.behind, err = o.Open(o.Through.OutputID, j.set.Input); err != nil {
			return j, j.fail(err)
		}
	} else if j.out.ID == platform.VirtualSink {
		return j, j.fail(errors.New(`the default output is the virtual sink of an engine that is gone: "cushwright restore" puts the former one back, or name rig.output in settings.toml`))
	}
	if j.set.Input == "" && j.in.Monitor {
		return j, j.fail(fmt.Errorf("there is no microphone: the default input, %s, only repeats what an output plays; name rig.input in settings.toml (\"devices\" lists what there is)", j.in.ID))
	}
	j.Talk.Say("%s", Caution)
	j.Talk.Say("output %s, %d Hz; microphone input %s, %d Hz", j.out.ID, j.out.RateHz, j.in.ID, j.in.RateHz)
	if f := j.set.Calibration; f != "" {
		j.Talk.Say("calibration %s: seats are kept as measured; it is taken off where a wanted response is the goal", f)
	}
	return j, j.take(ctx, o)
}

// level checks the wishes and finds the levels.
func (j *Job) level(o Options) error {
	switch {
	case j.mic != "each" && j.mic != "left" && j.mic != "right":
		return j.fail(&dsp.RangeError{Key: "--mic", Value: fmt.Sprintf("%q", j.mic), Allowed: "each, left or right"})
	case o.Seconds != 0 && !(o.Seconds >= 1 && o.Seconds <= 30):
		return j.fail(&dsp.RangeError{Key: "--seconds", Value: fmt.Sprint(o.Seconds), Allowed: "1 to 30"})
	}
	j.wantDB = min(j.set.SweepLevelDB, j.set.MaxLevelDB)
	if o.HasLevel {
		if !(o.LevelDB >= leastDB && o.LevelDB <= j.set.MaxLevelDB) {
			return j.fail(&dsp.RangeError{Key: "--level", Value: fmt.Sprint(o.LevelDB),
				Allowed: fmt.Sprintf("%g to %g dB, the rig.max_level_db of settings.toml", leastDB, j.set.MaxLevelDB)})
		}
		j.wantDB = o.LevelDB
	}
	j.levelDB = max(j.wantDB+quietDB, leastDB)
	return nil
}

// outputOf is the output to play on.
func (j *Job) outputOf(ctx context.Context, snap *config.Snapshot, o Options) (string, error) {
	st, err := o.Engine.Status(ctx)
	switch {
	case o.Through != nil:
		if from := snap.Settings.Sound.Capture; from != "" { // routed by hand: what is captured is an output's monitor
			return strings.TrimSuffix(from, ".monitor"), nil
		}
		return platform.VirtualSink, nil
	case err == nil && j.set.Output == "":
		return st.OutputID, nil
	case err != nil && !errors.Is(err, control.ErrNoEngine):
		return "", err
	}
	return j.set.Output, nil
}

// take lets the engine hold still or step aside.
func (j *Job) take(ctx context.Context, o Options) error {
	if o.Through != nil {
		release, _, err := o.Engine.HoldSteady(ctx)
		if err != nil {
			return j.fail(err)
		}
		j.engine, j.release = o.Engine, release
		return nil
	}
	release, _, err := o.Engine.StandAside(ctx)
	switch {
	case err == nil:
		j.release = release
		j.Talk.Say("the engine stands aside until this is done")
	case !errors.Is(err, control.ErrNoEngine):
		return j.fail(err)
	}
	return nil
}

// Close lets the engine go on. It may be called twice.
func (j *Job) Close() {
	j.release()
	j.release = func() {}
}

// WantDB is the level of the sweep that is wanted, in dB of full scale.
func (j *Job) WantDB() float64 { return j.wantDB }

// OutputRateHz is the rate of the output that the sweep is played on.
func (j *Job) OutputRateHz() int { return j.out.RateHz }

// Limit lowers the highest level of the sweep by the gain of what the sweep goes through.
func (j *Job) Limit(gainDB float64) {
	if gainDB <= 0 {
		return
	}
	j.set.MaxLevelDB -= gainDB
	j.wantDB = min(j.wantDB, j.set.MaxLevelDB)
	j.levelDB = max(min(j.levelDB, j.wantDB+quietDB), leastDB)
}

// ShortSeconds is how long a short sweep takes.
func (j *Job) ShortSeconds() float64 {
	s := j.spec(j.out.RateHz, true)
	return s.LeadSeconds + s.DurationSeconds() + s.TrailSeconds
}

// One measures a single short sweep at the wanted level, again where something passing spoilt it. An error of type
// *Refused says what was wrong with it.
func (j *Job) One(ctx context.Context, ear dsp.Ear) (*swept.Response, error) {
	j.levelDB = j.wantDB
	s, f, err := j.once(ctx, ear, "sweep")
	if err == nil && f != nil {
		err = &Refused{j.fail(f)}
	}
	return s.response, err
}
