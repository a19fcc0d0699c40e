//go:build unix

package config

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"cushwright/dsp"
	"cushwright/dsp/testrun"
)

// bigCount is the size of a big bench: 2,000 cushions where there is time for it.
func bigCount() int {
	if testrun.Long() {
		return 2000
	}
	return 200
}

// bigBench writes that many cushions with corrections and ten seats each; a seat holds that many points, 0 = none at all.
func bigBench(t testing.TB, dir string, cushions, points int) {
	t.Helper()
	var seat strings.Builder
	seat.WriteString("freq_hz,level_db\n")
	for i := range points {
		fmt.Fprintf(&seat, "%d,1\n", i+1)
	}
	first := ""
	for i := range cushions {
		name := fmt.Sprintf("c-%d", i)
		put(t, dir, "cushions/"+name+".toml", []byte("label = \"invented\"\nmass_g = 40\n"))
		put(t, dir, "corrections/"+name+".toml", correctionText("1"))
		for j := range 10 {
			if points == 0 {
				break
			}
			if file := filepath.Join(dir, seatFile(name, dsp.Left, j+1)); i+j == 0 || j == 0 && i%100 == 0 {
				put(t, dir, seatFile(name, dsp.Left, 1), []byte(seat.String()))
				first = file
			} else {
				if j == 0 {
					if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
						t.Fatal(err)
					}
				}
				if err := os.Link(first, file); err != nil { // much quicker than writing 20,000 files
					t.Fatal(err)
				}
			}
		}
	}
}

// A bench of many cushions with ten seats each loads without a seat being read: among them are a pipe and a damaged one, which
// would be errors, and are as soon as they are asked for.
func TestLoadReadsNoSeats(t *testing.T) {
	dir := t.TempDir()
	bigBench(t, dir, bigCount(), 2)
	if err := syscall.Mkfifo(filepath.Join(dir, "seats", "c-0", "left-11.csv"), 0o644); err != nil {
		t.Fatal(err)
	}
	put(t, dir, "seats/c-1/left-11.csv", []byte("damage"))
	start := time.Now()
	s, err := Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d cushions of ten seats: loaded in %v", bigCount(), time.Since(start))
	if n := len(s.CushionNames()); n != bigCount() {
		t.Errorf("%d cushions", n)
	}
	refs, err := s.Seats("c-0")
	if err != nil || len(refs) != 11 {
		t.Fatal(len(refs), err)
	}
	if _, err := s.LoadSeat(refs[0]); err != nil {
		t.Error(err)
	}
	var p *Problem
	if _, err := s.LoadSeat(refs[10]); !errors.As(err, &p) || !strings.Contains(err.Error(), "is a pipe") {
		t.Error(err)
	}
	refs, _ = s.Seats("c-1")
	if _, err := s.LoadSeat(refs[10]); !errors.As(err, &p) || p.Line != 1 || p.File != "seats/c-1/left-11.csv" {
		t.Error(err)
	}
}

