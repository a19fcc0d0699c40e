//go:build linux

package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"cushwright/cmd/internal/faultscript"
	"cushwright/config"
)

// What befalls the disk and the bench folder.

var diskCommands = faultTable{
	"fill-disk": {Usage: "the disk with state and bench is full",
		Do: func(r *faultRig, _ faultValues) { r.fillDisk() }},
	"read-only-disk": {Usage: "it is read-only",
		Do: func(r *faultRig, _ faultValues) {
			r.protect(true)
			if r.mounted {
				if err := syscall.Mount("", r.disk, "", syscall.MS_REMOUNT|syscall.MS_RDONLY, ""); err != nil {
					r.t.Fatal(err)
				}
			}
		}},
	"free-disk": {Usage: "it is as it was",
		Do: func(r *faultRig, _ faultValues) { r.freeDisk() }},
	"save-fails": {Usage: "a correction is saved, which must fail and leave the old one",
		Do: func(r *faultRig, _ faultValues) {
			file := r.correctionFile()
			old, _ := os.ReadFile(file)
			if err := config.WriteAtomic(file, []byte(faultCorrection(-8)+strings.Repeat("# full\n", 3000))); err == nil {
				r.t.Error("a file was saved on a disk that is full or read-only")
			}
			if text, err := os.ReadFile(file); err != nil || !bytes.Equal(text, old) {
				r.t.Errorf("after a save that failed the file is not what it was (%v)", err)
			}
		}},
	"delete-bench": {Usage: "the bench folder is gone",
		Do: func(r *faultRig, _ faultValues) { r.befell(); r.rename(r.bench, r.bench+".away") }},
	"restore-bench": {Usage: "it is back",
		Do: func(r *faultRig, _ faultValues) { r.befell(); r.rename(r.bench+".away", r.bench) }},
	"edit": {Usage: "the correction is saved anew, with a date so far from now; each edit undoes the one before",
		Args: []faultscript.Arg{{Name: "TIME", Kind: faultscript.Offset}},
		Do:   func(r *faultRig, v faultValues) { r.edit(time.Now().Add(v.Span("TIME"))) }},
}

func (r *faultRig) rename(from, to string) {
	r.t.Helper()
	if err := os.Rename(from, to); err != nil {
		r.t.Fatal(err)
	}
}

func (r *faultRig) correctionFile() string {
	return filepath.Join(r.bench, "corrections", r.wearing+".toml")
}

func (r *faultRig) fillDisk() {
	r.t.Helper()
	r.protect(true)
	if !r.mounted {
		return
	}
	f, err := os.Create(filepath.Join(r.disk, "ballast"))
	if err != nil {
		r.t.Fatal(err)
	}
	for size := 64 << 10; size > 0; size /= 2 {
		for err = nil; err == nil; _, err = f.Write(make([]byte, size)) {
		}
	}
	f.Close()
}

func (r *faultRig) freeDisk() {
	r.t.Helper()
	r.protect(false)
	if !r.mounted {
		return
	}
	if err := syscall.Mount("", r.disk, "", syscall.MS_REMOUNT, "size=512k"); err != nil {
		r.t.Fatal(err)
	}
	os.Remove(filepath.Join(r.disk, "ballast"))
}

// protect makes the folders read-only where no disk could be mounted.
func (r *faultRig) protect(on bool) {
	if r.mounted {
		return
	}
	mode := os.FileMode(0o755)
	if on {
		mode = 0o555
	}
	os.Chmod(filepath.Join(r.disk, "state", "cushwright"), mode)
	os.Chmod(filepath.Join(r.bench, "corrections"), mode)
}

func (r *faultRig) edit(date time.Time) {
	r.t.Helper()
	if r.edited == "" {
		r.edited = faultCorrection(-22)
	} else {
		r.edited = ""
	}
	edited := filepath.Join(r.disk, "edited")
	if err := os.WriteFile(edited, []byte(r.correction()), 0o644); err != nil {
		r.t.Fatal(err)
	}
	if err := os.Chtimes(edited, date, date); err != nil {
		r.t.Fatal(err)
	}
	r.befell()
	r.rename(edited, r.correctionFile())
}
