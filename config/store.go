package config

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"time"

	"cushwright/dsp"
)

// WriteAtomic replaces the file at path by data: a reader sees the old content or the new, never a part, also after a crash.
// It writes a hidden file beside it, syncs, and renames. The permissions of an existing file are kept (a new one has 0644
// before the umask); a link is followed. On an error the old file stands untouched.
func WriteAtomic(path string, data []byte) error { return writeAtomic(path, data, 0o644) }

func writeAtomic(path string, data []byte, perm fs.FileMode) error {
	fail := func(err error) error { return fmt.Errorf("config: write %q: %w", path, cause(err)) }
	tmp, target, err := stage(path, data, perm)
	if err != nil {
		return fail(err)
	}
	if err := rename(tmp, target); err != nil {
		os.Remove(tmp)
		return fail(err)
	}
	syncDir(filepath.Dir(target))
	return nil
}

// stage writes data to a hidden file tmp beside target, the file that path stands for, ready to be renamed.
func stage(path string, data []byte, perm fs.FileMode) (tmp, target string, err error) {
	target = path
	exact := false // the mode is that of the old file, whatever the umask
	switch i, err := os.Lstat(path); {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return "", "", err
	default:
		if i.Mode()&fs.ModeSymlink != 0 {
			if target, err = filepath.EvalSymlinks(path); err != nil {
				return "", "", err
			}
		}
		i, err := os.Stat(target)
		if err := plain(i, err); err != nil {
			return "", "", err
		}
		perm, exact = i.Mode().Perm(), true
	}
	f, err := createTemp(filepath.Dir(target), filepath.Base(target), perm)
	if err != nil {
		return "", "", err
	}
	_, err = f.Write(data)
	if err == nil && exact {
		err = f.Chmod(perm)
	}
	if err == nil {
		err = f.Sync()
	}
	if e := f.Close(); err == nil {
		err = e
	}
	if err != nil {
		os.Remove(f.Name())
	}
	return f.Name(), target, err
}

// File is a file to be written: where, and what.
type File struct {
	Path string
	Data []byte
}

// rename replaces a file. It is exchanged by the test of what happens when it fails half-way.
var rename = func(from, to string) error { return patiently(os.Rename, from, to, renameTries) }

// renameTries is how often a rename is tried: on Windows it is refused while somebody reads the file that it replaces.
var renameTries = map[bool]int{true: 20, false: 1}[runtime.GOOS == "windows"]

// patiently tries a rename up to so many times, 10 ms apart, while access is refused.
func patiently(rename func(from, to string) error, from, to string, tries int) error {
	for try := 1; ; try++ {
		err := rename(from, to)
		if err == nil || try >= tries || !refusedForNow(err) {
			return err
		}
		time.Sleep(10 * time.Millisecond)
	}
}

// refusedForNow reports whether a rename was refused because the file is in use, which ends with its use. Windows says "access
// is denied" (5) or "sharing violation" (32).
func refusedForNow(err error) bool {
	var n syscall.Errno
	return errors.Is(err, fs.ErrPermission) || errors.As(err, &n) && runtime.GOOS == "windows" && n == 32
}

// WriteAtomicSet replaces files that belong together, all or none. Every new content stands synced beside its target before
// the first is renamed, and a rename that fails puts those before it back, so that an error leaves all as it was. Each file
// is at every moment the old one or the new. A crash between two renames can leave some of each: put last the file that
// speaks of the others.
func WriteAtomicSet(files []File) (err error) {
	var tmp, target, former []string // former: the old content under a hidden name, "" where there was none
	defer func() {
		for i := range tmp {
			os.Remove(tmp[i]) // gone already where it was renamed
		}
		for _, f := range former {
			if f != "" {
				os.Remove(f)
			}
		}
	}()
	fail := func(path string, err error) error { return fmt.Errorf("config: write %q: %w", path, cause(err)) }
	for _, f := range files {
		t, to, err := stage(f.Path, f.Data, 0o644)
		if err != nil {
			return fail(f.Path, err)
		}
		tmp = append(tmp, t)
		if slices.Contains(target, to) {
			return fail(f.Path, errors.New("named twice"))
		}
		target = append(target, to)
	}
	for i, f := range files {
		old, err := keep(target[i])
		if err != nil {
			return fail(f.Path, err)
		}
		former = append(former, old)
	}
	for i, f := range files {
		if err := rename(tmp[i], target[i]); err != nil {
			err = fail(f.Path, err)
			for k := range i {
				var e error
				if former[k] != "" {
					if e = rename(former[k], target[k]); e == nil {
						former[k] = ""
					}
				} else {
					e = os.Remove(target[k])
				}
				if e != nil {
					err = fmt.Errorf("%w; and %q could not be put back: %w", err, files[k].Path, cause(e))
				}
			}
			return err
		}
	}
	for _, t := range target {
		syncDir(filepath.Dir(t))
	}
	return nil
}

