package main

import (
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"syscall"
	"testing"
	"time"

	"github.com/jfreymuth/pulse/proto"

	"cushwright/platform"
	"cushwright/platform/soundtest"
)

// yardstick is the server's own loopback between two null sinks: module-loopback, or pw-loopback on PipeWire. The
// result ends it and gives the process whose time is to be told.
func (r *rigged) yardstick(kind string, ms int) (pid int, end func()) {
	r.t.Helper()
	if kind == soundtest.PulseAudio {
		var m proto.LoadModuleReply
		r.Request(&proto.LoadModule{Name: "module-loopback", Args: fmt.Sprintf("source=tap.monitor sink=phones latency_msec=%d", ms)}, &m)
		return os.Getpid(), func() { r.RemoveSink(m.ModuleIndex) }
	}
	cmd := exec.Command("pw-loopback", "-l", strconv.Itoa(ms), "--capture-props", "stream.capture.sink=true target.object=tap", "--playback-props", "target.object=phones")
	cmd.Env = r.Env()
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := cmd.Start(); err != nil {
		r.t.Fatal(err)
	}
	return cmd.Process.Pid, func() { cmd.Process.Kill(); cmd.Wait() }
}

// The delay that the engine adds at each setting beside that of the server's own loopback, on the same server with the same
// signal, one after the other. Common practice, no source, for the yardstick.
func TestLiveDelay(t *testing.T) {
	onBoth(t, func(t *testing.T, kind string) {
		const rate = 48000
		seconds := times(6, 60)
		r := newRig(t, kind, rate)
		r.AddSink("tap", rate, 2)
		latencies := []int{10}
		if long() {
			latencies = []int{5, 10, 20, 40}
		}
		for _, ms := range latencies {
			pid, end := r.yardstick(kind, ms)
			time.Sleep(300 * time.Millisecond)
			t.Logf("%s' own loopback at %d ms: %v", kind, ms, r.pass("tap", "phones", pid, seconds, rate))
			end()
		}
		r.write("corrections/wipe-clean.toml", tenFlat())
		for _, c := range []struct {
			delay  string
			most   float64 // ms, of the median
			clean  float64 // the same without a break: on PipeWire a missed cycle moves what the sinks' clocks tell
			strict bool    // a break is a failure on any machine
		}{
			{"low", 20, map[string]float64{soundtest.PulseAudio: 11, soundtest.PipeWire: 5.3}[kind], false},
			{"normal", 30, map[string]float64{soundtest.PulseAudio: 20, soundtest.PipeWire: 9}[kind], false},
			{"safe", 110, map[string]float64{soundtest.PulseAudio: 85, soundtest.PipeWire: 50}[kind], true},
		} {
			r.write("settings.toml", fmt.Sprintf("[sound]\ndelay = %q\n", c.delay))
			for try := 0; ; try++ {
				r.start()
				p := r.pass(platform.VirtualSink, "phones", r.run.Process.Pid, seconds, rate)
				st := r.status()
				t.Logf("delay = %q on %s: %v; says %.1f ms; underruns %d, underflows %d", c.delay, st.Driver, p, st.DelayMS, st.Counters.Underruns, st.Counters.Underflows)
				r.stop()
				if p.breaksBefore > 0 && try < 3 {
					continue // broken before it came to the engine
				}
				// Breaks that the engine knows of move the delay; a busy machine has them.
				if got := mid(p.delayMS); got > c.most {
					t.Errorf("delay = %q adds %.1f ms, allowed: %.0f", c.delay, got, c.most)
				} else if st.Counters.Underflows+st.Counters.Underruns == 0 && p.breaks+p.stood == 0 && got > c.clean {
					t.Errorf("delay = %q adds %.1f ms without a break, allowed: %.1f", c.delay, got, c.clean)
				}
				// Jumps are told only: in its first seconds the servo may change the pitch by some hundred ppm.
				if c.strict && p.breaks > 0 && p.breaksBefore == 0 {
					t.Errorf("delay = %q: %d breaks", c.delay, p.breaks)
				}
				break
			}
		}
	})
}
