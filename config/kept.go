package config

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"cushwright/dsp"
)

// keptFolder is where removed files of a bench are kept: a folder for each removal, with the files under their own paths.
const keptFolder = ".removed"

// mostKept is how many removals are kept; older ones are gone for good.
const mostKept = 50

// BeginCushion writes a record of a new cushion, its label and every other key commented out. An existing record is an
// error that wraps fs.ErrExist.
func BeginCushion(dir, name, label string) (file string, err error) {
	fail := func(err error) (string, error) {
		return "", fmt.Errorf("config: begin cushion %q: %w", clip(name), cause(err))
	}
	if err := CheckName(name); err != nil {
		return fail(err)
	}
	if label == "" {
		label = name
	}
	text := fmt.Sprintf("label = %s\n", tomlString(label)) + `
# What you know of the cushion. Take the # away and write your own figures; a key that stays away is not known.
# cover = "woven polyester"
# filling = "open-cell foam"
# mass_g = 38            # of the pair
# thickness_mm = 20
# clamped_mm = 14        # its thickness on the head
# opening_mm = 60
# opening_width_mm = 42
# clamp_n = 4.8
# hours = 0              # worn
# since = 2026-01-12
# notes = ""
`
	file = filepath.Join(dir, "cushions", name+".toml")
	if _, ps := parseCushion("cushions/"+name+".toml", name, []byte(text)); len(ps) > 0 {
		return fail(ps)
	}
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		return fail(err)
	}
	if err := writeExclusive(file, []byte(text)); err != nil {
		return fail(err)
	}
	return file, nil
}

// Begin makes a bench of one's own where there is none: a folder with the commented settings, whose reference is the
// cushion that is named. It reports whether it did; a folder that holds anything is left alone.
func Begin(dir, reference string) (bool, error) {
	fail := func(err error) (bool, error) { return false, fmt.Errorf("config: set up %q: %w", dir, cause(err)) }
	if err := CheckName(reference); err != nil {
		return fail(err)
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fail(err)
	}
	names, err := readDir(dir)
	if err != nil {
		return fail(err)
	}
	if slices.ContainsFunc(names, func(n string) bool { return !strings.HasPrefix(n, ".") }) {
		return false, nil
	}
	text := strings.Replace(DefaultSettingsTOML, `# reference = "woven"`, fmt.Sprintf("reference = %q", reference), 1)
	if err := writeExclusive(filepath.Join(dir, "settings.toml"), []byte(text)); err != nil {
		return fail(err)
	}
	return true, nil
}

// cushionFiles lists what the bench holds of a cushion: files and folders, relative to it.
func cushionFiles(dir, name string) (out []string, err error) {
	for _, file := range []string{"cushions/" + name + ".toml", "seats/" + name, "proofs/" + "seats/" + name} {
		if _, err := os.Lstat(filepath.Join(dir, filepath.FromSlash(file))); err == nil {
			out = append(out, file)
		}
	}
	entries, err := readDir(filepath.Join(dir, "corrections"))
	for _, e := range entries {
		if e == name+".toml" || strings.HasPrefix(e, name+".toml.") {
			out = append(out, "corrections/"+e)
		}
	}
	return out, err
}

// RemoveCushion takes a cushion with its seats and its corrections out of the bench. It returns what was taken out.
func RemoveCushion(dir, name string) ([]string, error) {
	if err := CheckName(name); err != nil {
		return nil, err
	}
	files, err := cushionFiles(dir, name)
	if err == nil && len(files) == 0 {
		err = errors.New("the bench holds nothing of it")
	}
	if err != nil {
		return nil, fmt.Errorf("config: remove cushion %q: %w", name, err)
	}
	return files, putAway(dir, name, files, nil)
}

// RemoveSeat takes a seat, such as "left-03", out of the bench.
func RemoveSeat(dir, name, seat string) ([]string, error) {
	if err := CheckName(name); err != nil {
		return nil, err
	}
	ear, n, ok := seatName(strings.TrimSuffix(seat, ".csv") + ".csv")
	file := seatFile(name, ear, n)
	if _, err := os.Lstat(filepath.Join(dir, filepath.FromSlash(file))); !ok || err != nil {
		return nil, fmt.Errorf("config: remove seat %q of %q: there is none, allowed: %s", clip(seat), name,
			seatsText(dir, name))
	}
	return []string{file}, putAway(dir, name+"-"+path.Base(file), []string{file}, nil)
}

// seatsText lists the seats of a cushion by number.
func seatsText(dir, name string) string {
	refs, _, err := Bench{dir}.seatsIn(name)
	var names []string
	for _, r := range refs {
		names = append(names, strings.TrimSuffix(path.Base(r.File), ".csv"))
	}
	if err != nil || names == nil {
		return "nothing, for it has no seats"
	}
	return strings.Join(names, ", ")
}

