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

	"cushwright/dsp/testrun"
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

// The delay that the engine adds at each setting beside that of the server's own loopback, on the same server with the
// same signal, one after the other. Common practice, no source, for the yardstick.
func TestLiveDelay(t *testing.T) {
	onBoth(t, func(t *testing.T, kind string) {
		const rate = 48000
		seconds := testrun.Pick(6, 60)
		r := newRig(t, kind, rate)
		r.AddSink("tap", rate, 2)
		latencies := []int{10}
		if testrun.Long() {
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
			delay string
			most  float64 // ms, of the median
			clean float64 // the same without a break: on PipeWire a missed cycle moves what the sinks' clocks tell
			still time.Duration
		}{
			// On PipeWire "low" runs at 128 frames, half the cycle that stillness is about.
			{"low", 20, map[string]float64{soundtest.PulseAudio: 11, soundtest.PipeWire: 5.3}[kind],
				map[string]time.Duration{soundtest.PulseAudio: stillness, soundtest.PipeWire: stillness / 2}[kind]},
			{"normal", 30, map[string]float64{soundtest.PulseAudio: 20, soundtest.PipeWire: 9}[kind], stillness},
			{"safe", 110, map[string]float64{soundtest.PulseAudio: 85, soundtest.PipeWire: 50}[kind], stillness},
		} {
			t.Run(c.delay, func(t *testing.T) {
				all := r.t
				r.t, r.still = t, c.still
				defer func() { r.t, r.still = all, stillness }()
				r.write("settings.toml", fmt.Sprintf("[sound]\ndelay = %q\n", c.delay))
				judge(t, c.still, func() (wrong string) {
					r.start()
					p := r.pass(platform.VirtualSink, "phones", r.run.Process.Pid, seconds, rate)
					st := r.status()
					t.Logf("delay = %q on %s: %v; says %.1f ms; underruns %d, underflows %d",
						c.delay, st.Driver, p, st.DelayMS, st.Counters.Underruns, st.Counters.Underflows)
					r.stop()
					got := median(p.delayMS)
					switch {
					case p.wrong() != "":
						// Jumps are told only: in its first seconds the servo may change the pitch by some hundred ppm.
						return p.wrong()
					case got > c.most:
						return fmt.Sprintf("it adds %.1f ms, allowed: %.0f", got, c.most)
					case st.Counters.Underflows+st.Counters.Underruns == 0 && p.stood == 0 && got > c.clean:
						return fmt.Sprintf("it adds %.1f ms without a break, allowed: %.1f", got, c.clean)
					}
					return ""
				})
			})
		}
	})
}
