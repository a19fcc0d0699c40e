package main

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"cushwright/config"
	"cushwright/dsp"
	"cushwright/platform/soundfile"
)

// here are the commands of the README's tour that need neither a sound server nor a rig, as they are run on the
// demonstration bench. NAME, DIR, IN, OUT and FILE stand for what the README leaves open.
var here = map[string][]string{
	"cushwright wear wipe-clean": {"wear wipe-clean"},
	"cushwright check":           {"check", "check --json"},
	"cushwright show NAME [--csv] [--coefficients] [--png FILE] [--svg FILE]": {"show wipe-clean", "show wipe-clean --csv",
		"show wipe-clean --coefficients", "show wipe-clean --png DIR/a.png", "show wipe-clean --svg DIR/a.svg"},
	"cushwright render IN OUT --cushion NAME": {"render DIR/in.wav DIR/out.wav --cushion wipe-clean"},
	"cushwright add woven --ear left FILE…":   {"add woven --ear left DIR/rig.txt"},
	"cushwright cushions":                     {"cushions", "cushions new linen", "cushions rename linen felt", "cushions remove felt", "cushions undo"},
	"cushwright compare woven wipe-clean":     {"compare woven wipe-clean"},
	"cushwright derive wipe-clean --reference woven": {"derive wipe-clean --reference woven --dry", "derive wipe-clean --reference woven",
		"derive wipe-clean --for ten-octave-sliders --dry"},
	"cushwright earlier wipe-clean [NUMBER]":                     {"earlier wipe-clean", "earlier wipe-clean 1"},
	"cushwright sliders wipe-clean --reference woven --count 10": {"sliders wipe-clean --reference woven --count 10", "sliders wipe-clean --gentle"},
	"cushwright sheet wipe-clean --out DIR":                      {"sheet wipe-clean --out DIR"},
	"cushwright compare woven --since 2026-01-12":                {"compare woven --since 2026-01-12"},
	"cushwright demo": {"demo --png DIR/demo.png"},
}

// elsewhere are the others: the test that runs each, and the word by which it does.
var elsewhere = map[string][2]string{
	"cushwright run [--background]":                   {"live_test.go", `"run"`},
	"cushwright bypass [on|off|toggle] [--with NAME]": {"live_commands_test.go", "bypass"},
	"cushwright status [--json]":                      {"live_commands_test.go", "status"},
	"cushwright sweep woven --ear left --seats 5":     {"rig_live_test.go", `"sweep"`},
	"cushwright prove wipe-clean":                     {"rig_job_live_test.go", `"prove"`},
	"cushwright which [--wear]":                       {"rig_job_live_test.go", `"which"`},
	"cushwright blind A B":                            {"../internal/trial/sitting_test.go", `"blind"`},
	"cushwright watch":                                {"watch_tmux_test.go", "watch"},
	"cushwright page [--open]":                        {"page_command_test.go", `"page"`},
	"cushwright devices":                              {"odd_names_test.go", `"devices"`},
	"cushwright mute [on|off]":                        {"../internal/service/none_test.go", "TestMute"},
	"cushwright autostart on|off":                     {"../../platform/service_test.go", "Autostart(true"},
}

