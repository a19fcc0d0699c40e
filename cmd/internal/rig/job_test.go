package rig

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"cushwright/config"
	"cushwright/dsp"
	"cushwright/engine"
	"cushwright/engine/control"
	"cushwright/platform"
)

// room is a simulated rig, invented: the sweep comes back 20 ms late and gainDB lower at the microphone of its ear, with hiss and hum.
type room struct {
	rng          *rand.Rand
	gainDB       float64
	hissRMS      float64 // of full scale
	humPeak      float64
	takes        int
	clips        bool // the input overloads at full scale
	cancelAt     int  // the take in which cancel is called; 0: none
	cancel       func()
	failRefresh  error
	failTake     error
	channels     int
	loudestPeaks []float64
}

func (r *room) Devices() (output, input platform.RigDevice) {
	return platform.RigDevice{ID: "booth-out", RateHz: 48000, Channels: 2}, platform.RigDevice{ID: "booth-mic", RateHz: 48000, Channels: r.channels}
}

func (r *room) Refresh() error { return r.failRefresh }

func (r *room) PlayRecord(ctx context.Context, t platform.Take) (platform.Taken, error) {
	r.takes++
	if r.takes == r.cancelAt {
		r.cancel()
	}
	if err := ctx.Err(); err != nil {
		return platform.Taken{}, err
	}
	if r.failTake != nil {
		return platform.Taken{}, r.failTake
	}
	const late = 960
	frames := make([]float32, int(t.RecordSeconds*48000)*r.channels)
	peak := 0.0
	for i := range len(frames) / r.channels {
		for c := range r.channels {
			x := r.hissRMS*r.rng.NormFloat64() + r.humPeak*math.Sin(2*math.Pi*50*float64(i)/48000)
			for side := range 2 {
				if k := 2*(i-late) + side; i >= late && k < len(t.Stereo) && (r.channels == 1 || side == c) {
					x += dsp.Ratio(r.gainDB) * float64(t.Stereo[k])
					peak = max(peak, math.Abs(float64(t.Stereo[k])))
				}
			}
			if r.clips {
				x = min(max(x, -1), 1)
			}
			frames[i*r.channels+c] = float32(x)
		}
	}
	r.loudestPeaks = append(r.loudestPeaks, peak)
	return platform.Taken{Frames: frames, Channels: r.channels, RateHz: 48000}, nil
}

// still is an engine that counts who holds it.
type still struct {
	none          bool
	aside, steady int
	failHold      error
	status        control.Status
}

func (e *still) Status(context.Context) (control.Status, error) {
	if e.none {
		return control.Status{}, control.ErrNoEngine
	}
	return e.status, nil
}

func (e *still) StandAside(context.Context) (func(), <-chan struct{}, error) {
	if e.none {
		return nil, nil, control.ErrNoEngine
	}
	if e.failHold != nil {
		return nil, nil, e.failHold
	}
	e.aside++
	return func() { e.aside-- }, nil, nil
}

func (e *still) HoldSteady(context.Context) (func(), <-chan struct{}, error) {
	if e.failHold != nil {
		return nil, nil, e.failHold
	}
	e.steady++
	return func() { e.steady-- }, nil, nil
}

func newRoom() *room {
	return &room{rng: rand.New(rand.NewPCG(1, 2)), gainDB: -6, hissRMS: 1e-5, channels: 2}
}

func benchOf(t *testing.T) *config.Snapshot {
	t.Helper()
	dir := t.TempDir()
	if _, err := config.FirstRun(dir); err != nil {
		t.Fatal(err)
	}
	snap, err := config.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	snap.Settings.Rig.Input, snap.Settings.Rig.SweepLevelDB, snap.Settings.Rig.MaxLevelDB = "booth-mic", -20, -6
	return snap
}

// openIn opens a job in a room; said gets what it tells.
func openIn(t *testing.T, r *room, e *still, snap *config.Snapshot, answers string, through *control.Status) (j *Job, said *bytes.Buffer, err error) {
	t.Helper()
	said = &bytes.Buffer{}
	j, err = Open(t.Context(), snap, Options{Action: "sweep", Yes: answers == "", Through: through, Engine: e,
		Talk: NewTalk(strings.NewReader(answers), said, answers == ""), Open: func(string, string) (Recorder, error) { return r, nil }})
	return j, said, err
}