// keep gives the file's content a second, hidden name and returns it, "" where there is no such file.
func keep(file string) (string, error) {
	for try := 0; ; try++ {
		old := filepath.Join(filepath.Dir(file), fmt.Sprintf(".%s.%d-%d.old", filepath.Base(file), os.Getpid(), try))
		err := os.Link(file, old)
		switch {
		case err == nil:
			return old, nil
		case errors.Is(err, fs.ErrNotExist):
			return "", nil
		case errors.Is(err, fs.ErrExist) && try < 10000:
			continue
		}
		// A file system without links: a copy.
		data, err := os.ReadFile(file)
		if err != nil {
			return "", err
		}
		return old, writeExclusive(old, data)
	}
}

// createTemp creates a hidden file that the bench does not read, with perm before the umask (os.CreateTemp would give 0600).
func createTemp(dir, base string, perm fs.FileMode) (*os.File, error) {
	for try := 0; ; try++ {
		f, err := os.OpenFile(filepath.Join(dir, fmt.Sprintf(".%s.%d-%d.new", base, os.Getpid(), try)), os.O_WRONLY|os.O_CREATE|os.O_EXCL, perm)
		if !errors.Is(err, fs.ErrExist) || try > 10000 {
			return f, err
		}
	}
}

// syncDir makes a rename last. Some systems cannot sync folders; the content is safe all the same.
func syncDir(dir string) {
	if d, err := os.Open(dir); err == nil {
		_ = d.Sync()
		d.Close()
	}
}

// Text returns the correction as a file, headed by the comments, which ParseCorrection reads back to the same bands.
func (c Correction) Text(comments []string) ([]byte, error) {
	if c.Correction == nil {
		return nil, errors.New("no bands and no headroom given")
	}
	var b bytes.Buffer
	for _, l := range comments {
		l = strings.Map(func(r rune) rune {
			if r < ' ' || r == 0x7f {
				return ' '
			}
			return r
		}, strings.ToValidUTF8(l, "?"))
		b.WriteString(strings.TrimRight("# "+l, " ") + "\n")
	}
	if c.Reference != "" {
		fmt.Fprintf(&b, "reference = %q\n", c.Reference)
	}
	if c.Correction.AutoHeadroom() {
		b.WriteString("headroom_db = \"auto\"\n")
	} else {
		fmt.Fprintf(&b, "headroom_db = %s\n", number(c.Correction.FixedHeadroomDB()))
	}
	for _, band := range c.Correction.Bands() {
		fmt.Fprintf(&b, "\n[[band]]\nshape = %q\near = %q\nfreq_hz = %s\n", band.Shape, band.Ear, number(band.FreqHz))
		if band.Shape.HasGain() {
			fmt.Fprintf(&b, "gain_db = %s\n", number(band.GainDB))
		}
		fmt.Fprintf(&b, "q = %s\n", number(band.Q))
	}
	if d := c.Derived; d != nil {
		b.WriteString("\n[derived]\n")
		if d.Date != "" {
			fmt.Fprintf(&b, "date = %s\n", tomlString(d.Date))
		}
		fmt.Fprintf(&b, "seats = %d\nreference_seats = %d\n", d.Seats, d.ReferenceSeats)
		for _, f := range []struct {
			key string
			x   float64
		}{{"before_rms_db", d.BeforeRMSDB}, {"before_max_db", d.BeforeMaxDB}, {"after_rms_db", d.AfterRMSDB}, {"after_max_db", d.AfterMaxDB}} {
			if math.IsNaN(f.x) || math.IsInf(f.x, 0) {
				return nil, fmt.Errorf("%s is not a number", f.key)
			}
			fmt.Fprintf(&b, "%s = %s\n", f.key, number(f.x))
		}
		if d.Caution != "" {
			fmt.Fprintf(&b, "caution = %s\n", tomlString(d.Caution))
		}
		if len(d.Left) > 0 {
			b.WriteString("left = [\n")
			for _, l := range d.Left {
				fmt.Fprintf(&b, "  %s,\n", tomlString(l))
			}
			b.WriteString("]\n")
		}
	}
	if _, ps := parseCorrection("correction", c.Name, b.Bytes()); len(ps) > 0 {
		return nil, ps
	}
	return b.Bytes(), nil
}

