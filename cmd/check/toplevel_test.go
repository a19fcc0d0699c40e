package main

import (
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// topEntries are the project's top-level entries; where there is no git history, nobody can say which ones are.
func topEntries(t *testing.T) (entries []string, tracked bool) {
	t.Helper()
	root := filepath.Join("..", "..")
	if _, err := os.Stat(filepath.Join(root, ".git")); errors.Is(err, fs.ErrNotExist) {
		return nil, false
	}
	cmd := exec.Command("git", "ls-files", "-z")
	cmd.Dir = root
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("git ls-files: %v", explain(err))
	}
	return topLevel(string(out)), true
}

var topAllowed = []string{"cmd", "config", "dsp", "engine", "platform", "testdata",
	"go.mod", "go.sum", "README.md", "DEVELOPERS.md", "LICENSE"}

// topLevel gives the first part of each name of a list that ends its names with a zero byte, each once.
func topLevel(list string) (entries []string) {
	for name := range strings.SplitSeq(strings.TrimRight(list, "\x00"), "\x00") {
		if first, _, _ := strings.Cut(name, "/"); !slices.Contains(entries, first) {
			entries = append(entries, first)
		}
	}
	return entries
}

// strangers are the entries that do not belong at the top. Dot-files may.
func strangers(entries []string) (out []string) {
	for _, e := range entries {
		if !strings.HasPrefix(e, ".") && !slices.Contains(topAllowed, e) {
			out = append(out, e)
		}
	}
	return out
}

func TestStrangersAreSeen(t *testing.T) {
	list := ".ci/run\x00.gitignore\x00cmd/a/b.go\x00cmd/a/c d.go\x00go.mod\x00internal/x.go\x00plot.png\x00dsp\x00"
	entries := topLevel(list)
	if want := []string{".ci", ".gitignore", "cmd", "go.mod", "internal", "plot.png", "dsp"}; !slices.Equal(entries, want) {
		t.Errorf("%q, want %q", entries, want)
	}
	if got := strangers(entries); !slices.Equal(got, []string{"internal", "plot.png"}) {
		t.Errorf("strangers %q", got)
	}
}
