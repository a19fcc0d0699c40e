package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"
)

// event is one line of `go test -json`; see `go doc test2json`.
type event struct {
	Action, Package, ImportPath, Test, Output, FailedBuild string
	Elapsed                                                float64 // seconds
}

type failure struct{ name, output string }

// result is the count of one `go test` run.
type result struct {
	passed   int
	failures []failure
	other    string // lines that are no events
}

type outcome struct {
	action string // the last of run, pass, fail, skip
	output strings.Builder
}

// readTests counts tests and subtests, each once: a test with subtests counts only when it failed though no subtest
// did. A skipped test, one that never ended, and a package that failed on its own count as failed.
// ended, where not nil, is told of each package as it ends.
func readTests(r io.Reader, ended func(pkg, action string, seconds float64)) (res result) {
	tests := map[[2]string]*outcome{} // package, test ("" for the package itself)
	builds := map[string]*strings.Builder{}
	var order [][2]string
	in := bufio.NewReader(r)
	var other strings.Builder
	for {
		line, err := in.ReadBytes('\n')
		if len(line) > 0 {
			var e event
			if json.Unmarshal(line, &e) != nil || e.Action == "" {
				other.Write(line)
			} else if e.ImportPath != "" {
				if builds[e.ImportPath] == nil {
					builds[e.ImportPath] = &strings.Builder{}
				}
				builds[e.ImportPath].WriteString(e.Output)
			} else {
				key := [2]string{e.Package, e.Test}
				o := tests[key]
				if o == nil {
					o = &outcome{}
					tests[key] = o
					order = append(order, key)
				}
				switch e.Action {
				case "output":
					o.output.WriteString(e.Output)
				case "run", "start", "pass", "fail", "skip":
					o.action = e.Action
					if e.Test == "" && (e.Action == "pass" || e.Action == "fail") && ended != nil {
						ended(e.Package, e.Action, e.Elapsed)
					}
					if e.FailedBuild != "" && builds[e.FailedBuild] != nil {
						o.output.WriteString(builds[e.FailedBuild].String())
					}
				}
			}
		}
		if err != nil {
			break
		}
	}
	res.other = other.String()

	parents, failedBelow, failedIn := map[[2]string]bool{}, map[[2]string]bool{}, map[string]bool{}
	for key, o := range tests {
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
	for _, key := range order {
		o := tests[key]
		pkg, name := key[0], key[1]
		title := strings.TrimSpace(pkg + " " + name)
		fail := func(why string) {
			res.failures = append(res.failures, failure{title, why + o.output.String()})
		}
		switch {
		case name == "":
			// A package without tests is "skip"; one that failed shows it by its tests, if any of them failed.
			if o.action != "pass" && o.action != "skip" && !failedIn[pkg] {
				fail("the package failed\n")
			}
		case o.action == "pass":
			if !parents[key] {
				res.passed++
			}
		case failedBelow[key] && o.action == "fail":
			// Its subtests tell.
		case o.action == "skip":
			fail("it was skipped; a skipped test shows nothing\n")
		case o.action == "fail":
			fail("")
		default:
			pkgOutput := ""
			if p := tests[[2]string{pkg, ""}]; p != nil {
				pkgOutput = p.output.String()
			}
			fail(fmt.Sprintf("it never ended\n%s", pkgOutput))
		}
	}
	return res
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