// A clean room: seats are measured and written, within a tenth of a decibel of the path.
func TestSeries(t *testing.T) {
	snap, r, e := benchOf(t), newRoom(), &still{}
	j, said, err := openIn(t, r, e, snap, "", nil)
	if err != nil {
		t.Fatal(err)
	}
	if e.aside != 1 {
		t.Error("the engine does not stand aside")
	}
	var written []string
	got, err := j.Run(t.Context(), Series{Cushion: "linen", Dir: snap.Dir, Seats: 2, Short: true,
		Written: func(s SeatReport) error { written = append(written, s.Seat); return nil }}, []dsp.Ear{dsp.Left, dsp.Right})
	if err != nil || len(got) != 4 || len(written) != 4 {
		t.Fatalf("%d seats, %d told, %v\n%s", len(got), len(written), err, said)
	}
	refs, err := snap.Seats("linen")
	if err != nil || len(refs) != 4 {
		t.Fatal(refs, err)
	}
	s, err := snap.LoadSeat(refs[0])
	if err != nil {
		t.Fatal(err)
	}
	for i, f := range s.FreqHz {
		if f > 100 && f < 15000 && math.Abs(s.LevelDB[i]-(-6)) > 0.1 {
			t.Fatalf("%g Hz: %.2f dB, the path has -6", f, s.LevelDB[i])
		}
	}
	j.Close()
	j.Close()
	if e.aside != 0 {
		t.Error("the engine still stands aside")
	}
}

// A quiet sweep that is not heard ends after a bounded number of sweeps and says what was found: with hum that overloads the
// input at once, with hum that leaves less and less room, and with hiss that a louder sweep would beat, if asked and allowed.
func TestWarmUpEnds(t *testing.T) {
	for _, c := range []struct {
		name    string
		change  func(*room)
		answers string // "" is --yes
		says    string
		most    int
	}{
		{"hum above -3 dB", func(r *room) { r.humPeak, r.gainDB = 0.8, -60 }, "", "peaks at -1.9 dB of full scale before the sweep begins", 3},
		{"the same, asked", func(r *room) { r.humPeak, r.gainDB = 0.8, -60 }, "y\ny\ny\ny\ny\ny\ny\ny\n", "peaks at -1.9 dB", 3},
		{"hum below -3 dB", func(r *room) { r.humPeak, r.gainDB = 0.69, -50 }, "", "not the sweep", 6},
		{"hiss", func(r *room) { r.hissRMS, r.gainDB = 0.2, -70 }, "", "", 6},
		{"nothing heard", func(r *room) { r.gainDB = -200 }, "", "", 6},
		{"nothing heard, no", func(r *room) { r.gainDB = -200 }, "n\nn\nn\nn\n", "", 2},
	} {
		snap, r := benchOf(t), newRoom()
		c.change(r)
		j, said, err := openIn(t, r, &still{}, snap, c.answers, nil)
		if err != nil {
			t.Fatal(err)
		}
		f, err := j.warmUp(t.Context(), dsp.Left)
		if err != nil || f == nil || !strings.Contains(f.Text, c.says) || r.takes > c.most {
			t.Errorf("%s: %d sweeps, finding %v, %v\n%s", c.name, r.takes, f, err, said)
		}
		for _, line := range strings.Split(said.String(), "\n") {
			if line != "" && strings.Count(said.String(), line) > rigTries {
				t.Errorf("%s: said again and again: %s", c.name, line)
			}
		}
		for _, p := range r.loudestPeaks {
			if p > dsp.Ratio(snap.Settings.Rig.SweepLevelDB)*1.001 {
				t.Errorf("%s: played at %.1f dB", c.name, dsp.DB(p))
			}
		}
	}
}

// A series in a room that no sweep can master ends, with an answer and without a file.
func TestSeriesEnds(t *testing.T) {
	for name, change := range map[string]func(*room){
		"hum":   func(r *room) { r.humPeak, r.gainDB = 0.8, -60 },
		"clips": func(r *room) { r.gainDB, r.clips = 40, true },
		"retry": func(r *room) {
			r.failTake = &engine.Error{Err: errors.New("the input gives nothing"), Reaction: engine.Retry}
		},
		"reopen": func(r *room) {
			r.failTake = &engine.Error{Err: errors.New("the output went away"), Reaction: engine.Reopen}
		},
		"refresh": func(r *room) { r.failRefresh = &engine.Error{Err: errors.New("no answer"), Reaction: engine.Retry} },
	} {
		snap, r := benchOf(t), newRoom()
		change(r)
		j, said, err := openIn(t, r, &still{none: true}, snap, "", nil)
		if err != nil {
			t.Fatal(err)
		}
		got, err := j.Run(t.Context(), Series{Cushion: "linen", Dir: snap.Dir, Seats: 3, Short: true}, []dsp.Ear{dsp.Left})
		var no *Refused
		if !errors.As(err, &no) || len(got) != 0 || r.takes > 2*rigBreaks {
			t.Errorf("%s: %d seats, %d sweeps, %v\n%s", name, len(got), r.takes, err, said)
		}
		if refs, _ := snap.Seats("linen"); len(refs) != 0 {
			t.Errorf("%s: written: %v", name, refs)
		}
	}
}

