package config

import (
	"os"
	"path/filepath"
	"testing"

	"cushwright/dsp"
)

// A correction may have no bands: nothing has to be corrected. It is written, read again and plays at headroom 0.
func TestCorrectionWithoutBands(t *testing.T) {
	dir := t.TempDir()
	corr, err := dsp.NewCorrection(nil, dsp.AutoHeadroom)
	if err != nil {
		t.Fatal(err)
	}
	chain, err := corr.Compile(48000, dsp.Options{})
	if err != nil || chain.HeadroomDB() != 0 {
		t.Fatalf("headroom %g dB, %v", chain.HeadroomDB(), err)
	}
	if err := WriteCorrection(dir, "pad", Correction{Name: "pad", Reference: "old", Correction: corr, Derived: &Derived{}}, nil); err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{"pad": "label = \"a\"\n", "old": "label = \"b\"\n"} {
		os.MkdirAll(filepath.Join(dir, "cushions"), 0o755)
		if err := os.WriteFile(filepath.Join(dir, "cushions", name+".toml"), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	snap, problems := Load(dir)
	if c, ok := snap.Correction("pad"); !ok || len(c.Correction.Bands()) != 0 {
		t.Errorf("read again: %v, %v", ok, problems)
	}
}
