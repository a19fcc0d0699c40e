package config

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestWriteAtomicSet(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	look := func() map[string]string {
		all := map[string]string{}
		entries, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			if e.IsDir() {
				all[e.Name()] = "folder"
				continue
			}
			b, err := os.ReadFile(at(e.Name()))
			if err != nil {
				t.Fatal(err)
			}
			all[e.Name()] = string(b)
		}
		return all
	}
	expect := func(what string, want map[string]string) {
		t.Helper()
		got := look()
		for n, v := range want {
			if got[n] != v {
				t.Errorf("%s: %s holds %q, want %q", what, n, got[n], v)
			}
		}
		if len(got) != len(want) {
			t.Errorf("%s: left behind %v, want %v", what, got, want)
		}
	}
	set := func(version string, names ...string) (files []File) {
		for _, n := range names {
			files = append(files, File{at(n), []byte(n + version)})
		}
		return files
	}
	if err := WriteAtomicSet(set("1", "a", "b")); err != nil {
		t.Fatal(err)
	}
	expect("new", map[string]string{"a": "a1", "b": "b1"})
	if err := WriteAtomicSet(set("2", "a", "b", "c")); err != nil {
		t.Fatal(err)
	}
	want := map[string]string{"a": "a2", "b": "b2", "c": "c2"}
	expect("again", want)

	// A folder stands in the way: seen before anything is touched.
	if err := os.Mkdir(at("d"), 0o755); err != nil {
		t.Fatal(err)
	}
	want["d"] = "folder"
	if err := WriteAtomicSet(set("3", "a", "b", "d")); err == nil || !strings.Contains(err.Error(), `d"`) {
		t.Errorf("a folder as a file: %v", err)
	}
	expect("folder", want)
	if err := WriteAtomicSet(set("3", "a", "b", "b")); err == nil || !strings.Contains(err.Error(), "named twice") {
		t.Errorf("twice the same: %v", err)
	}
	expect("twice", want)
	if err := WriteAtomicSet(set("3", "a", "none/e")); err == nil {
		t.Error("a folder that does not exist was written to")
	}
	expect("no folder", want)

	// A rename that fails after others were done: they are put back, and a file that was not there goes again.
	defer func(was func(from, to string) error) { rename = was }(rename)
	rename = func(from, to string) error {
		if filepath.Base(to) == "c" && strings.HasSuffix(from, ".new") {
			return os.ErrPermission
		}
		return os.Rename(from, to)
	}
	if err := WriteAtomicSet(set("3", "a", "e", "b", "c")); err == nil || !strings.Contains(err.Error(), `c"`) {
		t.Errorf("a failed rename: %v", err)
	}
	expect("put back", want)
}
