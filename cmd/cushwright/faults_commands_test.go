//go:build linux

package main

import (
	"os/exec"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/jfreymuth/pulse/proto"

	"cushwright/cmd/internal/faultscript"
	"cushwright/dsp/testrun"
	"cushwright/platform/soundtest"
)

// What befalls: the commands of the scripts in testdata/faults. faults_expect_test.go has those that say what must come
// of it.

type (
	faultTable  = faultscript.Table[*faultRig]
	faultValues = faultscript.Values
)

// Where two times are given, the second one is for the long form.
var (
	spanArgs = []faultscript.Arg{
		{Name: "TIME", Kind: faultscript.Span},
		{Name: "LONG", Kind: faultscript.Span, Optional: true},
	}
	sinkArg = faultscript.Arg{Name: "OUTPUT", Among: []string{"phones", "speakers"}}
	wornArg = faultscript.Arg{Name: "CUSHION", Among: []string{"wipe-clean", "deep-foam"}}
)

func spanOf(v faultValues) time.Duration {
	if v.Has("LONG") && testrun.Long() {
		return v.Span("LONG")
	}
	return v.Span("TIME")
}

// faultCommands are all commands.
func faultCommands(t *testing.T) faultTable {
	t.Helper()
	table := faultTable{}
	parts := []faultTable{engineCommands, outputCommands, serverCommands, diskCommands, loadCommands, expectations}
	for _, part := range parts {
		for name, c := range part {
			if _, twice := table[name]; twice {
				t.Fatalf("%s stands in two tables", name)
			}
			table[name] = c
		}
	}
	return table
}

// befell says that what came next is timed from now on.
func (r *faultRig) befell() { r.turn.after = time.Now() }

var engineCommands = faultTable{
	"settings": {Usage: "what the settings hold at the next start",
		Args: []faultscript.Arg{{Name: "KEY=VALUE", Kind: faultscript.Setting, Rest: true}},
		Do: func(r *faultRig, v faultValues) {
			var lines []string
			for _, kv := range v.All("KEY=VALUE") {
				key, value, _ := strings.Cut(strings.TrimPrefix(kv, "sound."), "=")
				lines = append(lines, key+" = "+value+"\n")
			}
			r.wanted = r.settings(lines...)
		}},
	"start": {Usage: "the engine is started unless it runs, with the script's settings; what is reported counts from then",
		Do: func(r *faultRig, _ faultValues) {
			r.configure()
			r.befell()
			if !r.started {
				r.startEngine()
			}
			r.awaitRunning()
			time.Sleep(100 * time.Millisecond) // for what it still has to say of that
			r.turn.mark = r.log.len()
		}},
	"stop": {Usage: "the engine is stopped in good order",
		Do: func(r *faultRig, _ faultValues) { r.stopEngine() }},
	"wait": {Usage: "nothing befalls for a while", Args: spanArgs,
		Do: func(_ *faultRig, v faultValues) { time.Sleep(spanOf(v)) }},
	"wait random": {Usage: "the same, for any time up to that", Args: spanArgs,
		Do: func(r *faultRig, v faultValues) { time.Sleep(time.Duration(r.rnd.Int64N(int64(spanOf(v))))) }},
	"freeze-engine": {Usage: "the engine's processes stand still (SIGSTOP)",
		Do: func(r *faultRig, _ faultValues) { r.befell(); r.signalEngine(syscall.SIGSTOP) }},
	"thaw-engine": {Usage: "they go on",
		Do: func(r *faultRig, _ faultValues) { r.signalEngine(syscall.SIGCONT); r.befell() }},
	"wear": {Usage: "the cushion is changed", Args: []faultscript.Arg{wornArg},
		Do: func(r *faultRig, v faultValues) {
			r.wearing = v.Text("CUSHION")
			r.befell()
			if _, msg, code := r.call("wear", r.wearing); code != 0 {
				r.t.Errorf("wear %s: exit %d: %s", r.wearing, code, msg)
			}
		}},
}

// stopEngine ends the engine in good order, if it runs.
func (r *faultRig) stopEngine() {
	r.t.Helper()
	if !r.started {
		return
	}
	r.befell()
	if _, msg, code := r.call("stop"); code != 0 {
		r.t.Errorf("stop: exit %d: %s", code, msg)
	}
	select {
	case err := <-r.ended:
		if err != nil {
			r.t.Errorf("the engine ended with %v", err)
		}
	case <-time.After(5 * time.Second):
		r.t.Fatal("the engine does not end")
	}
	r.started = false
}

func (r *faultRig) signalEngine(sig syscall.Signal) {
	for _, p := range append(children(r.run.Process.Pid), r.run.Process.Pid) {
		syscall.Kill(p, sig)
	}
}