// RemoveDemo takes the demonstration out of the bench: its cushions, where their seats are those of the demonstration, its
// equalisers and its text, and the settings' reference. What has become the user's own stays and is named in stays.
func RemoveDemo(dir string) (removed, stays []string, err error) {
	var demo []string // files of the demonstration, relative
	err = fs.WalkDir(demoFS, "demo", func(file string, e fs.DirEntry, err error) error {
		if err == nil && !e.IsDir() {
			demo = append(demo, strings.TrimPrefix(file, "demo/"))
		}
		return err
	})
	if err != nil {
		return nil, nil, fmt.Errorf("config: remove the demonstration: %w", err)
	}
	same := func(file string) bool {
		want, err1 := demoFS.ReadFile("demo/" + file)
		got, err2 := os.ReadFile(filepath.Join(dir, filepath.FromSlash(file)))
		return err1 == nil && err2 == nil && bytes.Equal(want, got)
	}
	for _, file := range demo {
		folder, rest, _ := strings.Cut(file, "/")
		switch {
		case folder == "cushions":
			name := strings.TrimSuffix(rest, ".toml")
			files, err := cushionFiles(dir, name)
			if err != nil {
				return nil, nil, fmt.Errorf("config: remove the demonstration: %w", err)
			}
			refs, misnamed, err := Bench{dir}.seatsIn(name)
			own := err != nil || len(misnamed) > 0 ||
				slices.ContainsFunc(refs, func(r SeatRef) bool { return !same(r.File) })
			if len(files) > 0 && own {
				stays = append(stays, name)
			} else {
				removed = append(removed, files...)
			}
		case folder == "corrections" || folder == "seats": // with its cushion
		case same(file):
			removed = append(removed, file)
		}
	}
	var settings []byte
	got, err := os.ReadFile(filepath.Join(dir, "settings.toml"))
	if err == nil && string(got) == demoSettings() && len(stays) == 0 {
		settings = []byte(DefaultSettingsTOML)
	}
	if len(removed) == 0 {
		return nil, stays, errors.New("config: remove the demonstration: the bench holds nothing of it")
	}
	return removed, stays, putAway(dir, "demonstration", removed, settings)
}

// putAway moves files into a new folder below keptFolder, all or none. settings, where not nil, replaces settings.toml,
// whose old content is kept, too.
func putAway(dir, what string, files []string, settings []byte) (err error) {
	fail := func(err error) error { return fmt.Errorf("config: remove %q: %w", what, cause(err)) }
	base := filepath.Join(dir, keptFolder)
	kept := filepath.Join(base, time.Now().UTC().Format("20060102T150405.000000000")+"-"+what)
	var moved []string
	defer func() {
		if err != nil {
			for _, f := range moved {
				os.Rename(filepath.Join(kept, f), filepath.Join(dir, f))
			}
			os.RemoveAll(kept)
		}
	}()
	if settings != nil {
		old, err := os.ReadFile(filepath.Join(dir, "settings.toml"))
		if err != nil {
			return fail(err)
		}
		if err := os.MkdirAll(kept, 0o755); err != nil {
			return fail(err)
		}
		if err := writeExclusive(filepath.Join(kept, "settings.toml"), old); err != nil {
			return fail(err)
		}
	}
	for _, f := range files {
		f = filepath.FromSlash(f)
		if err := os.MkdirAll(filepath.Dir(filepath.Join(kept, f)), 0o755); err != nil {
			return fail(err)
		}
		if err := rename(filepath.Join(dir, f), filepath.Join(kept, f)); err != nil {
			return fail(err)
		}
		moved = append(moved, f)
	}
	if settings != nil {
		if err := WriteAtomic(filepath.Join(dir, "settings.toml"), settings); err != nil {
			return err
		}
	}
	if all, err := removals(dir); err == nil {
		for _, old := range all[:max(0, len(all)-mostKept)] {
			os.RemoveAll(filepath.Join(base, old))
		}
	}
	return nil
}

// removals lists the folders of what was removed, the oldest first.
func removals(dir string) ([]string, error) { return readDir(filepath.Join(dir, keptFolder)) }

// Removals lists what was removed and is kept, the oldest first, each as "TIME-WHAT".
func Removals(dir string) ([]string, error) {
	names, err := removals(dir)
	if err != nil {
		return nil, fmt.Errorf("config: list removals: %w", err)
	}
	return names, nil
}

