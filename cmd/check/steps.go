package main

import (
	"bytes"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

func (c *checker) format() { c.expect("gofmt -l .", true, nil, "gofmt", "-l", ".") }

func (c *checker) vet() { c.expect("go vet ./...", false, nil, "go", "vet", "./...") }

func (c *checker) staticcheck() {
	// With an empty module cache the go command tells of its downloads; they come first, and what fails in them fails
	// below.
	c.command(nil, "go", "mod", "download").Run()
	c.expect("go tool staticcheck ./...", true, nil, "go", "tool", "staticcheck", "./...")
}

func (c *checker) modules() {
	c.expect("go mod verify", false, nil, "go", "mod", "verify")
	c.expect("go mod tidy -diff", false, nil, "go", "mod", "tidy", "-diff")
}

func (c *checker) cross() {
	for _, b := range []struct {
		what string
		env  []string
	}{
		{"windows/amd64 with cgo", []string{"GOOS=windows", "GOARCH=amd64", "CGO_ENABLED=1", "CC=x86_64-w64-mingw32-gcc"}},
		{"darwin/arm64 without cgo", []string{"GOOS=darwin", "GOARCH=arm64", "CGO_ENABLED=0"}},
		{"linux/arm64 without cgo", []string{"GOOS=linux", "GOARCH=arm64", "CGO_ENABLED=0"}},
	} {
		c.expect("go build for "+b.what, false, b.env, "go", "build", "./...")
	}
}

// packages lists the module's packages, the live ones apart.
func (c *checker) packages() (unit, live []string) {
	out, err := c.command(nil, "go", "list", "./...").Output()
	if err != nil {
		c.fail("go list ./...", explain(err).Error())
		return nil, nil
	}
	return split(c.module, strings.Fields(string(out)))
}

func split(module string, pkgs []string) (unit, live []string) {
	for _, p := range pkgs {
		if slices.ContainsFunc(livePackages, func(l string) bool {
			return p == module+"/"+l || strings.HasPrefix(p, module+"/"+l+"/")
		}) {
			live = append(live, p)
		} else {
			unit = append(unit, p)
		}
	}
	return unit, live
}

func (c *checker) unit() {
	if pkgs, _ := c.packages(); len(pkgs) > 0 {
		c.goTest(nil, append([]string{"-race", "-timeout", c.timeout("10m")}, pkgs...)...)
	}
}

func (c *checker) purego() {
	c.goTest(nil, "-tags", "purego", "-timeout", c.timeout("8m"), "./dsp", "./dsp/drift", "./dsp/guard", "./dsp/loudness", "./dsp/peak")
}

func (c *checker) soak() {
	tests := []string{"TestSoak", "TestClockError"}
	ran := c.goTest(nil, "-run", "^("+strings.Join(tests, "|")+")$", "-timeout", c.timeout("5m"), "./engine/...")
	for _, name := range tests {
		if !ran[name] {
			c.fail(name, "it did not run, or did not pass: has it another name now?")
		}
	}
}

func (c *checker) live() {
	if _, pkgs := c.packages(); len(pkgs) > 0 {
		c.goTest(nil, append([]string{"-p", "1", "-timeout", c.timeout("20m")}, pkgs...)...)
	}
}

func (c *checker) liveRace() {
	if _, pkgs := c.packages(); len(pkgs) > 0 {
		c.goTest(nil, append([]string{"-race", "-p", "1", "-timeout", c.timeout("40m")}, pkgs...)...)
	}
}

// timeout is that of one package's tests.
func (c *checker) timeout(short string) string {
	if c.long {
		return "12h"
	}
	return short
}

// goTest runs `go test -json`, counts its tests, keeps what they told of, and shows what the failed ones printed. It
// returns the top-level tests that passed.
func (c *checker) goTest(env []string, args ...string) (ran map[string]bool) {
	cmd := c.command(env, "go", append([]string{"test", "-json", "-count=1"}, args...)...)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.StdoutPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		c.fail("go test", err.Error())
		return nil
	}
	r := readTests(out, func(pkg, action string, seconds float64) {
		fmt.Printf("      %s %s %.1f s\n", action, pkg, seconds)
	})
	err = cmd.Wait()
	c.passed += r.passed
	c.gather(r)
	for _, f := range r.failures {
		c.fail(f.name, f.output)
	}
	if len(r.failures) == 0 && (err != nil || r.passed == 0) {
		c.fail("go test "+strings.Join(args, " "), fmt.Sprintf("%s%s%v, %d tests passed", r.other, stderr.Bytes(), err, r.passed))
	} else if err != nil && stderr.Len() > 0 {
		fmt.Printf("       %s\n", strings.TrimSpace(stderr.String()))
	}
	return r.ran
}

