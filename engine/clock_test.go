package engine_test

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// A clock that is set back must not be noticed. Times that time.Now gives carry the monotonic clock, and differences
// and timers go by it (package time, "Monotonic Clocks") as long as nothing strips it. What the live engine is made
// of strips it nowhere and asks no other clock.
func TestOnlyTheMonotonicClock(t *testing.T) {
	strips := regexp.MustCompile(`\.(Unix|UnixNano|UnixMilli|UnixMicro|UTC|Local|In|AddDate|Format|MarshalText)\(|\.Round\(0|time\.(Unix|UnixMilli|Date|Parse|ParseInLocation)\(|CLOCK_REALTIME|Gettimeofday|ModTime|\bgettimeofday\b|\btime\(NULL\)`)
	n := 0
	for _, pattern := range []string{"*.go", "live/*.go", "control/*.go", "../platform/*.go", "../platform/pulse/*.go", "../platform/graph/*.[gc]*", "../platform/mini/*.go", "../platform/thread/*.go", "../platform/rig/*.go",
		"../cmd/cushwright/run.go", "../cmd/internal/service/*.go"} {
		files, err := filepath.Glob(pattern)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			if strings.HasSuffix(f, "_test.go") {
				continue
			}
			b, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			n++
			for i, line := range strings.Split(string(b), "\n") {
				code, _, _ := strings.Cut(line, "//")
				if m := strips.FindString(code); m != "" {
					t.Errorf("%s:%d: %s goes by the clock on the wall", f, i+1, m)
				}
			}
		}
	}
	if n < 20 {
		t.Errorf("only %d files were read", n)
	}
}
