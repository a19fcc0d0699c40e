//go:build linux

package main

import (
	"math"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/charmbracelet/x/ansi"

	"cushwright/platform/soundtest"
)

// TestWatchInTerminal runs the built command in a real terminal of 80×24: the levels move, its keys act, and it outlives a
// change of size and the engine.
func TestWatchInTerminal(t *testing.T) {
	const rate = 48000
	r := newRig(t, soundtest.PulseAudio, rate)
	r.write("settings.toml", "notify = false\n")
	r.write("corrections/wipe-clean.toml", tone(-6))
	r.write("corrections/deep-foam.toml", tone(3))
	r.start()
	r.must("wear", "deep-foam")
	n := 0
	p := r.PlayFunc("", rate, func() (float32, float32, bool) { // swells and fades
		n++
		at := float64(n) / rate
		v := float32(0.3 * (0.52 + 0.48*math.Sin(2*math.Pi*at)) * math.Sin(2*math.Pi*440*at))
		return v, v, true
	})
	defer p.Stop()

	socket := filepath.Join(r.Dir, "tmux")
	tmux := func(args ...string) string {
		t.Helper()
		c := exec.Command("tmux", append([]string{"-S", socket, "-f", "/dev/null"}, args...)...)
		c.Env = append(r.Env(), "TERM=xterm", "LC_ALL=C.UTF-8")
		out, err := c.CombinedOutput()
		if err != nil {
			t.Fatalf("tmux %v: %v: %s", args, err, out)
		}
		return string(out)
	}
	tmux("new-session", "-d", "-x", "80", "-y", "24", r.exe+" watch")
	t.Cleanup(func() { exec.Command("tmux", "-S", socket, "kill-server").Run() })
	screen := func() string { return strings.TrimRight(tmux("capture-pane", "-p"), "\n") }
	see := func(what string, ok func(string) bool) string {
		t.Helper()
		for end := time.Now().Add(15 * time.Second); ; time.Sleep(30 * time.Millisecond) {
			s := screen()
			if ok(s) {
				return s
			}
			if time.Now().After(end) {
				t.Fatalf("%s: not seen:\n%s", what, s)
			}
		}
	}
	has := func(text string) func(string) bool { return func(s string) bool { return strings.Contains(s, text) } }
	fits := func(s string, width, height int) {
		t.Helper()
		lines := strings.Split(s, "\n")
		if len(lines) > height {
			t.Errorf("%d lines in a window of %d", len(lines), height)
		}
		for _, l := range lines {
			if ansi.StringWidth(l) > width {
				t.Errorf("a line of %d columns in a window of %d: %q", ansi.StringWidth(l), width, l)
			}
		}
		if !strings.Contains(lines[len(lines)-1], "q quit") || !strings.Contains(lines[0], "cushwright") {
			t.Errorf("the first and the last line are not in their places:\n%s", s)
		}
	}
	s := see("running", has("RUNNING"))
	t.Logf("80x24:\n%s", s)
	fits(s, 80, 24)
	input := func(s string) string {
		for _, l := range strings.Split(s, "\n") {
			if strings.HasPrefix(l, "input") {
				return l
			}
		}
		return ""
	}
	levels := map[string]bool{}
	for range 30 {
		levels[input(screen())] = true
		time.Sleep(70 * time.Millisecond)
	}
	if len(levels) < 6 {
		t.Errorf("the input's level moves little: %v", levels)
	}
	if e := tmux("capture-pane", "-p", "-e"); strings.Contains(e, "\x1b[3") || strings.Contains(e, "\x1b[4") {
		t.Errorf("it has colours: %q", e)
	}
	tmux("send-keys", "b")
	see("bypass", has("bypass: no correction"))
	if !r.status().Bypass {
		t.Error("the engine is not bypassed")
	}
	tmux("send-keys", "b", "n")
	see("the next cushion", has("[wipe-clean]"))
	if st := r.status(); st.Cushion != "wipe-clean" || st.Bypass {
		t.Errorf("the engine has %s, bypass %v", st.Cushion, st.Bypass)
	}
	tmux("resize-window", "-x", "60", "-y", "16")
	s = see("60 columns", func(s string) bool { return strings.Contains(s, "q quit") && len(strings.Split(s, "\n")) <= 16 })
	fits(s, 60, 16)
	time.Sleep(600 * time.Millisecond) // tmux passes quick changes of size on late or, where they cancel out, not at all
	tmux("resize-window", "-x", "80", "-y", "24")
	wide := func(s string) bool {
		return strings.HasSuffix(strings.Split(s, "\n")[0], "RUNNING") && ansi.StringWidth(strings.Split(s, "\n")[0]) == 80
	}
	fits(see("80 columns again", wide), 80, 24)
	time.Sleep(600 * time.Millisecond)
	tmux("resize-window", "-x", "60", "-y", "16")
	tmux("resize-window", "-x", "80", "-y", "24")
	time.Sleep(600 * time.Millisecond)
	tmux("send-keys", "C-l")
	fits(see("the picture drawn anew", func(s string) bool { return wide(s) && strings.HasSuffix(s, "q quit") }), 80, 24)

	r.run.Process.Kill()
	<-r.ended
	t.Logf("without an engine:\n%s", see("the loss", has("ENGINE LOST")))
	r.start()
	fits(see("another engine", func(s string) bool { return strings.Contains(s, "RUNNING") && !strings.Contains(s, "LOST") }), 80, 24)
	tmux("send-keys", "q")
	for end := time.Now().Add(10 * time.Second); exec.Command("tmux", "-S", socket, "has-session").Run() == nil; time.Sleep(30 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("q does not end it")
		}
	}
	r.stop()
}
