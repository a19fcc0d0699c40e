//go:build linux

package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/jfreymuth/pulse/proto"
)

// Names that devices give themselves are text: not paths, not commands, not more than one line.
func TestLiveOddDeviceNames(t *testing.T) {
	onBoth(t, func(t *testing.T, kind string) {
		r := newRig(t, kind, faultRate)
		r.write("corrections/wipe-clean.toml", faultCorrection(-16))
		trap := filepath.Join(r.Dir, "trap")
		odd := "odd\x1b[31m $(touch " + trap + ") `touch " + trap + "`; touch " + trap + "\n../../../etc/passwd " + strings.Repeat("long ", 60)
		name := "../../odd;touch$IFS" + trap
		args := fmt.Sprintf("sink_name=\"%s\" format=float32le norewinds=1 rate=%d channels=2 sink_properties=\"device.description='%s'\"", name, faultRate, odd)
		r.Request(&proto.LoadModule{Name: "module-null-sink", Args: args}, &proto.LoadModuleReply{})
		given := ""
		for end := time.Now().Add(3 * time.Second); given == "" && time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
			for _, k := range r.SinkNames() {
				if strings.Contains(k, "odd") {
					given = k
				}
			}
		}
		if given == "" {
			t.Fatal("the server took no such output")
		}
		r.SetDefault(given)
		r.start()
		st := r.status()
		t.Logf("the server calls it %q, the engine %q", given, st.Output)
		if st.OutputID != given || !strings.HasPrefix(st.Output, "odd") || len([]rune(st.Output)) > 201 || strings.ContainsAny(st.Output, "\x1b\n") {
			t.Errorf("the engine plays on %q, called %q", st.OutputID, st.Output)
		}
		for _, args := range [][]string{{"devices"}, {"status"}} {
			out := r.must(args...)
			for _, c := range out {
				if c < ' ' && c != '\n' || c == 0x7f {
					t.Fatalf("%s prints a control character: %.400q", args[0], out)
				}
			}
			if strings.Contains(out, "\n../../../") || len(out) > 20000 {
				t.Errorf("%s: a name goes over more than its line (%d bytes)", args[0], len(out))
			}
		}
		r.stop()
		if got := r.DefaultSink(); got != given {
			t.Errorf("after stop the default is %q", got)
		}
		if _, err := os.Stat(trap); err == nil {
			t.Error("a name was carried out as a command")
		}
	})
}
