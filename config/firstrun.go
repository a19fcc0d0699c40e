package config

import (
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"
)

// demoFS is the built-in bench. Every word and figure in it is invented.
//
//go:embed demo
var demoFS embed.FS

// FirstRun writes a commented settings.toml and the demo bench into dir if it is missing or empty (hidden files do not count),
// and returns the files it wrote, relative to dir. In any other folder it does nothing and returns none.
func FirstRun(dir string) (created []string, err error) {
	fail := func(err error) ([]string, error) {
		return created, fmt.Errorf("config: set up %q: %w", dir, cause(err))
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fail(err)
	}
	names, err := readDir(dir)
	if err != nil {
		return fail(err)
	}
	for _, n := range names {
		if !strings.HasPrefix(n, ".") {
			return nil, nil
		}
	}
	put := func(file string, data []byte) error {
		target := filepath.Join(dir, filepath.FromSlash(file))
		if err := os.MkdirAll(filepath.Dir(target), 0o755); err != nil {
			return err
		}
		if err := writeExclusive(target, data); err != nil {
			return err
		}
		created = append(created, file)
		return nil
	}
	// settings.toml comes last: with it the bench is whole.
	err = fs.WalkDir(demoFS, "demo", func(file string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		data, err := demoFS.ReadFile(file)
		if err != nil {
			return err
		}
		return put(strings.TrimPrefix(file, "demo/"), data)
	})
	if err == nil {
		err = put(path.Base("settings.toml"), []byte(demoSettings()))
	}
	if errors.Is(err, fs.ErrExist) {
		err = errors.New("somebody else is setting it up")
	}
	if err != nil {
		return fail(err)
	}
	return created, nil
}

// demoSettings is the default file with the demo's reference switched on.
func demoSettings() string {
	return strings.Replace(DefaultSettingsTOML, "# reference = ", "reference = ", 1)
}
