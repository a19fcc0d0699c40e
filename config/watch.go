package config

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/fsnotify/fsnotify"
)

// How long a change is left to settle before the bench is read, counted from the first and the last event.
const (
	settleQuiet = 4 * time.Millisecond
	settleMost  = 12 * time.Millisecond
	// Bad news waits longer: a file that is gone, empty or broken is most often one that is just being written.
	settleBad = 150 * time.Millisecond
	// Without notifications the bench is read this often.
	pollEvery = time.Second
)

// Watch loads the bench folder dir and calls f with it, and again after every change of content, until ctx is done; then it
// returns nil. Exactly one of f's arguments is set. After an error the caller keeps the last good snapshot; once the file is
// mended, f gets a snapshot even if it equals the last good one. f runs in the goroutine that called Watch, so calls never
// overlap.
//
// Folders are watched, not files, so that it does not matter how an editor saves; also folders that appear later, the bench
// folder itself among them, and the folders that links lead to. Any event makes it read everything again, and a hash of the
// content decides. A save is seen in about 5 to 15 ms. News that takes something away (a file removed, emptied, broken) is
// held back for 150 ms and dropped if mended by then.
//
// Where the system gives no notifications the folder is read every second, and f told so once; when it gives some again, f
// gets the bench again.
func Watch(ctx context.Context, dir string, f func(*Snapshot, error)) error {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return fmt.Errorf("config: watch %q: %w", dir, err)
	}
	w := &watch{watcher: watcher{dir: dir, watched: map[string]os.FileInfo{}}, tell: f, settle: time.NewTimer(0)}
	w.dirty = map[string]bool{}
	defer w.settle.Stop()
	var events chan fsnotify.Event
	var errs chan error
	if w.fs, w.broken = fsnotify.NewWatcher(); w.broken == nil {
		defer w.fs.Close()
		events, errs = w.fs.Events, w.fs.Errors
	}
	for {
		select {
		case <-ctx.Done():
			return nil
		case ev, ok := <-events:
			if !ok {
				events = nil
				break
			}
			w.event(ev)
		case _, ok := <-errs:
			if !ok {
				errs = nil
				break
			}
			w.cache = nil // events were lost: read everything
			w.settle.Reset(settleQuiet)
		case <-w.settle.C:
			w.read()
		}
	}
}

// watch is the state of one Watch and belongs to its goroutine.
type watch struct {
	watcher
	tell   func(*Snapshot, error)
	settle *time.Timer // to the next reading
	broken error       // why there are no notifications; nil while there are
	first  time.Time   // first event since the last reading

	said, saidPolling bool
	takeBack          bool      // what is good is said again, for what was said in between holds no more
	lastHash, lastErr string    // of what was said last
	good              *Snapshot // the last good one
	badSince          time.Time // when the news first was bad; zero while it is good
}

// event puts a reading off until events have settled.
func (w *watch) event(ev fsnotify.Event) {
	if !w.concerns(ev) {
		return
	}
	if file, err := filepath.Rel(w.dir, ev.Name); err == nil {
		w.dirty[filepath.ToSlash(file)] = true
	}
	now := time.Now()
	if w.first.IsZero() {
		w.first = now
	}
	w.settle.Reset(max(0, min(settleQuiet, settleMost-now.Sub(w.first))))
}

// read loads the bench and says what is new.
func (w *watch) read() {
	w.first = time.Time{}
	if w.broken == nil {
		w.broken = w.sync()
	}
	if w.broken == nil && w.saidPolling { // that is over: saying what is good takes it back
		w.takeBack, w.saidPolling = true, false
	}
	held := w.news(w.load(w.dir))
	if w.broken == nil {
		return
	}
	if !w.saidPolling {
		w.saidPolling = true
		w.tell(nil, fmt.Errorf("config: watch %q: %w; reading it every second instead", w.dir, w.broken))
	}
	if !held {
		w.settle.Reset(pollEvery)
	}
	// Another try: what was missing may be there by then.
	if w.fs != nil {
		w.broken = nil
	}
}

// news says what was loaded, if it is new, and reports whether it holds bad news back until the next reading.
func (w *watch) news(s *Snapshot, hash string, err error) (held bool) {
	clear(w.dirty)
	// Broken as before, while another file changed, is no news.
	same := w.said && (hash == w.lastHash && !w.takeBack || err != nil && err.Error() == w.lastErr)
	if w.said && !same && (err != nil || w.good != nil && s.lacks(w.good)) {
		if w.badSince.IsZero() {
			w.badSince = time.Now()
		}
		if wait := settleBad - time.Since(w.badSince); wait > 0 {
			w.settle.Reset(wait)
			return true
		}
	}
	w.badSince = time.Time{}
	if same {
		return false
	}
	w.said, w.lastHash = true, hash
	if err != nil {
		w.lastErr = err.Error()
	} else {
		w.lastErr, w.good, w.takeBack = "", s, false
	}
	w.tell(s, err)
	return false
}