// UndoRemoval puts back what was removed last, and returns its files. What stands there now is never replaced, save the
// settings that the removal changed.
func UndoRemoval(dir string) (files []string, err error) {
	fail := func(err error) ([]string, error) {
		return nil, fmt.Errorf("config: undo the last removal: %w", cause(err))
	}
	names, err := removals(dir)
	if err == nil && len(names) == 0 {
		err = errors.New("nothing is kept")
	}
	if err != nil {
		return fail(err)
	}
	kept := filepath.Join(dir, keptFolder, names[len(names)-1])
	err = filepath.WalkDir(kept, func(file string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		rel, err := filepath.Rel(kept, file)
		files = append(files, rel)
		return err
	})
	if err != nil {
		return fail(err)
	}
	settings := func(f string) bool {
		now, err := os.ReadFile(filepath.Join(dir, f))
		return f == "settings.toml" && err == nil && string(now) == DefaultSettingsTOML
	}
	for _, f := range files {
		if _, err := os.Lstat(filepath.Join(dir, f)); err == nil && f != "settings.toml" {
			return fail(fmt.Errorf("%q is there again", filepath.ToSlash(f)))
		}
	}
	var moved []string
	for _, f := range files {
		target := filepath.Join(dir, f)
		if f == "settings.toml" && !settings(f) {
			continue // edited since: it stays, and the old one goes
		}
		err := os.MkdirAll(filepath.Dir(target), 0o755)
		if err == nil {
			err = rename(filepath.Join(kept, f), target)
		}
		if err != nil {
			for _, back := range moved {
				os.Rename(filepath.Join(dir, back), filepath.Join(kept, back))
			}
			return fail(err)
		}
		moved = append(moved, f)
	}
	os.RemoveAll(kept)
	return files, nil
}

// RenameCushion gives a cushion another name, with its seats, its corrections, and where others name it as reference.
func RenameCushion(dir, old, name string) error {
	fail := func(err error) error {
		return fmt.Errorf("config: rename %q to %q: %w", clip(old), clip(name), cause(err))
	}
	for _, n := range []string{old, name} {
		if err := CheckName(n); err != nil {
			return fail(err)
		}
	}
	files, err := cushionFiles(dir, old)
	if err != nil {
		return fail(err)
	}
	there, err := cushionFiles(dir, name)
	switch {
	case err != nil:
		return fail(err)
	case len(files) == 0:
		return fail(errors.New("the bench holds nothing of it"))
	case len(there) > 0:
		return fail(fmt.Errorf("%q is there", there[0]))
	}
	edits, err := referenceEdits(dir, old, name)
	if err != nil {
		return fail(err)
	}
	if err := WriteAtomicSet(edits); err != nil {
		return err
	}
	var moved [][2]string
	for _, f := range files {
		folder, base := path.Split(f)
		from := filepath.Join(dir, filepath.FromSlash(f))
		to := filepath.Join(dir, filepath.FromSlash(folder), name+strings.TrimPrefix(base, old))
		if err := rename(from, to); err != nil {
			for _, m := range moved {
				os.Rename(m[1], m[0])
			}
			if back, e := referenceEdits(dir, name, old); e == nil {
				WriteAtomicSet(back)
			}
			return fail(err)
		}
		moved = append(moved, [2]string{from, to})
	}
	return nil
}

// referenceEdits are the files that name a cushion as their reference, with another name there.
func referenceEdits(dir, old, name string) (edits []File, err error) {
	line := regexp.MustCompile(`(?m)^(\s*reference\s*=\s*)["']` + regexp.QuoteMeta(old) + `["']`)
	files := []string{filepath.Join(dir, "settings.toml")}
	entries, err := readDir(filepath.Join(dir, "corrections"))
	if err != nil {
		return nil, err
	}
	for _, e := range entries {
		if strings.HasSuffix(e, ".toml") && !strings.HasPrefix(e, ".") {
			files = append(files, filepath.Join(dir, "corrections", e))
		}
	}
	for _, f := range files {
		data, err := readFile(f, MaxTOMLBytes)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		if now := line.ReplaceAll(data, []byte("${1}"+strconv.Quote(name))); !bytes.Equal(now, data) {
			edits = append(edits, File{f, now})
		}
	}
	return edits, nil
}

// SameSeat finds the seat of a cushion and an ear that holds the same response; false where there is none.
func (b Bench) SameSeat(cushion string, ear dsp.Ear, s Seat) (SeatRef, bool, error) {
	refs, err := b.Seats(cushion)
	if err != nil {
		return SeatRef{}, false, err
	}
	for _, r := range refs {
		if r.Ear != ear {
			continue
		}
		old, err := b.LoadSeat(r)
		if err != nil {
			continue // what is wrong with it is check's business
		}
		if old.SameResponse(s) {
			return r, true, nil
		}
	}
	return SeatRef{}, false, nil
}

// SameResponse reports whether two seats hold the same frequencies and levels.
func (s Seat) SameResponse(other Seat) bool {
	return slices.Equal(s.FreqHz, other.FreqHz) && slices.Equal(s.LevelDB, other.LevelDB)
}
