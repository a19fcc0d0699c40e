//go:build linux

package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/testrun"
	"cushwright/engine"
	"cushwright/engine/control"
	"cushwright/platform/soundtest"
)

const (
	faultRate    = 48000
	lowTone      = 0.45
	highTone     = 0.40
	ceilingDB    = -1.0
	programme    = "cushwright" // the virtual sink: what the engine is fed with
	faultSetting = "[guard]\nceiling_db = -1.0\n[bypass]\nmatch = \"off\"\n[sound]\nshare_level = false\n"
)

func faultCorrection(highDB float64) string {
	return fmt.Sprintf("headroom_db = 0.0\n\n[[band]]\nshape = \"bell\"\nfreq_hz = 1000\ngain_db = 9.0\nq = 3.0\n\n"+
		"[[band]]\nshape = \"bell\"\nfreq_hz = 3000\ngain_db = %.1f\nq = 3.0\n", highDB)
}

// safeLog is what the engine says.
type safeLog struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *safeLog) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(b)
}

func (l *safeLog) from(at int) string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()[min(at, l.b.Len()):]
}

func (l *safeLog) len() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Len()
}

// faultRig is a server with two outputs, what plays, what listens, and the engine that the scripts befall.
type faultRig struct {
	*rigged
	top      *testing.T // outlives the scripts
	client   *control.Client
	rnd      *rand.Rand
	log      safeLog
	disk     string // where the state folder and the bench lie
	mounted  bool
	speakers uint32
	rate     atomic.Int64 // of the output
	channels atomic.Int64
	delay    string // the setting

	resampled bool // the server resampled for the output, in this script

	ears    map[string]*listener
	player  player
	started bool // the engine's process is there

	wearing, edited string // the cushion, and the text of its correction where edited
	inForce, wanted string // settings: those in the file, those of the script
	turn            turn
}

// turn is one run of a script.
type turn struct {
	where    string    // the line that is carried out
	mark     int       // of the log, where what is reported counts from
	breaks   uint64    // that the engine had counted when it began
	began    time.Time // when it began
	after    time.Time // the last thing that befell
	measured []string  // for the log
	doubts   []string  // what went wrong and what a machine that stood still can bring about as well
}

// player keeps a program playing.
type player struct {
	stop atomic.Bool
	wg   sync.WaitGroup
}