var outputCommands = faultTable{
	"remove-output": {Usage: "the output phones is unplugged",
		Do: func(r *faultRig, _ faultValues) { r.befell(); r.RemoveSink(r.out) }},
	"restore-output": {Usage: "it is plugged in again",
		Do: func(r *faultRig, _ faultValues) { r.addPhones(); r.befell() }},
	"change-output": {Usage: "it comes back at another rate and with other channels",
		Args: []faultscript.Arg{{Name: "HZ", Kind: faultscript.Count}, {Name: "CHANNELS", Kind: faultscript.Count}},
		Do: func(r *faultRig, v faultValues) {
			rate := v.Count("HZ")
			r.RemoveSink(r.out)
			r.rate.Store(int64(rate))
			r.channels.Store(int64(v.Count("CHANNELS")))
			r.resampled = r.resampled || rate < 44100 || r.Kind == soundtest.PipeWire && rate != faultRate
			r.addPhones()
			r.befell()
		}},
	"choose": {Usage: "the user makes an output default", Args: []faultscript.Arg{sinkArg}, Do: makeDefault},
	"steal":  {Usage: "another program makes an output default", Args: []faultscript.Arg{sinkArg}, Do: makeDefault},
	"remove-virtual-sink": {Usage: "somebody removes our virtual sink",
		Do: func(r *faultRig, _ faultValues) {
			var mods proto.GetModuleInfoListReply
			r.Request(&proto.GetModuleInfoList{}, &mods)
			for _, m := range mods {
				if strings.Contains(m.ModuleArgs, "cushwright.owner") {
					r.befell()
					r.RemoveSink(m.ModuleIndex)
					return
				}
			}
			r.t.Fatal("there is no virtual sink to remove")
		}},
}

func makeDefault(r *faultRig, v faultValues) {
	r.befell()
	r.Request(&proto.SetDefaultSink{SinkName: v.Text("OUTPUT")}, nil)
}

func (r *faultRig) addPhones() {
	r.out = r.AddSink("phones", int(r.rate.Load()), int(r.channels.Load()))
}

var serverCommands = faultTable{
	"stop-server": {Usage: "the sound server is stopped",
		Do: func(r *faultRig, _ faultValues) { r.befell(); r.Stop() }},
	"start-server": {Usage: "it is started again, with its outputs",
		Do: func(r *faultRig, _ faultValues) {
			r.Launch()
			r.addPhones()
			r.befell()
			r.speakers = r.AddSink("speakers", faultRate, 2)
		}},
	"suspend-server": {Usage: "the sound server stands still (SIGSTOP)",
		Do: func(r *faultRig, _ faultValues) { r.befell(); r.Suspend() }},
	"resume-server": {Usage: "it goes on",
		Do: func(r *faultRig, _ faultValues) { r.Resume(); r.befell(); r.listenAgain() }},
	"sleep": {Usage: "engine and server stand still, as on a machine that sleeps; either may wake first", Args: spanArgs,
		Do: func(r *faultRig, v faultValues) {
			r.signalEngine(syscall.SIGSTOP)
			r.Suspend()
			time.Sleep(spanOf(v))
			if r.rnd.IntN(2) == 0 {
				r.signalEngine(syscall.SIGCONT)
				r.Resume()
			} else {
				r.Resume()
				r.signalEngine(syscall.SIGCONT)
			}
			r.befell()
			r.listenAgain()
		}},
}

func (r *faultRig) listenAgain() {
	for _, e := range r.ears {
		e.again()
	}
}

var loadCommands = faultTable{
	"busy": {Usage: "twice as many busy processes as processors", Args: spanArgs,
		Do: func(r *faultRig, v faultValues) { r.load(2*runtime.NumCPU(), spanOf(v)) }},
	"load": {Usage: "a busy process on each processor", Args: spanArgs,
		Do: func(r *faultRig, v faultValues) { r.load(runtime.NumCPU(), spanOf(v)) }},
	"hostile": {Usage: "clients that mean harm come to the engine's socket", Args: spanArgs,
		Do: func(r *faultRig, v faultValues) { r.hostile(spanOf(v)); r.befell() }},
}

// load keeps so many processes busy for a while, and judges how much of the sound was whole.
func (r *faultRig) load(processes int, d time.Duration) {
	r.t.Helper()
	var wg sync.WaitGroup
	from := time.Now()
	for range processes {
		c := exec.Command("sh", "-c", "while :; do :; done")
		c.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
		if err := c.Start(); err != nil {
			r.t.Fatal(err)
		}
		wg.Go(func() { time.Sleep(d); c.Process.Kill(); c.Wait() })
	}
	wg.Wait()
	whole, all := r.wholeSince(from)
	r.note("under load the sound was whole in %.1f %% of %.1f s", 100*float64(whole)/float64(max(1, all)), d.Seconds())
	if whole < all*9/10 || all < int(d/time.Millisecond/10)*8/10 {
		r.doubt("under load the sound was whole in %d of %d windows of 10 ms", whole, all)
	}
	r.befell()
}

// wholeSince counts the windows of 10 ms in which the phones play the corrected sound.
func (r *faultRig) wholeSince(from time.Time) (whole, all int) {
	for _, h := range r.ears["phones"].since(from) {
		if all++; r.good(h) {
			whole++
		}
	}
	return whole, all
}