// Whatever stands where a file is expected, it is refused at once, with its name and reason.
func TestOddFilesAreRefused(t *testing.T) {
	type odd struct {
		name, reason string
		make         func(path string) error
	}
	kinds := []odd{
		{"pipe", "is a pipe", func(p string) error { return syscall.Mkfifo(p, 0o644) }},
		{"link to a device", "is a device", func(p string) error { return os.Symlink("/dev/zero", p) }},
		{"link to a terminal", "is a device", func(p string) error { return os.Symlink("/dev/null", p) }},
		{"loop", "loop", func(p string) error { return os.Symlink(filepath.Base(p), p) }},
		{"loop of two", "loop", func(p string) error {
			if err := os.Symlink(p, p+".other"); err != nil {
				return err
			}
			return os.Symlink(p+".other", p)
		}},
		{"folder", "is a folder", func(p string) error { return os.Mkdir(p, 0o755) }},
		{"link to nothing", "no such file", func(p string) error { return os.Symlink("/nowhere/at/all", p) }},
		{"too large", "is larger than", func(p string) error {
			f, err := os.Create(p)
			if err != nil {
				return err
			}
			defer f.Close()
			return f.Truncate(1 << 40) // sparse
		}},
		{"socket", "is not a plain file", func(p string) error {
			fd, err := syscall.Socket(syscall.AF_UNIX, syscall.SOCK_STREAM, 0)
			if err != nil {
				return err
			}
			defer syscall.Close(fd)
			wd, _ := os.Getwd() // names of sockets are short
			defer os.Chdir(wd)
			if err := os.Chdir(filepath.Dir(p)); err != nil {
				return err
			}
			return syscall.Bind(fd, &syscall.SockaddrUnix{Name: filepath.Base(p)})
		}},
	}
	for _, file := range []string{"settings.toml", "cushions/x.toml", "corrections/x.toml", "equalisers/x.toml", "seats/x/left-01.csv", "wanted/x.csv", "measured.txt"} {
		for _, k := range kinds {
			dir := t.TempDir()
			p := filepath.Join(dir, file)
			if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := k.make(p); err != nil {
				t.Fatal(k.name, err)
			}
			done := make(chan error, 1)
			go func() {
				b := Bench{dir}
				var err error
				switch {
				case strings.HasPrefix(file, "seats"):
					_, err = b.LoadSeat(SeatRef{Cushion: "x", Ear: dsp.Left, Number: 1})
				case strings.HasPrefix(file, "wanted"):
					_, err = b.Wanted("x")
				case file == "measured.txt":
					_, _, err = ReadMeasurement(p)
				default:
					_, err = b.Load()
				}
				done <- err
			}()
			select {
			case err := <-done:
				if err == nil || !strings.Contains(err.Error(), k.reason) || !strings.Contains(err.Error(), filepath.Base(file)) {
					t.Errorf("%s, %s: %v", file, k.name, err)
				}
			case <-time.After(20 * time.Second):
				buf := make([]byte, 1<<16)
				t.Fatalf("%s, %s: hangs\n%s", file, k.name, buf[:runtime.Stack(buf, true)])
			}
		}
	}
}

// Folders of the bench that are none.
func TestOddFoldersAreRefused(t *testing.T) {
	for _, folder := range []string{"cushions", "corrections", "equalisers"} {
		for name, mk := range map[string]func(p string) error{
			"is not a folder":       func(p string) error { return os.WriteFile(p, []byte("x"), 0o644) },
			"too many levels":       func(p string) error { return os.Symlink(filepath.Base(p), p) },
			"the link leads nowher": func(p string) error { return os.Symlink("nothing", p) },
		} {
			dir := t.TempDir()
			if err := mk(filepath.Join(dir, folder)); err != nil {
				t.Fatal(err)
			}
			if _, err := Load(dir); err == nil || !strings.Contains(err.Error(), name) || !strings.Contains(err.Error(), folder) {
				t.Errorf("%s, %s: %v", folder, name, err)
			}
		}
	}
	if _, err := Load(filepath.Join(t.TempDir(), "none")); err == nil || !strings.Contains(err.Error(), "no such file") {
		t.Error(err)
	}
	s, err := Load(t.TempDir())
	if err != nil || s.Settings != DefaultSettings() || len(s.CushionNames()) != 0 || s.Hash == "" {
		t.Error(s, err)
	}
}

func TestNames(t *testing.T) {
	for _, n := range []string{"a", "0", "wipe-clean", "a-", "x--y", strings.Repeat("a", 64), "com", "com10", "lpt"} {
		if err := CheckName(n); err != nil {
			t.Error(err)
		}
	}
	for _, n := range []string{"", "-a", "A", "a b", "a/b", "../a", "..", ".", "a.toml", "a\x00", "a\n", "ä", "a_b", strings.Repeat("a", 65),
		strings.Repeat("x", 10<<20), "con", "nul", "com1", "lpt9", `a\b`, "a:b"} {
		err := CheckName(n)
		if err == nil || len(err.Error()) > 400 || strings.ContainsAny(err.Error(), "\n\x00") {
			t.Errorf("%.20q: %.500v", n, err)
		}
		dir := t.TempDir()
		if _, err := (Bench{dir}).Seats(n); err == nil {
			t.Errorf("Seats(%.20q)", n)
		}
		if _, err := (Bench{dir}).LoadSeat(SeatRef{Cushion: n, Ear: dsp.Left, Number: 1}); err == nil {
			t.Errorf("LoadSeat(%.20q)", n)
		}
		if _, err := (Bench{dir}).Wanted(n); err == nil {
			t.Errorf("Wanted(%.20q)", n)
		}
		c, _ := dsp.NewCorrection(nil, 0)
		if err := WriteCorrection(dir, n, Correction{Correction: c}, nil); err == nil {
			t.Errorf("WriteCorrection(%.20q)", n)
		}
		if _, err := WriteSeat(dir, n, dsp.Left, Seat{FreqHz: []float64{1, 2}, LevelDB: []float64{0, 0}}); err == nil {
			t.Errorf("WriteSeat(%.20q)", n)
		}
		if e, _ := os.ReadDir(dir); len(e) != 0 {
			t.Errorf("%.20q left %v behind", n, e)
		}
	}
}

