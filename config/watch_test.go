//go:build unix

package config

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/fsnotify/fsnotify"
)

type news struct {
	s   *Snapshot
	err error
	at  time.Time
}

func correctionText(gain string) []byte {
	return []byte("reference = \"woven\"\nheadroom_db = \"auto\"\n\n[[band]]\nshape = \"bell\"\nfreq_hz = 1000\ngain_db = " + gain + "\nq = 1\n")
}

// startWatch runs Watch and hands its news over in order; stop waits for it to return.
func startWatch(t testing.TB, dir string) (<-chan news, func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	ch, done := make(chan news, 1000), make(chan error)
	go func() {
		done <- Watch(ctx, dir, func(s *Snapshot, err error) {
			if (s == nil) == (err == nil) {
				t.Errorf("a snapshot and an error, or neither: %v, %v", s, err)
			}
			ch <- news{s, err, time.Now()}
		})
	}()
	return ch, func() {
		cancel()
		select {
		case err := <-done:
			if err != nil {
				t.Error(err)
			}
		case <-time.After(20 * time.Second):
			t.Error("Watch does not return")
		}
	}
}

// The scripts of testdata/reload. A line is an event or what is expected:
//
//	bench DIR                      the bench folder, "bench" otherwise
//	correction HOW FILE GAIN       write (truncate, write), replace (write beside, rename) or append
//	text write FILE WORDS…         any text
//	empty, remove FILE; truncate FILE BYTES; rename FROM TO; mkdir DIR; pipe FILE
//	link FILE TARGET               a symbolic link, put in place of what was there by rename
//	wait MS
//	start                          Watch begins
//	expect NAME GAIN               the correction's first band; errors and losses on the way there are failures
//	gone NAME                      a snapshot without that correction
//	bad WORDS…                     an error that holds these words; snapshots without an error on the way are failures
//	nothing                        no news for 400 ms
func TestReloadScripts(t *testing.T) {
	scripts, err := filepath.Glob("../testdata/reload/*.txt")
	if err != nil || len(scripts) < 15 {
		t.Fatalf("%d scripts, %v", len(scripts), err)
	}
	for _, script := range scripts {
		t.Run(strings.TrimSuffix(filepath.Base(script), ".txt"), func(t *testing.T) {
			t.Parallel()
			runScript(t, script)
		})
	}
}

func runScript(t *testing.T, script string) {
	f, err := os.Open(script)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	root := t.TempDir()
	at := func(p string) string { return filepath.Join(root, filepath.FromSlash(p)) }
	bench := at("bench")
	var ch <-chan news
	var last news // the state as told
	next := func(line int, what string) news {
		t.Helper()
		select {
		case last = <-ch:
			return last
		case <-time.After(20 * time.Second):
			t.Fatalf("line %d: %s: no news; the last was %v %v", line, what, last.s, last.err)
		}
		return last
	}
	gain := func(s *Snapshot, name string) string {
		c, ok := s.Correction(name)
		if !ok || len(c.Correction.Bands()) == 0 {
			return "none"
		}
		return strconv.FormatFloat(c.Correction.Bands()[0].GainDB, 'g', -1, 64)
	}
	save := func(how, file string, data []byte) error {
		if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
			return err
		}
		switch how {
		case "write":
			return os.WriteFile(file, data, 0o644)
		case "replace":
			tmp := filepath.Join(filepath.Dir(file), ".new")
			if err := os.WriteFile(tmp, data, 0o644); err != nil {
				return err
			}
			return os.Rename(tmp, file)
		case "append":
			f, err := os.OpenFile(file, os.O_APPEND|os.O_WRONLY, 0)
			if err != nil {
				return err
			}
			defer f.Close()
			_, err = f.Write(data)
			return err
		}
		return fmt.Errorf("save %q", how)
	}
	in := bufio.NewScanner(f)
	for line := 1; in.Scan(); line++ {
		w := strings.Fields(in.Text())
		if len(w) == 0 || w[0] == "#" {
			continue
		}
		var err error
		switch w[0] {
		case "bench":
			bench = at(w[1])
		case "correction":
			err = save(w[1], at(w[2]), correctionText(w[3]))
		case "text":
			err = save(w[1], at(w[2]), []byte(strings.Join(w[3:], " ")))
		case "empty":
			err = os.Truncate(at(w[1]), 0)
		case "truncate":
			n, _ := strconv.Atoi(w[2])
			err = os.Truncate(at(w[1]), int64(n))
		case "remove":
			err = os.RemoveAll(at(w[1]))
		case "rename":
			err = os.Rename(at(w[1]), at(w[2]))
		case "mkdir":
			err = os.MkdirAll(at(w[1]), 0o755)
		case "pipe":
			err = syscall.Mkfifo(at(w[1]), 0o644)
		case "link":
			if err = os.MkdirAll(filepath.Dir(at(w[1])), 0o755); err == nil {
				tmp := at(w[1]) + ".new"
				if err = os.Symlink(filepath.FromSlash(w[2]), tmp); err == nil {
					err = os.Rename(tmp, at(w[1]))
				}
			}
		case "wait":
			ms, _ := strconv.Atoi(w[1])
			time.Sleep(time.Duration(ms) * time.Millisecond)
		case "start":
			var stop func()
			ch, stop = startWatch(t, bench)
			defer stop()
			next(line, "start")
		case "expect":
			for last.s == nil || gain(last.s, w[1]) != w[2] {
				before := last
				switch n := next(line, in.Text()); {
				case n.err != nil && before.err == nil:
					t.Fatalf("line %d: %s: %v", line, in.Text(), n.err)
				case n.err == nil && before.err == nil && gain(n.s, w[1]) == "none" && gain(before.s, w[1]) != "none":
					t.Fatalf("line %d: %s: the correction is gone", line, in.Text())
				}
			}
		case "gone":
			for last.s == nil || gain(last.s, w[1]) != "none" {
				if n := next(line, in.Text()); n.err != nil {
					t.Fatalf("line %d: %s: %v", line, in.Text(), n.err)
				}
			}
		case "bad":
			words := strings.Join(w[1:], " ")
			for last.err == nil || !strings.Contains(last.err.Error(), words) {
				if n := next(line, in.Text()); n.err == nil {
					t.Fatalf("line %d: %s: a good snapshot", line, in.Text())
				}
			}
		case "nothing":
			select {
			case n := <-ch:
				t.Fatalf("line %d: news: %v %v", line, n.s, n.err)
			case <-time.After(400 * time.Millisecond):
			}
		default:
			err = fmt.Errorf("unknown event")
		}
		if err != nil {
			t.Fatalf("line %d: %s: %v", line, in.Text(), err)
		}
	}
}

