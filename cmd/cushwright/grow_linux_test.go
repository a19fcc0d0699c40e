package main

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"syscall"
	"testing"
	"time"

	"cushwright/platform"
	"cushwright/platform/soundtest"
)

var bufferChanged = regexp.MustCompile(`the output's buffer changed" from_frames=(\d+) to_frames=(\d+)`)

// At "normal", an output that ran dry gets a larger buffer while it plays: it is heard as the gap that was its cause
// and a crossfade of 10 ms, and the delay grows by what the buffer grew (and by an eighth of that, which the device
// takes at once). On PipeWire the others in its graph have a say in the cycle; TestGraphInStep is about it.
func TestLiveBufferGrows(t *testing.T) {
	const rate = 48000
	judge(t, stillness, func() (wrong string) {
		r := newRig(t, soundtest.PulseAudio, rate)
		r.write("corrections/wipe-clean.toml", tenFlat())
		r.start()
		time.Sleep(1500 * time.Millisecond) // what happens in the first second proves nothing
		go func() {
			time.Sleep(2500 * time.Millisecond)
			r.run.Process.Signal(syscall.SIGSTOP)
			time.Sleep(50 * time.Millisecond)
			r.run.Process.Signal(syscall.SIGCONT)
		}()
		p := r.pass(platform.VirtualSink, "phones", r.run.Process.Pid, 6, rate)
		flows := r.status().Counters.Underflows
		r.stop()
		grown := bufferChanged.FindAllStringSubmatch(r.log.String(), -1)
		heard := median(p.delayMS[len(p.delayMS)-50:]) - median(p.delayMS[:50])
		t.Logf("%v; ran dry %d times, grown %v; the delay grew by %.1f ms", p, flows, grown, heard)
		if len(grown) != 1 {
			return fmt.Sprintf("the buffer grew %d times, the log: %s", len(grown), r.log.String())
		}
		if p.breaksBefore > 0 {
			return p.wrong()
		}
		from, _ := strconv.Atoi(grown[0][1])
		to, _ := strconv.Atoi(grown[0][2])
		if reported := float64(to-from) / rate * 1e3; reported < 3 || math.Abs(reported-heard) > 2 {
			return fmt.Sprintf("the buffer grew by %.1f ms, the delay by %.1f ms", reported, heard)
		}
		if p.breaks > 8 {
			return fmt.Sprintf("%d windows of 20 ms are broken, for a stop of 50 ms and a crossfade", p.breaks)
		}
		return ""
	})
}