// Names of files that are no names: refused with the file, not skipped.
func TestBadFileNames(t *testing.T) {
	for _, n := range []string{"Woven.toml", "a b.toml", "wöven.toml", "new\nline.toml", "-.toml", strings.Repeat("a", 65) + ".toml"} {
		dir := t.TempDir()
		put(t, dir, "corrections/"+n, correctionText("1"))
		_, err := Load(dir)
		var p *Problem
		if !errors.As(err, &p) || !strings.HasPrefix(p.File, "corrections/") || p.Allowed == "" || strings.Contains(err.Error(), "\n") {
			t.Errorf("%q: %v", n, err)
		}
	}
	dir := t.TempDir()
	put(t, dir, "corrections/a.TOML", correctionText("1"))
	put(t, dir, "corrections/.a.toml.swp", []byte("x"))
	put(t, dir, "corrections/a.toml~", []byte("x"))
	put(t, dir, "corrections/a.toml.previous", []byte("x"))
	s, err := Load(dir)
	if err != nil || len(s.CushionNames()) != 0 || len(s.Warnings) != 1 || !strings.Contains(s.Warnings[0].Error(), "a.TOML") {
		t.Errorf("%+v %v", s, err)
	}
}

// All problems of all files come at once, in order, and as a list of *Problem.
func TestProblemsAreCollected(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "settings.toml", []byte("[guard]\nceiling_db = 3\n"))
	put(t, dir, "cushions/b.toml", []byte("mass_g = -1\n"))
	put(t, dir, "corrections/z.toml", []byte("headroom_db = 1\n[[band]]\nshape = \"bell\"\n"))
	put(t, dir, "equalisers/e.toml", []byte("bands = 0\n"))
	_, err := Load(dir)
	var ps Problems
	if !errors.As(err, &ps) {
		t.Fatal(err)
	}
	var got []string
	for _, p := range ps {
		got = append(got, fmt.Sprintf("%s:%d %s", p.File, p.Line, p.Key))
	}
	want := "corrections/z.toml:1 headroom_db|corrections/z.toml:2 band 1 freq_hz|corrections/z.toml:2 band 1 gain_db|corrections/z.toml:2 band 1 q|" +
		"cushions/b.toml:1 mass_g|equalisers/e.toml:1 bands|settings.toml:2 guard.ceiling_db"
	if strings.Join(got, "|") != want {
		t.Error(strings.Join(got, "|"))
	}
	if n := strings.Count(err.Error(), "\n"); n != len(ps)-1 {
		t.Error(err)
	}
}

// The kernel's log looks like a plain file and never ends: it is refused, or not to be had, but nothing waits for it.
func TestFilesThatWaitAreRefused(t *testing.T) {
	for _, wait := range []string{"/proc/kmsg", "/sys/kernel/tracing/trace_pipe", "/proc/self/mem"} {
		dir := t.TempDir()
		if err := os.Symlink(wait, filepath.Join(dir, "settings.toml")); err != nil {
			t.Fatal(err)
		}
		done := make(chan error, 1)
		go func() { _, err := Load(dir); done <- err }()
		select {
		case err := <-done:
			t.Log(err)
			if err == nil {
				t.Errorf("%s was taken for settings", wait)
			}
		case <-time.After(4 * readTime):
			t.Fatalf("%s: it hangs", wait)
		}
	}
}
