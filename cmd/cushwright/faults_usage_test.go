//go:build linux

package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

// usage is what a process holds.
type usage struct{ threads, files, goroutines, residentKiB int }

func (r *faultRig) usage() (u usage) {
	pid := r.run.Process.Pid
	count := func(dir string) int {
		e, err := os.ReadDir(fmt.Sprintf("/proc/%d/%s", pid, dir))
		if err != nil {
			r.t.Fatal(err)
		}
		return len(e)
	}
	st, err := r.state()
	if err != nil {
		r.t.Fatal(err)
	}
	return usage{count("task"), count("fd"), st.Goroutines, residentKiB(r.t, pid)}
}

// grown allows for a thread or two that the runtime starts for want of another, and for a heap between two sweeps.
func (u usage) grown(before usage) bool {
	return u.threads > before.threads+3 || u.files > before.files+2 || u.goroutines > before.goroutines+3 ||
		u.residentKiB > before.residentKiB*5/4+8192
}

// usageSettled waits until no more is used than before, for as long as a connection that was left idle is kept and some
// seconds more.
func (r *faultRig) usageSettled(before usage) (u usage) {
	for end := time.Now().Add(15 * time.Second); ; time.Sleep(500 * time.Millisecond) {
		if u = r.usage(); !u.grown(before) || time.Now().After(end) {
			return u
		}
	}
}

// children are the processes that a process has started.
func children(pid int) (pids []int) {
	b, _ := os.ReadFile(fmt.Sprintf("/proc/%d/task/%d/children", pid, pid))
	tasks, _ := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/children", pid))
	for _, f := range tasks {
		c, _ := os.ReadFile(f)
		b = append(append(b, ' '), c...)
	}
	for _, f := range strings.Fields(string(b)) {
		if p, err := strconv.Atoi(f); err == nil && !slices.Contains(pids, p) {
			pids = append(pids, p)
		}
	}
	return pids
}

// What has grown is told, from what a runtime adds by itself.
func TestGrown(t *testing.T) {
	before := usage{threads: 11, files: 18, goroutines: 16, residentKiB: 33000}
	for _, c := range []struct {
		more usage
		want bool
	}{
		{usage{}, false},
		{usage{threads: 3, files: 2, goroutines: 3, residentKiB: 8000}, false},
		{usage{threads: 4}, true},
		{usage{files: 3}, true},
		{usage{goroutines: 4}, true},
		{usage{residentKiB: 20000}, true},
		{usage{threads: -5, files: -5}, false},
	} {
		m := c.more
		after := usage{before.threads + m.threads, before.files + m.files, before.goroutines + m.goroutines,
			before.residentKiB + m.residentKiB}
		if after.grown(before) != c.want {
			t.Errorf("%+v more: grown is %v", m, !c.want)
		}
	}
}