// A save is told while the editor's hand is still on the key: the median of 100 saves among 20 other corrections is printed.
func TestSaveToNews(t *testing.T) {
	dir := t.TempDir()
	for i := range 20 {
		put(t, dir, fmt.Sprintf("corrections/c%d.toml", i), correctionText("1"))
	}
	ch, stop := startWatch(t, dir)
	defer stop()
	<-ch
	var took []time.Duration
	for i := range 100 {
		gain := strconv.Itoa(i%20 - 10)
		start := time.Now()
		put(t, dir, "corrections/c7.toml", correctionText(gain))
		n := <-ch
		if n.err != nil {
			t.Fatal(n.err)
		}
		if c, _ := n.s.Correction("c7"); strconv.FormatFloat(c.Correction.Bands()[0].GainDB, 'g', -1, 64) != gain {
			t.Fatal("old news")
		}
		took = append(took, n.at.Sub(start))
	}
	slices.Sort(took)
	t.Logf("save to news: median %v, largest %v", took[50], took[99])
}

// Watch leaves nothing behind: no goroutine, no file.
func TestWatchCloses(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "corrections/a.toml", correctionText("1"))
	files := func() int {
		e, err := os.ReadDir("/proc/self/fd")
		if err != nil {
			t.Fatal(err)
		}
		return len(e)
	}
	before, fds := runtime.NumGoroutine(), files()
	for range 30 {
		ch, stop := startWatch(t, dir)
		<-ch
		stop()
	}
	for range 200 {
		if runtime.NumGoroutine() <= before && files() <= fds {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Errorf("goroutines %d, then %d; files %d, then %d", before, runtime.NumGoroutine(), fds, files())
}

func BenchmarkSaveToNews(b *testing.B) {
	dir := b.TempDir()
	put(b, dir, "corrections/a.toml", correctionText("1"))
	ch, stop := startWatch(b, dir)
	defer stop()
	<-ch
	for i := 0; b.Loop(); i++ {
		put(b, dir, "corrections/a.toml", correctionText(strconv.Itoa(i%2)))
		if n := <-ch; n.err != nil {
			b.Fatal(n.err)
		}
	}
}

func BenchmarkSaveToNewsAmong2000Cushions(b *testing.B) {
	dir := b.TempDir()
	bigBench(b, dir, 2000, 0)
	time.Sleep(3 * time.Second) // as in life: most files are older than the start
	ch, stop := startWatch(b, dir)
	defer stop()
	<-ch
	for i := 0; b.Loop(); i++ {
		put(b, dir, "corrections/c-7.toml", correctionText(strconv.Itoa(i%2+2)))
		if n := <-ch; n.err != nil {
			b.Fatal(n.err)
		}
	}
}

func BenchmarkLoad2000Cushions(b *testing.B) {
	dir := b.TempDir()
	bigBench(b, dir, 2000, 0)
	for b.Loop() {
		if _, err := Load(dir); err != nil {
			b.Fatal(err)
		}
	}
}

// TestNotificationsComeBack: that there are no notifications is said once, and taken back once there are some again.
func TestNotificationsComeBack(t *testing.T) {
	dir := t.TempDir()
	var said []string
	w := &watch{watcher: watcher{dir: dir, watched: map[string]os.FileInfo{}}, settle: time.NewTimer(time.Hour),
		tell: func(s *Snapshot, err error) {
			if err != nil {
				said = append(said, err.Error())
			} else {
				said = append(said, "good")
			}
		}}
	w.dirty = map[string]bool{}
	var err error
	if w.fs, err = fsnotify.NewWatcher(); err != nil {
		t.Fatal(err)
	}
	defer w.fs.Close()
	w.broken = syscall.ENOSPC // as the system says where all watches are taken
	for range 3 {
		w.read()
	}
	if len(said) != 3 || said[0] != "good" || !strings.Contains(said[1], "every second") || said[2] != "good" {
		t.Errorf("said: %q", said)
	}
}
