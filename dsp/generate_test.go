package dsp

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// The committed kernels are what the generator writes.
func TestKernelsAreGenerated(t *testing.T) {
	dir := t.TempDir()
	asm, stub := filepath.Join(dir, "k.s"), filepath.Join(dir, "k.go")
	cmd := exec.Command("go", "run", "./internal/kernelgen/main.go", "-out", asm, "-stubs", stub, "-pkg", "dsp")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	for got, want := range map[string]string{asm: "kernel_amd64.s", stub: "kernel_stub_amd64.go"} {
		g, err := os.ReadFile(got)
		if err != nil {
			t.Fatal(err)
		}
		w, err := os.ReadFile(want)
		if err != nil {
			t.Fatal(err)
		}
		// the first line names the command with its paths
		_, g, _ = bytes.Cut(g, []byte("\n"))
		_, w, _ = bytes.Cut(w, []byte("\n"))
		if !bytes.Equal(g, w) {
			t.Errorf("%s is not what go generate writes", want)
		}
	}
}