// tomlString quotes a text for TOML; control characters are none of a record's business and become blanks.
func tomlString(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "?"))
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`).Replace(s) + `"`
}

// WriteCorrection writes corrections/NAME.toml in the bench folder dir atomically, headed by the comments. A former one of
// other content is kept, see EarlierCorrections.
func WriteCorrection(dir, name string, c Correction, comments []string) error {
	fail := func(err error) error { return fmt.Errorf("config: write correction %q: %w", clip(name), err) }
	if err := CheckName(name); err != nil {
		return fail(err)
	}
	data, err := c.Text(comments)
	if err != nil {
		return fail(err)
	}
	folder := filepath.Join(dir, "corrections")
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return fail(cause(err))
	}
	if err := replaceCorrection(dir, name, data); err != nil {
		return fail(err)
	}
	return nil
}

// WriteSeat writes a seat as the next free seats/NAME/left-01.csv (or right-01.csv) of the bench folder dir and returns its
// path. An existing seat is never replaced, also with several writers.
func WriteSeat(dir, name string, ear dsp.Ear, seat Seat) (string, error) {
	seat.Ear = ear
	files, err := WriteSeats(dir, name, []Seat{seat})
	if err != nil {
		return "", err
	}
	return files[0], nil
}

// WriteSeats writes seats of a cushion, each of its own ear, as the next free ones and returns their paths: all or none. All are
// rendered before the first is written, and an error takes back those written before it.
func WriteSeats(dir, name string, seats []Seat) (files []string, err error) {
	fail := func(err error) ([]string, error) {
		return nil, fmt.Errorf("config: write seat of %q: %w", clip(name), cause(err))
	}
	if err := CheckName(name); err != nil {
		return fail(err)
	}
	texts := make([][]byte, len(seats))
	for i, s := range seats {
		if s.Ear != dsp.Left && s.Ear != dsp.Right {
			return fail(errors.New("a seat is of one ear, left or right"))
		}
		if texts[i], err = s.Text(); err != nil {
			return fail(err)
		}
	}
	folder := filepath.Join(dir, "seats", name)
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return fail(err)
	}
	refs, err := Bench{dir}.Seats(name)
	if err != nil {
		return fail(err)
	}
	next := map[dsp.Ear]int{dsp.Left: 1, dsp.Right: 1}
	for _, r := range refs {
		next[r.Ear] = max(next[r.Ear], r.Number+1)
	}
	defer func() {
		if err != nil {
			for _, f := range files {
				os.Remove(f)
			}
			files = nil
		}
		syncDir(folder)
	}()
	for i, s := range seats {
		file, n, err := placeSeat(dir, name, s.Ear, next[s.Ear], texts[i])
		if err != nil {
			_, err = fail(err)
			return files, err
		}
		files, next[s.Ear] = append(files, file), n+1
	}
	return files, nil
}

// placeSeat writes a seat's text under the first free number from n on, and returns that.
func placeSeat(dir, name string, ear dsp.Ear, n int, data []byte) (string, int, error) {
	tmp, err := createTemp(filepath.Join(dir, "seats", name), "seat", 0o644)
	if err != nil {
		return "", 0, err
	}
	defer os.Remove(tmp.Name())
	_, err = tmp.Write(data)
	if err == nil {
		err = tmp.Sync()
	}
	if e := tmp.Close(); err == nil {
		err = e
	}
	if err != nil {
		return "", 0, err
	}
	for ; n < 1_000_000; n++ {
		file := filepath.Join(dir, filepath.FromSlash(seatFile(name, ear, n)))
		// A link, not a rename: it fails where the name is taken. A file system without links gets an exclusive file.
		err := os.Link(tmp.Name(), file)
		if err != nil && !errors.Is(err, fs.ErrExist) {
			err = writeExclusive(file, data)
		}
		if errors.Is(err, fs.ErrExist) {
			continue
		}
		return file, n, err
	}
	return "", 0, errors.New("too many seats")
}

func writeExclusive(file string, data []byte) error {
	f, err := os.OpenFile(file, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	if err == nil {
		err = f.Sync()
	}
	if e := f.Close(); err == nil {
		err = e
	}
	if err != nil {
		os.Remove(file)
	}
	return err
}