func (c *checker) fuzz() {
	out, err := c.command(nil, "go", "test", "-list", "^Fuzz", "./...").CombinedOutput()
	if err != nil { // the targets of the packages that do compile still run
		c.fail("go test -list ^Fuzz ./...", string(out)+err.Error())
	}
	for _, t := range fuzzTargets(string(out)) {
		what := t.pkg + " " + t.name
		for try := 1; ; try++ {
			out, err := c.command(nil, "go", "test", "-run", "^$", "-fuzz", "^"+t.name+"$",
				"-fuzztime", c.fuzzTime.String(), "-timeout", "12h", t.pkg).CombinedOutput()
			if err == nil {
				c.pass()
				break
			}
			if c.ctx.Err() == nil && onlyOutOfTime(string(out)) && try < 3 {
				c.refuzzed = append(c.refuzzed, note{c.step, what, "it ended with its time and found nothing (golang/go#75804)"})
				continue
			}
			if c.fail("fuzz "+what, fmt.Sprintf("%s\nfuzz %s: %v", out, what, err)); c.ctx.Err() != nil {
				return
			}
			break
		}
	}
}

// onlyOutOfTime reports whether a fuzz run failed by the end of its time alone, which go test takes for a failure once
// in a while (golang/go#75804). An input that hangs does so again.
func onlyOutOfTime(out string) bool {
	_, after, failed := strings.Cut(out, "--- FAIL: Fuzz")
	lines := strings.Split(after, "\n")
	return failed && len(lines) > 2 && strings.TrimSpace(lines[1]) == "context deadline exceeded" && strings.HasPrefix(lines[2], "FAIL") &&
		!strings.Contains(out, "Failing input") && !strings.Contains(out, "panic")
}

// generate runs every generator in a copy of the module and compares what it wrote.
func (c *checker) generate() {
	tmp, err := os.MkdirTemp("", "check-generate-")
	if err != nil {
		c.fail("generate", err.Error())
		return
	}
	defer os.RemoveAll(tmp)
	before, err := readTree(c.root)
	if err != nil {
		c.fail("generate", err.Error())
		return
	}
	dirs := map[string]bool{}
	for name, b := range before {
		to := filepath.Join(tmp, name)
		err := os.MkdirAll(filepath.Dir(to), 0o755)
		if err == nil {
			err = os.WriteFile(to, b, 0o644)
		}
		if err != nil {
			c.fail("generate", err.Error())
			return
		}
		if strings.HasSuffix(name, ".go") && (bytes.HasPrefix(b, []byte("//go:generate ")) || bytes.Contains(b, []byte("\n//go:generate "))) {
			dirs[filepath.ToSlash(filepath.Dir(name))] = true
		}
	}
	for dir := range dirs {
		cmd := c.command(nil, "go", "generate", "./"+dir)
		cmd.Dir = tmp
		if out, err := cmd.CombinedOutput(); err != nil {
			c.fail("go generate ./"+dir, string(out)+err.Error())
			return
		}
	}
	after, err := readTree(tmp)
	if err != nil {
		c.fail("generate", err.Error())
		return
	}
	if changed := differences(before, after); len(changed) > 0 {
		c.fail("go generate", "it changes "+strings.Join(changed, ", ")+": run it and commit the result")
		return
	}
	c.pass()
}

// readTree reads the project's files, dot-folders left out.
func readTree(root string) (map[string][]byte, error) {
	out := map[string][]byte{}
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && path != root && strings.HasPrefix(d.Name(), ".") {
			return filepath.SkipDir
		}
		if !d.Type().IsRegular() {
			return nil
		}
		if info, err := d.Info(); err != nil || info.Size() > 16<<20 {
			return err
		}
		name, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		out[name], err = os.ReadFile(path)
		return err
	})
	return out, err
}

func differences(before, after map[string][]byte) (out []string) {
	for name, b := range after {
		if was, ok := before[name]; !ok || !bytes.Equal(was, b) {
			out = append(out, name)
		}
	}
	for name := range before {
		if _, ok := after[name]; !ok {
			out = append(out, name)
		}
	}
	slices.Sort(out)
	return out
}
