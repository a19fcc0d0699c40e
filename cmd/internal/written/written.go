// Package written knows which files the commands wrote: those may be written again, others only by --force. The list is
// kept in the state folder, by content, so that a file which somebody has edited since is no longer the command's own.
package written

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"cushwright/config"
)

const (
	listFile   = "written"
	mostListed = 1000
)

// Check is nil if each of the files may be written: it is not there, or as a command left it, or force is set.
func Check(force bool, files ...string) error {
	if force {
		return nil
	}
	var own map[string]string
	for _, f := range files {
		sum, err := sumOf(f)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			continue
		case err == nil:
			if own == nil {
				own = read()
			}
			if abs, err := absolute(f); err == nil && own[abs] == sum {
				continue
			}
		}
		return fmt.Errorf("cushwright: write %q: a file is there that cushwright did not write, or that was changed since: "+
			"name another one, or overwrite it with --force", f)
	}
	return nil
}

// Note lists files that a command has just written. Where the list cannot be kept, they need --force the next time.
func Note(files ...string) {
	dir, err := config.StateDir()
	if err != nil {
		return
	}
	var lines []string
	fresh := map[string]bool{}
	for _, f := range files {
		abs, err := absolute(f)
		sum, serr := sumOf(f)
		if err != nil || serr != nil || strings.ContainsAny(abs, "\r\n") || fresh[abs] {
			continue
		}
		fresh[abs] = true
		lines = append(lines, sum+" "+abs)
	}
	var kept []string
	old, _ := os.ReadFile(filepath.Join(dir, listFile))
	for in := bufio.NewScanner(bytes.NewReader(old)); in.Scan(); {
		if _, abs, ok := strings.Cut(in.Text(), " "); ok && !fresh[abs] {
			kept = append(kept, in.Text())
		}
	}
	kept = append(kept, lines...)
	kept = kept[max(0, len(kept)-mostListed):]
	_ = config.WriteAtomic(filepath.Join(dir, listFile), []byte(strings.Join(kept, "\n")+"\n"))
}

// SameFile reports whether two names are of one file.
func SameFile(a, b string) bool {
	if x, err := os.Stat(a); err == nil {
		if y, err := os.Stat(b); err == nil {
			return os.SameFile(x, y)
		}
	}
	x, errX := absolute(a)
	y, errY := absolute(b)
	return errX == nil && errY == nil && x == y
}

// read is the list: the sum by the file.
func read() map[string]string {
	own := map[string]string{}
	dir, err := config.StateDir()
	if err != nil {
		return own
	}
	data, _ := os.ReadFile(filepath.Join(dir, listFile))
	for in := bufio.NewScanner(bytes.NewReader(data)); in.Scan(); {
		if sum, abs, ok := strings.Cut(in.Text(), " "); ok {
			own[abs] = sum
		}
	}
	return own
}

// absolute is the one name of a file, links followed where it is there.
func absolute(file string) (string, error) {
	abs, err := filepath.Abs(file)
	if err != nil {
		return "", err
	}
	if to, err := filepath.EvalSymlinks(abs); err == nil {
		return to, nil
	}
	return abs, nil
}

// sumOf is the SHA-256 of a plain file's content.
func sumOf(file string) (string, error) {
	i, err := os.Stat(file)
	if err != nil {
		return "", err
	}
	if !i.Mode().IsRegular() {
		return "", errors.New("not a plain file")
	}
	f, err := os.Open(file)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}