// Whatever ends the opening, and whichever sweep is cut short, the engine is let go.
func TestEverythingIsReleased(t *testing.T) {
	snap := benchOf(t)
	for name, c := range map[string]struct {
		change  func(*room, *still, *config.Snapshot)
		through bool
	}{
		"a monitor, through the engine": {func(r *room, e *still, s *config.Snapshot) { s.Settings.Rig.Input = "" }, true},
		"no engine holds still":         {func(r *room, e *still, s *config.Snapshot) { e.failHold = errors.New("no") }, true},
		"no engine steps aside":         {func(r *room, e *still, s *config.Snapshot) { e.failHold = errors.New("no") }, false},
	} {
		one := *snap
		r, e := newRoom(), &still{}
		c.change(r, e, &one)
		var st *control.Status
		if c.through {
			st = &control.Status{}
		}
		said := &bytes.Buffer{}
		j, err := Open(t.Context(), &one, Options{Action: "prove", Yes: true, Through: st, Engine: e, Talk: NewTalk(strings.NewReader(""), said, true),
			Open: func(string, string) (Recorder, error) { return monitored{r}, nil }})
		if err == nil || j != nil || e.aside != 0 || e.steady != 0 {
			t.Errorf("%s: %v, aside %d, steady %d", name, err, e.aside, e.steady)
		}
	}
	for at := 1; at <= 3; at++ {
		ctx, cancel := context.WithCancel(t.Context())
		r, e := newRoom(), &still{}
		r.cancel, r.cancelAt = cancel, at
		j, _, err := openIn(t, r, e, benchOf(t), "", nil)
		if err != nil {
			t.Fatal(err)
		}
		dir := t.TempDir()
		got, err := j.Run(ctx, Series{Cushion: "linen", Dir: dir, Seats: 5, Short: true}, []dsp.Ear{dsp.Left})
		j.Close()
		if !errors.Is(err, context.Canceled) || len(got) != max(0, at-2) || e.aside != 0 {
			t.Errorf("cut short in sweep %d: %d seats, %v, aside %d", at, len(got), err, e.aside)
		}
		if refs, _ := (config.Bench{Dir: dir}).Seats("linen"); len(refs) != len(got) {
			t.Errorf("cut short in sweep %d: %d reported, %d written", at, len(got), len(refs))
		}
		cancel()
	}
}

// monitored says that its input is a monitor.
type monitored struct{ *room }

func (m monitored) Devices() (output, input platform.RigDevice) {
	output, input = m.room.Devices()
	input.Monitor = true
	return output, input
}

// Wishes out of range are refused before anything sounds.
func TestOpenRefuses(t *testing.T) {
	snap := benchOf(t)
	for says, o := range map[string]Options{
		"--mic":     {Mic: "middle"},
		"--seconds": {Seconds: 31},
		"--level":   {HasLevel: true, LevelDB: -1},
	} {
		r := newRoom()
		o.Engine, o.Talk, o.Open = &still{none: true}, NewTalk(strings.NewReader(""), &bytes.Buffer{}, true), func(string, string) (Recorder, error) { return r, nil }
		if _, err := Open(t.Context(), snap, o); err == nil || !strings.Contains(err.Error(), says) || r.takes != 0 {
			t.Errorf("%s: %v", says, err)
		}
	}
	if _, err := Open(t.Context(), snap, Options{Engine: &still{}, Talk: NewTalk(strings.NewReader(""), &bytes.Buffer{}, true),
		Open: func(string, string) (Recorder, error) { return nil, fmt.Errorf("no such device") }}); err == nil || !strings.Contains(err.Error(), "no such device") {
		t.Error(err)
	}
}
