package service

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestSameBench: --bench names the bench that the engine plays, by whatever way, or both are named in a refusal.
func TestSameBench(t *testing.T) {
	dir := t.TempDir()
	plays, other, link := filepath.Join(dir, "booth"), filepath.Join(dir, "other"), filepath.Join(dir, "link")
	for _, d := range []string{plays, other} {
		if err := os.Mkdir(d, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Symlink(plays, link); err != nil {
		t.Fatal(err)
	}
	t.Chdir(dir)
	for _, named := range []string{"", plays, plays + "/", "booth", "./other/../booth", link} {
		if err := sameBench(named, plays); err != nil {
			t.Errorf("%q: %v", named, err)
		}
	}
	for _, named := range []string{other, "other", "/nowhere", "."} {
		err := sameBench(named, plays)
		if abs, _ := filepath.Abs(named); err == nil || !strings.Contains(err.Error(), plays) || !strings.Contains(err.Error(), abs) {
			t.Errorf("%q: %v", named, err)
		}
	}
	if err := os.Remove(plays); err != nil {
		t.Fatal(err)
	}
	if err := sameBench("booth", plays); err != nil {
		t.Errorf("the bench is gone: %v", err)
	}
	if err := sameBench("other", plays); err == nil {
		t.Error("the bench is gone, and another one is the same")
	}
}
