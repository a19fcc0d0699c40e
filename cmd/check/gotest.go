package main

import (
	"bufio"
	"encoding/json"
	"io"
	"regexp"
	"slices"
	"strings"

	"cushwright/dsp/testrun"
)

// event is one line of `go test -json`; see `go doc test2json`.
type event struct {
	Action, Package, ImportPath, Test, Output, FailedBuild string
	Elapsed                                                float64 // seconds
}

type failure struct{ name, output string }

// result is the count of one `go test` run.
type result struct {
	passed            int
	failures          []failure
	other             string          // lines that are no events
	ran               map[string]bool // the top-level tests that passed, by name
	leftOut, repeated []note          // what tests told of; see package testrun
}

// note is what a test told of in a step.
type note struct{ step, test, text string }

type outcome struct {
	action string // the last of run, pass, fail, skip
	output strings.Builder
}

// reading is what is known of a `go test -json` run so far.
type reading struct {
	tests  map[[2]string]*outcome // package, test ("" for the package itself)
	order  [][2]string
	builds map[string]*strings.Builder
	ended  func(pkg, action string, seconds float64)
	res    result
}

// readTests counts tests and subtests, each once: a test with subtests counts only when it failed though no subtest
// did. A skipped test, one that never ended, and a package that failed on its own count as failed.
// ended, where not nil, is told of each package as it ends.
func readTests(r io.Reader, ended func(pkg, action string, seconds float64)) result {
	g := &reading{tests: map[[2]string]*outcome{}, builds: map[string]*strings.Builder{}, ended: ended}
	g.res.ran = map[string]bool{}
	in := bufio.NewReader(r)
	var other strings.Builder
	for {
		line, err := in.ReadBytes('\n')
		if len(line) > 0 {
			var e event
			if json.Unmarshal(line, &e) != nil || e.Action == "" {
				other.Write(line)
			} else {
				g.take(e)
			}
		}
		if err != nil {
			break
		}
	}
	g.res.other = other.String()
	g.count()
	return g.res
}

// take keeps what one event says.
func (g *reading) take(e event) {
	if e.ImportPath != "" {
		if g.builds[e.ImportPath] == nil {
			g.builds[e.ImportPath] = &strings.Builder{}
		}
		g.builds[e.ImportPath].WriteString(e.Output)
		return
	}
	key := [2]string{e.Package, e.Test}
	o := g.tests[key]
	if o == nil {
		o = &outcome{}
		g.tests[key] = o
		g.order = append(g.order, key)
	}
	switch e.Action {
	case "output":
		o.output.WriteString(e.Output)
		leftOut, repeated := testrun.Told(e.Output)
		if leftOut != "" {
			g.res.leftOut = append(g.res.leftOut, note{test: title(key), text: leftOut})
		}
		if repeated != "" {
			g.res.repeated = append(g.res.repeated, note{test: title(key), text: repeated})
		}
	case "run", "start", "pass", "fail", "skip":
		o.action = e.Action
		if e.Test == "" && (e.Action == "pass" || e.Action == "fail") && g.ended != nil {
			g.ended(e.Package, e.Action, e.Elapsed)
		}
		if e.FailedBuild != "" && g.builds[e.FailedBuild] != nil {
			o.output.WriteString(g.builds[e.FailedBuild].String())
		}
	}
}

func title(key [2]string) string { return strings.TrimSpace(key[0] + " " + key[1]) }

// count makes the result of what was taken.
func (g *reading) count() {
	parents, failedBelow, failedIn := map[[2]string]bool{}, map[[2]string]bool{}, map[string]bool{}
	for key, o := range g.tests {
		for name := key[1]; ; {
			i := strings.LastIndexByte(name, '/')
			if i < 0 {
				break
			}
			name = name[:i]
			parents[[2]string{key[0], name}] = true
			if o.action != "pass" {
				failedBelow[[2]string{key[0], name}] = true
			}
		}
		if key[1] != "" && o.action != "pass" {
			failedIn[key[0]] = true
		}
	}
	for _, key := range g.order {
		o := g.tests[key]
		pkg, name := key[0], key[1]
		fail := func(why string) {
			g.res.failures = append(g.res.failures, failure{title(key), why + o.output.String()})
		}
		switch {
		case name == "":
			// A package without tests is "skip"; one that failed shows it by its tests, if any of them failed.
			if o.action != "pass" && o.action != "skip" && !failedIn[pkg] {
				fail("the package failed\n")
			}
		case o.action == "pass":
			if !strings.Contains(name, "/") {
				g.res.ran[name] = true
			}
			if !parents[key] {
				g.res.passed++
			}
		case failedBelow[key] && o.action == "fail":
			// Its subtests tell.
		case o.action == "skip":
			fail("it was skipped; a skipped test shows nothing\n")
		case o.action == "fail":
			fail("")
		default:
			pkgOutput := ""
			if p := g.tests[[2]string{pkg, ""}]; p != nil {
				pkgOutput = p.output.String()
			}
			fail("it never ended\n" + pkgOutput)
		}
	}
}

type target struct{ pkg, name string }

var listedPackage = regexp.MustCompile(`^(?:ok|\?)\s+(\S+)\s`)

// fuzzTargets reads the output of `go test -list`: names, and after them the package that they belong to.
func fuzzTargets(out string) (targets []target) {
	var names []string
	for line := range strings.Lines(out) {
		line = strings.TrimSpace(line)
		if m := listedPackage.FindStringSubmatch(line + " "); m != nil {
			for _, n := range names {
				targets = append(targets, target{m[1], n})
			}
			names = nil
		} else if strings.HasPrefix(line, "Fuzz") && !strings.ContainsAny(line, " \t") {
			names = append(names, line)
		}
	}
	slices.SortFunc(targets, func(a, b target) int {
		return strings.Compare(a.pkg+" "+a.name, b.pkg+" "+b.name)
	})
	return targets
}