func readme(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// Every command of the README's tour is run by a test, and with the flags that the README names.
func TestTour(t *testing.T) {
	alone(t)
	_, tour, ok := strings.Cut(readme(t), "## A short tour\n")
	if !ok {
		t.Fatal("the README has no tour")
	}
	dir, to := demoBench(t), t.TempDir()
	file := rigText(t, func(hz, db float64) string { return trim(hz) + " " + trim(db) })
	if err := os.Rename(file, filepath.Join(to, "rig.txt")); err != nil {
		t.Fatal(err)
	}
	if err := soundfile.WriteWAV(filepath.Join(to, "in.wav"), &soundfile.Sound{RateHz: 48000, Channels: 2, Samples: make([]float64, 9600)}); err != nil {
		t.Fatal(err)
	}
	n := 0
	for line := range strings.Lines(tour) {
		m := regexp.MustCompile("^\\| `(cushwright [^`]*)`").FindStringSubmatch(line)
		if m == nil {
			continue
		}
		n++
		cell := strings.ReplaceAll(m[1], `\|`, "|")
		if by, ok := elsewhere[cell]; ok {
			src, err := os.ReadFile(by[0])
			if err != nil || !strings.Contains(string(src), by[1]) {
				t.Errorf("%s: %s does not run it: %v", cell, by[0], err)
			}
			// Its flags are there.
			args := strings.Fields(strings.NewReplacer("[", "", "]", "", "on|off|toggle", "on", "on|off", "on").Replace(cell))[1:]
			c, rest, err := newRoot().Find(args)
			if err == nil {
				err = c.ParseFlags(rest)
			}
			if err == nil {
				err = c.ValidateArgs(c.Flags().Args())
			}
			if err != nil || !c.HasParent() || !c.Parent().HasSubCommands() {
				t.Errorf("%s: %v", cell, err)
			}
			continue
		}
		if len(here[cell]) == 0 {
			t.Errorf("no test runs %s", cell)
		}
		for _, run := range here[cell] {
			if _, msg, err := command(dir, strings.Fields(strings.ReplaceAll(run, "DIR", to))...); err != nil {
				t.Errorf("%s: %v, %s", run, err, msg)
			}
		}
	}
	if n != len(here)+len(elsewhere) {
		t.Errorf("%d commands in the tour, %d here and %d elsewhere", n, len(here), len(elsewhere))
	}
}

// Without an engine, what speaks to one says so and what to start; without systemd, autostart does.
func TestTourWithoutAnEngine(t *testing.T) {
	alone(t)
	t.Setenv("PATH", "")
	t.Setenv("HOME", t.TempDir())
	dir := demoBench(t)
	for line, want := range map[string]string{"bypass toggle": "cushwright run", "status": "cushwright run",
		"blind wipe-clean deep-foam": "cushwright run", "stop": "cushwright run", "autostart on": "systemd"} {
		_, _, err := command(dir, strings.Fields(line)...)
		var no answerNo
		if !errors.As(err, &no) || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", line, err)
		}
	}
}

// The README's lines from files to hearing, run as they stand, make a correction that gives the old sound back.
func TestFromFilesToHearing(t *testing.T) {
	alone(t)
	_, text, _ := strings.Cut(readme(t), "## From files to hearing\n")
	_, text, _ = strings.Cut(text, "```\n")
	text, _, _ = strings.Cut(text, "```")
	lines := strings.Split(strings.TrimSpace(text), "\n")
	if len(lines) != 5 {
		t.Fatalf("%d lines", len(lines))
	}
	dir, from := filepath.Join(t.TempDir(), "bench"), t.TempDir()
	more := func(hz float64) float64 { return 5 / (1 + math.Pow(hz/200, 2)) } // what the new cushion has more of
	for i, which := range []string{"old-left", "old-right", "new-left", "new-right"} {
		for n := range 3 {
			file := rigText(t, func(hz, db float64) string {
				if i >= 2 {
					db += more(hz)
				}
				return fmt.Sprintf("%g %.3f", hz, db+0.2*math.Sin(float64(4*n+i+1)*math.Log(hz)))
			})
			if err := os.Rename(file, filepath.Join(from, fmt.Sprintf("%s-%d.txt", which, n))); err != nil {
				t.Fatal(err)
			}
		}
	}
	last := ""
	for _, line := range lines {
		for _, one := range strings.Split(line, " && ") {
			args := []string{}
			for _, w := range strings.Fields(one)[1:] {
				if !strings.Contains(w, "*") {
					args = append(args, w)
					continue
				}
				found, err := filepath.Glob(filepath.Join(from, w))
				if err != nil || len(found) != 3 {
					t.Fatalf("%s: %v, %v", w, found, err)
				}
				args = append(args, found...)
			}
			if last = strings.Join(args, " "); last == "run" {
				break // needs a sound server
			}
			if _, msg, err := command(dir, args...); err != nil {
				t.Fatalf("%s: %v, %s", one, err, msg)
			}
		}
	}
	if last != "run" {
		t.Errorf("the last line is %q", last)
	}
	snap, err := config.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	k, ok := snap.Correction("wipe-clean")
	if !ok || config.LoadFitted() != "wipe-clean" || snap.Settings.Reference != "woven" {
		t.Fatalf("fitted %q, %+v", config.LoadFitted(), snap.Settings)
	}
	level := k.Correction.AnalogDB(dsp.Left, 2000)
	for _, hz := range []float64{40, 80, 160, 315, 630, 1250, 2500} {
		if d := k.Correction.AnalogDB(dsp.Left, hz) - level + more(hz) - more(2000); math.Abs(d) > 0.7 {
			t.Errorf("%g Hz: %.2f dB are left", hz, d)
		}
	}
}
