package config

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
)

// manyCorrections makes a bench of so many corrections of eight bands; every bad-th is out of order.
func manyCorrections(t testing.TB, n, bad int) string {
	t.Helper()
	dir := t.TempDir()
	if err := os.Mkdir(filepath.Join(dir, "corrections"), 0o755); err != nil {
		t.Fatal(err)
	}
	for i := range n {
		text := "headroom_db = \"auto\"\n"
		for b := range 8 {
			q := 1.0
			if bad > 0 && i%bad == bad-1 && b == i%8 {
				q = 100
			}
			text += fmt.Sprintf("\n[[band]]\nshape = \"bell\"\near = \"both\"\nfreq_hz = %d\ngain_db = %.2f\nq = %g\n", 60<<b, float64(i%97)/20-2, q)
		}
		if err := os.WriteFile(filepath.Join(dir, "corrections", fmt.Sprintf("c%04d.toml", i)), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// TestLoadOnSeveralGoroutines: how many files are read at once changes nothing, neither of what is good nor of the order of
// what is bad.
func TestLoadOnSeveralGoroutines(t *testing.T) {
	for _, bad := range []int{0, 7} {
		dir := manyCorrections(t, 100, bad)
		one, eight := loader{}, loader{workers: 8}
		a, hashA, errA := one.load(dir)
		b, hashB, errB := eight.load(dir)
		if hashA != hashB || fmt.Sprint(errA) != fmt.Sprint(errB) || (errA == nil) != (bad == 0) {
			t.Errorf("one goroutine: %.200v; eight: %.200v", errA, errB)
		}
		if bad == 0 && fmt.Sprint(a.CushionNames()) != fmt.Sprint(b.CushionNames()) {
			t.Errorf("%v, %v", a.CushionNames(), b.CushionNames())
		}
		if got := len(eight.cache); bad == 0 && got != 100 {
			t.Errorf("%d files are remembered", got)
		}
	}
}

// The first reading of a large bench is most of what run waits for before it sounds.
func BenchmarkLoad2000Corrections(b *testing.B) {
	dir := manyCorrections(b, 2000, 0)
	for b.Loop() {
		if _, err := Load(dir); err != nil {
			b.Fatal(err)
		}
	}
}
