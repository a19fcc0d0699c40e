package config

import (
	"os"
	"path/filepath"
	"testing"
)

func TestPicturesIn(t *testing.T) {
	for text, want := range map[string]string{
		"":                                    "/home/me/Pictures",
		"XDG_PICTURES_DIR=\"$HOME/Bilder\"\n": "/home/me/Bilder",
		"# XDG_PICTURES_DIR=\"$HOME/No\"\nXDG_MUSIC_DIR=\"$HOME/Music\"":  "/home/me/Pictures",
		"XDG_MUSIC_DIR=\"/m\"\n XDG_PICTURES_DIR=\"/mnt/a \\\"b\\\"/\"\n": `/mnt/a "b"`,
		"XDG_PICTURES_DIR=\"$HOME\"":                                      "/home/me",
		"XDG_PICTURES_DIR=\"$HOMELESS/x\"":                                "/home/me/Pictures",
		"XDG_PICTURES_DIR=\"relative\"":                                   "/home/me/Pictures",
		"XDG_PICTURES_DIR=$(rm x)":                                        "/home/me/Pictures",
	} {
		if got := picturesIn(text, "/home/me", "/home/me/Pictures"); got != want {
			t.Errorf("%q: %q, want %q", text, got, want)
		}
	}
}

// The folder that is named, else Pictures, else the state folder.
func TestPicturesDir(t *testing.T) {
	home := t.TempDir()
	state := filepath.Join(home, "state")
	t.Setenv("HOME", home)
	t.Setenv("XDG_CONFIG_HOME", "")
	t.Setenv("XDG_STATE_HOME", state)
	is := func(want string) {
		t.Helper()
		if got, err := PicturesDir(); got != want || err != nil {
			t.Errorf("%q, %v; want %q", got, err, want)
		}
	}
	make := func(name string) {
		t.Helper()
		if err := os.MkdirAll(filepath.Join(home, name), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	is(filepath.Join(state, "cushwright"))
	make("Pictures")
	is(filepath.Join(home, "Pictures"))
	make(".config")
	name := func(dir string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(home, ".config", "user-dirs.dirs"), []byte("XDG_PICTURES_DIR=\""+dir+"\"\n"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	name("$HOME/Bilder")
	is(filepath.Join(state, "cushwright")) // it is not there
	make("Bilder")
	is(filepath.Join(home, "Bilder"))
	name("$HOME/")
	is(filepath.Join(state, "cushwright"))
}
