package config

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
)

const folderName = "cushwright"

// DefaultDir returns the bench folder that holds where none is named: the user's configuration folder + cushwright.
func DefaultDir() (string, error) {
	d, err := os.UserConfigDir()
	if err != nil {
		return "", fmt.Errorf("config: find %q: %w", "configuration folder", err)
	}
	return filepath.Join(d, folderName), nil
}

// StateDir returns the folder for what the program keeps by itself: the fitted cushion, logs. It is created, mode 0700.
func StateDir() (string, error) {
	var base string
	var err error
	switch runtime.GOOS {
	case "windows":
		base, err = os.UserCacheDir() // %LocalAppData%
	case "darwin", "ios":
		base, err = os.UserConfigDir() // ~/Library/Application Support
		base = filepath.Join(base, folderName)
	default:
		// XDG Base Directory Specification 0.8: a relative path is to be ignored.
		if base = os.Getenv("XDG_STATE_HOME"); !filepath.IsAbs(base) {
			base, err = os.UserHomeDir()
			base = filepath.Join(base, ".local", "state")
		}
	}
	if err != nil {
		return "", fmt.Errorf("config: find %q: %w", "state folder", err)
	}
	dir := filepath.Join(base, folderName)
	if runtime.GOOS == "darwin" {
		dir = filepath.Join(base, "state")
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return "", fmt.Errorf("config: create %q: %w", dir, cause(err))
	}
	return dir, nil
}

// RuntimeDir returns the folder for sockets and locks, mode 0700, ours alone: XDG_RUNTIME_DIR/cushwright, or a folder named by
// the user's number in the temporary folder. A folder of somebody else, or a link, is refused: another user could listen there.
func RuntimeDir() (string, error) {
	var dir string
	switch {
	case runtime.GOOS == "windows":
		d, err := StateDir()
		if err != nil {
			return "", err
		}
		dir = filepath.Join(d, "run")
	case filepath.IsAbs(os.Getenv("XDG_RUNTIME_DIR")):
		dir = filepath.Join(os.Getenv("XDG_RUNTIME_DIR"), folderName)
	default:
		dir = filepath.Join(os.TempDir(), fmt.Sprintf("%s-%d", folderName, os.Getuid()))
	}
	fail := func(err error) (string, error) { return "", fmt.Errorf("config: use %q: %w", dir, err) }
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fail(cause(err))
	}
	i, err := os.Lstat(dir)
	if err != nil {
		return fail(cause(err))
	}
	if !i.IsDir() {
		return fail(errors.New("is not a folder"))
	}
	if err := ownedByUs(i); err != nil {
		return fail(err)
	}
	if runtime.GOOS != "windows" && i.Mode().Perm() != 0o700 {
		if err := os.Chmod(dir, 0o700); err != nil {
			return fail(cause(err))
		}
	}
	return dir, nil
}

// LoadFitted returns the name of the cushion that is on the headphones, "" where that is not known.
func LoadFitted() string {
	dir, err := StateDir()
	if err != nil {
		return ""
	}
	data, err := readFile(filepath.Join(dir, "fitted"), 4096)
	name := strings.TrimSpace(string(data))
	if err != nil || CheckName(name) != nil {
		return ""
	}
	return name
}

// SaveFitted notes which cushion is on the headphones; "" forgets it.
func SaveFitted(name string) error {
	if name != "" {
		if err := CheckName(name); err != nil {
			return err
		}
	}
	dir, err := StateDir()
	if err != nil {
		return err
	}
	return writeAtomic(filepath.Join(dir, "fitted"), []byte(name+"\n"), 0o600)
}
