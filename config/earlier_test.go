package config

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"cushwright/dsp"
)

// TestEarlierCorrections: two tries lose nothing, the last ten are kept, and each can be put back byte by byte.
func TestEarlierCorrections(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "corrections", "x.toml")
	write := func(gain float64) []byte {
		t.Helper()
		c, err := dsp.NewCorrection([]dsp.Band{{Shape: dsp.Bell, FreqHz: 1000, GainDB: gain, Q: 1}}, dsp.AutoHeadroom)
		if err != nil {
			t.Fatal(err)
		}
		if err := WriteCorrection(dir, "x", Correction{Reference: "woven", Correction: c}, nil); err != nil {
			t.Fatal(err)
		}
		return read(t, file)
	}
	numbers := func() (out []int) {
		t.Helper()
		list, err := EarlierCorrections(dir, "x")
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range list {
			if e.Err != nil || e.Correction.Reference != "woven" || e.Written.IsZero() {
				t.Errorf("%+v", e)
			}
			out = append(out, e.Number)
		}
		return out
	}
	if got := numbers(); got != nil {
		t.Errorf("earlier ones of nothing: %v", got)
	}
	// A file edited by hand is kept like any other.
	good := []byte("# mine\nreference = \"woven\"\n[[band]]\nshape = \"notch\"\nfreq_hz = 50\nq = 20\n")
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, good, 0o644); err != nil {
		t.Fatal(err)
	}
	write(1)
	second := write(2)
	if got := numbers(); !slices.Equal(got, []int{2, 1}) {
		t.Errorf("after two tries: %v", got)
	}
	if err := PutBack(dir, "x", 1); err != nil || !bytes.Equal(read(t, file), good) {
		t.Errorf("the good one is not back: %v", err)
	}
	if got := numbers(); !slices.Equal(got, []int{3, 2, 1}) {
		t.Errorf("the present one did not join: %v", got)
	}
	if err := PutBack(dir, "x", 3); err != nil || !bytes.Equal(read(t, file), second) {
		t.Errorf("there and back: %v", err)
	}
	if got := numbers(); !slices.Equal(got, []int{4, 3, 2}) {
		t.Errorf("a content is kept once: %v", got)
	}
	for i := range 20 {
		write(-0.1 * float64(i+1))
	}
	if got := numbers(); len(got) != KeptCorrections || got[0] != 24 || got[9] != 15 {
		t.Errorf("kept: %v", got)
	}
	// What is not there, or not in order, changes nothing.
	if err := os.WriteFile(filepath.Join(dir, "earlier", "x", "0020.toml"), []byte("headroom_db = 3\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	before := read(t, file)
	for n, want := range map[int]string{3: "there are 24, 23", 20: "headroom_db"} {
		if err := PutBack(dir, "x", n); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("number %d: %v", n, err)
		}
	}
	if err := PutBack(dir, "y", 1); err == nil || !strings.Contains(err.Error(), "no earlier") {
		t.Errorf("another cushion: %v", err)
	}
	if _, err := EarlierCorrections(dir, "../x"); err == nil {
		t.Error("a name that is a way passed")
	}
	if !bytes.Equal(read(t, file), before) {
		t.Error("a refusal changed the correction")
	}
	if s, err := Load(dir); err != nil || len(s.CushionNames()) != 1 {
		t.Errorf("the bench: %v", err)
	}
}

func read(t *testing.T, file string) []byte {
	t.Helper()
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return b
}
