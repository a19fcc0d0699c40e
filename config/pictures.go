package config

import (
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
)

var picturesLine = regexp.MustCompile(`(?m)^[ \t]*XDG_PICTURES_DIR="((?:[^"\\]|\\.)*)"`)

// PicturesDir returns the folder that the user's pictures go to, as it is named in user-dirs.dirs of the configuration
// folder (xdg-user-dirs), or Pictures in the home folder. Where that folder does not exist it is the state folder.
func PicturesDir() (string, error) {
	if home, err := os.UserHomeDir(); err == nil {
		dir := filepath.Join(home, "Pictures")
		if runtime.GOOS != "windows" && runtime.GOOS != "darwin" {
			base := os.Getenv("XDG_CONFIG_HOME")
			if !filepath.IsAbs(base) {
				base = filepath.Join(home, ".config")
			}
			if data, err := readFile(filepath.Join(base, "user-dirs.dirs"), MaxTOMLBytes); err == nil {
				dir = picturesIn(string(data), home, dir)
			}
		}
		// The home folder itself stands for "no such folder" in that file.
		if i, err := os.Stat(dir); err == nil && i.IsDir() && dir != filepath.Clean(home) {
			return dir, nil
		}
	}
	return StateDir()
}

// picturesIn is the pictures folder that a user-dirs.dirs names, otherwise where it names none. A name begins with
// $HOME/ or is absolute.
func picturesIn(text, home, otherwise string) string {
	m := picturesLine.FindStringSubmatch(text)
	if m == nil {
		return otherwise
	}
	name := regexp.MustCompile(`\\(.)`).ReplaceAllString(m[1], "$1")
	if rest, ok := strings.CutPrefix(name, "$HOME"); ok && (rest == "" || rest[0] == '/') {
		return filepath.Join(home, rest)
	}
	if filepath.IsAbs(name) {
		return filepath.Clean(name)
	}
	return otherwise
}