// lacks reports whether s has lost a cushion or correction that old has.
func (s *Snapshot) lacks(old *Snapshot) bool {
	for n := range old.corrections {
		if _, ok := s.corrections[n]; !ok {
			return true
		}
	}
	for n := range old.cushions {
		if _, ok := s.cushions[n]; !ok {
			return true
		}
	}
	return false
}

// watcher knows which folders are watched. It belongs to the goroutine of Watch.
type watcher struct {
	loader
	dir     string
	fs      *fsnotify.Watcher
	watched map[string]os.FileInfo // folder -> what it was when the watch was set
	toward  map[string]string      // folders above the bench -> the one entry in them that matters
}

// concerns reports whether an event can change what the bench holds.
func (w *watcher) concerns(ev fsnotify.Event) bool {
	if entry, above := w.toward[filepath.Dir(ev.Name)]; above {
		return filepath.Base(ev.Name) == entry
	}
	return true
}

// sync watches every folder that matters now, and again those that were replaced since. A folder that appears while it works
// is found by another round, so that whatever is written later is either read by the load that follows or gives an event.
func (w *watcher) sync() error {
	for range 10 {
		want, toward := w.folders()
		changed := false
		live := map[string]bool{}
		for _, name := range w.fs.WatchList() {
			live[name] = true
		}
		for name := range w.watched {
			if want[name] == nil || !live[name] || !os.SameFile(want[name], w.watched[name]) {
				_ = w.fs.Remove(name) // an error means that it is gone already
				delete(w.watched, name)
				changed = true
			}
		}
		for _, name := range slices.Sorted(maps.Keys(want)) {
			if w.watched[name] != nil {
				continue
			}
			switch err := w.fs.Add(name); {
			case errors.Is(err, os.ErrNotExist):
			case err != nil:
				return err
			default:
				w.watched[name] = want[name]
			}
			changed = true
		}
		w.toward = toward
		if !changed {
			break
		}
	}
	return nil
}

// folders returns the folders to watch: the bench, its folders that are read, the nearest existing folder above the bench,
// and every folder that a link passes through on its way.
func (w *watcher) folders() (want map[string]os.FileInfo, toward map[string]string) {
	want, toward = map[string]os.FileInfo{}, map[string]string{}
	add := func(dir string) bool {
		i, err := os.Stat(dir)
		if err != nil || !i.IsDir() {
			return false
		}
		want[dir] = i
		return true
	}
	links := 0
	follow := func(path string) {
		for range 40 {
			to, err := os.Readlink(path)
			if err != nil || links > 1000 {
				return
			}
			links++
			if !filepath.IsAbs(to) {
				to = filepath.Join(filepath.Dir(path), to)
			}
			path = to
			dir := filepath.Dir(path)
			if _, ok := want[dir]; !ok && add(dir) && dir != w.dir && !strings.HasPrefix(dir, w.dir+string(filepath.Separator)) {
				toward[dir] = filepath.Base(path)
			} else if e, ok := toward[dir]; ok && e != filepath.Base(path) {
				delete(toward, dir) // more than one entry matters: look at all
			}
		}
	}
	// The nearest folder above that exists, so that the bench is noticed when it comes, or goes and comes back.
	for below, above := w.dir, filepath.Dir(w.dir); ; below, above = above, filepath.Dir(above) {
		if add(above) {
			toward[above] = filepath.Base(below)
			break
		}
		if above == filepath.Dir(above) {
			break
		}
	}
	follow(w.dir)
	if !add(w.dir) {
		return want, toward
	}
	follow(filepath.Join(w.dir, "settings.toml"))
	for _, name := range []string{"cushions", "corrections", "equalisers"} {
		folder := filepath.Join(w.dir, name)
		follow(folder)
		if !add(folder) {
			continue
		}
		entries, err := os.ReadDir(folder)
		if err != nil {
			continue
		}
		for _, e := range entries {
			if e.Type()&os.ModeSymlink != 0 {
				follow(filepath.Join(folder, e.Name()))
			}
		}
	}
	return want, toward
}