func newFaultRig(t *testing.T, kind string, rnd *rand.Rand) *faultRig {
	t.Helper()
	exe, err := program()
	if err != nil {
		t.Fatal(err)
	}
	r := &faultRig{top: t, delay: "safe", rnd: rnd, wearing: "wipe-clean", ears: map[string]*listener{},
		rigged: &rigged{Server: soundtest.Start(t, kind), t: t, exe: exe, still: stillness}}
	r.rate.Store(faultRate)
	r.channels.Store(2)
	r.client = control.NewClient(filepath.Join(r.Dir, "cushwright", "engine.sock"))
	r.disk = filepath.Join(r.Dir, "disk")
	if err := os.Mkdir(r.disk, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Mount("tmpfs", r.disk, "tmpfs", 0, "size=512k"); err == nil {
		r.mounted = true
		t.Cleanup(func() { syscall.Unmount(r.disk, syscall.MNT_DETACH) })
	} else {
		testrun.LeftOut(t, "a disk that is full or read-only",
			fmt.Sprintf("a small one cannot be mounted (%v); folders are made read-only instead", err))
	}
	r.bench = filepath.Join(r.disk, "bench")
	r.out = r.AddSink("phones", faultRate, 2)
	r.speakers = r.AddSink("speakers", faultRate, 2)
	r.SetDefault("phones")
	r.write("corrections/wipe-clean.toml", faultCorrection(-16))
	r.write("corrections/deep-foam.toml", faultCorrection(-10))
	r.inForce = r.settings()
	r.write("settings.toml", r.inForce)
	state := filepath.Join(r.disk, "state", "cushwright")
	err = errors.Join(os.MkdirAll(state, 0o700), os.WriteFile(filepath.Join(state, "fitted"), []byte("wipe-clean\n"), 0o600))
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range []string{"phones", "speakers", programme} {
		r.ears[s] = r.listen(s)
	}
	r.play()
	t.Cleanup(r.end)
	return r
}

func (r *faultRig) end() {
	for _, e := range r.ears {
		e.stop.Store(true)
	}
	r.player.stop.Store(true)
	for _, e := range r.ears {
		e.wg.Wait()
		for _, s := range e.all() {
			s.rec.Stop()
		}
	}
	r.player.wg.Wait()
}

// play keeps a program playing to the default output, as a program does that starts again when its sound was cut off.
func (r *faultRig) play() {
	r.player.wg.Go(func() {
		n := 0
		for !r.player.stop.Load() {
			first := n
			p, err := r.TryPlay("", faultRate, func() (float32, float32, bool) {
				t := float64(n) / faultRate
				v := lowTone*math.Sin(2*math.Pi*1000*t) + highTone*math.Sin(2*math.Pi*3000*t)
				v *= min(1, float64(n-first)/960)
				n++
				return float32(v), float32(v), true
			})
			if err != nil {
				time.Sleep(10 * time.Millisecond)
				continue
			}
			for !r.player.stop.Load() {
				select {
				case <-p.Gone():
				case <-time.After(20 * time.Millisecond):
					continue
				}
				break
			}
			p.Stop()
			<-p.Gone()
		}
	})
}

// env keeps the engine's state on the small disk.
func (r *faultRig) env() []string {
	return append(r.Env(), "XDG_STATE_HOME="+filepath.Join(r.disk, "state"))
}

// call runs a subcommand with a limit of time.
func (r *faultRig) call(args ...string) (stdout, stderr string, code int) {
	r.t.Helper()
	c := exec.Command(r.exe, append([]string{"--bench", r.bench}, args...)...)
	c.Env = r.env()
	var o, e bytes.Buffer
	c.Stdout, c.Stderr = &o, &e
	if err := c.Start(); err != nil {
		r.t.Fatal(err)
	}
	late := time.AfterFunc(12*time.Second, func() { c.Process.Kill() })
	c.Wait()
	if !late.Stop() {
		r.t.Fatalf("cushwright %s hangs", strings.Join(args, " "))
	}
	return o.String(), e.String(), c.ProcessState.ExitCode()
}

// state asks the engine itself.
func (r *faultRig) state() (st control.Status, err error) {
	return r.client.Status(context.Background())
}

// patience is how much longer than allowed a script waits before it takes the engine for hung.
const patience = 8 * time.Second

// until waits for ok and gives how long it took since from.
func (r *faultRig) until(what string, from time.Time, limit time.Duration, ok func() bool) time.Duration {
	r.t.Helper()
	for !ok() {
		if time.Since(from) > limit+patience {
			st, err := r.state()
			r.t.Fatalf("%s: not within %v\nstatus: %+v %v\nlog of this script:\n%s",
				what, limit+patience, st, err, r.log.from(r.turn.mark))
		}
		time.Sleep(5 * time.Millisecond)
	}
	return time.Since(from)
}

// awaitRunning waits until the engine plays.
func (r *faultRig) awaitRunning() {
	r.t.Helper()
	r.until("running", time.Now(), 10*time.Second, func() bool {
		st, err := r.state()
		return err == nil && st.State == engine.Running
	})
}

// settings are those of a script that names some.
func (r *faultRig) settings(lines ...string) string {
	return faultSetting + strings.Join(append(lines, fmt.Sprintf("delay = %q\n", r.delay)), "")
}

// configure writes the settings that the script wants and waits until they are taken over.
func (r *faultRig) configure() {
	r.t.Helper()
	if r.wanted == r.inForce {
		return
	}
	mark := r.log.len()
	r.write("settings.toml", r.wanted)
	r.inForce = r.wanted
	if r.started {
		reloaded := func() bool { return strings.Contains(r.log.from(mark), "reloaded") }
		r.until("reload of the settings", time.Now(), 2*time.Second, reloaded)
	}
}

func (r *faultRig) startEngine() {
	r.t.Helper()
	r.run = exec.Command(r.exe, "--bench", r.bench, "run")
	r.run.Env = r.env()
	r.run.Stderr = &r.log
	if err := r.run.Start(); err != nil {
		r.t.Fatal(err)
	}
	r.ended = make(chan error, 1)
	go func(c *exec.Cmd, ended chan error) { ended <- c.Wait() }(r.run, r.ended)
	proc := r.run.Process
	r.top.Cleanup(func() { proc.Signal(syscall.SIGCONT); proc.Kill() })
	r.started = true
}

// doubt is for what a machine that stands still can bring about as well as a defect: late by some tenths of a second,
// or a gap that no counter tells of because the test's own recording lost it. See script for what comes of it.
func (r *faultRig) doubt(format string, args ...any) {
	r.turn.doubts = append(r.turn.doubts, r.turn.where+": "+fmt.Sprintf(format, args...))
}

func (r *faultRig) note(format string, args ...any) {
	r.turn.measured = append(r.turn.measured, fmt.Sprintf(format, args...))
}

// correction is the text of the correction that should be heard.
func (r *faultRig) correction() string {
	switch {
	case r.wearing == "deep-foam":
		return faultCorrection(-10)
	case r.edited != "":
		return r.edited
	}
	return faultCorrection(-16)
}

// ratio is the level of the high tone less that of the low tone, in the corrected sound.
func (r *faultRig) ratio() float64 {
	c, err := config.ParseCorrection("x.toml", "x", []byte(r.correction()))
	if err != nil {
		r.t.Fatal(err)
	}
	return dsp.DB(highTone/lowTone) + c.Correction.AnalogDB(dsp.Left, 3000) - c.Correction.AnalogDB(dsp.Left, 1000)
}

// good reports whether a window holds the corrected sound at its level.
func (r *faultRig) good(h heard) bool { return h.low > 0.4 && math.Abs(h.diff-r.ratio()) < 2.5 }

// breaks is what the engine has counted of them.
func (r *faultRig) breaks() uint64 {
	if !r.started {
		return 0
	}
	st, err := r.state()
	if err != nil {
		return 0
	}
	return st.Counters.Underruns + st.Counters.Underflows
}

// reset brings the rig back to a state that the next script can begin from.
func (r *faultRig) reset() {
	r.Resume()
	for _, p := range append(children(r.run.Process.Pid), r.run.Process.Pid) {
		syscall.Kill(p, syscall.SIGCONT)
	}
	if _, err := os.Stat(r.bench + ".away"); err == nil {
		os.Rename(r.bench+".away", r.bench)
	}
	r.freeDisk()
	r.run.Process.Kill()
	<-r.ended
	r.started = false
	r.Restart()
	r.rate.Store(faultRate)
	r.channels.Store(2)
	r.out = r.AddSink("phones", faultRate, 2)
	r.speakers = r.AddSink("speakers", faultRate, 2)
	r.SetDefault("phones")
	r.wearing, r.edited = "wipe-clean", ""
	r.write("corrections/wipe-clean.toml", faultCorrection(-16))
	r.inForce = r.settings()
	r.write("settings.toml", r.inForce)
	r.startEngine()
	r.call("wear", "wipe-clean")
	r.awaitRunning()
}
