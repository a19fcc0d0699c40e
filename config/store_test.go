package config

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"cushwright/dsp"
	"cushwright/dsp/testrun"
)

func TestWriteAtomic(t *testing.T) {
	dir := t.TempDir()
	p := filepath.Join(dir, "f")
	if err := WriteAtomic(p, []byte("one")); err != nil {
		t.Fatal(err)
	}
	for _, mode := range []fs.FileMode{0o600, 0o664, 0o640, 0o777} {
		if err := os.Chmod(p, mode); err != nil {
			t.Fatal(err)
		}
		if err := WriteAtomic(p, []byte("two")); err != nil {
			t.Fatal(err)
		}
		i, err := os.Stat(p)
		if err != nil || i.Mode().Perm() != mode {
			t.Error(i.Mode(), mode)
		}
	}
	// A link is followed and stays.
	l := filepath.Join(dir, "link")
	if err := os.Symlink("f", l); err != nil {
		t.Fatal(err)
	}
	if err := WriteAtomic(l, []byte("three")); err != nil {
		t.Fatal(err)
	}
	if b, _ := os.ReadFile(p); string(b) != "three" {
		t.Errorf("%q", b)
	}
	if to, err := os.Readlink(l); err != nil || to != "f" {
		t.Error(to, err)
	}
	// What is no file is left alone; so is a folder that is not there.
	if err := os.Mkdir(filepath.Join(dir, "d"), 0o755); err != nil {
		t.Fatal(err)
	}
	for _, bad := range []string{"d", "none/f"} {
		if err := WriteAtomic(filepath.Join(dir, bad), nil); err == nil || !strings.HasPrefix(err.Error(), "config: write \"") {
			t.Error(bad, err)
		}
	}
	// Nothing half-done stays behind.
	names, err := readDir(dir)
	if err != nil || !slices.Equal(names, []string{"d", "f", "link"}) {
		t.Error(names, err)
	}
}

// A reader never sees a part, whatever the order of things.
func TestWriteAtomicWhileReading(t *testing.T) {
	p := filepath.Join(t.TempDir(), "f")
	texts := [][]byte{bytes.Repeat([]byte("a"), 100000), bytes.Repeat([]byte("b"), 50000)}
	if err := WriteAtomic(p, texts[0]); err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	for range 2 {
		wg.Go(func() {
			for i := range 30 {
				if err := WriteAtomic(p, texts[i%2]); err != nil {
					t.Error(err)
				}
			}
		})
	}
	done := make(chan struct{})
	go func() { wg.Wait(); close(done) }()
	for {
		b, err := os.ReadFile(p)
		if err != nil || !bytes.Equal(b, texts[0]) && !bytes.Equal(b, texts[1]) {
			t.Fatal(len(b), err)
		}
		select {
		case <-done:
			return
		default:
		}
	}
}

func TestWriteCorrection(t *testing.T) {
	dir := t.TempDir()
	make := func(gain float64) Correction {
		c, err := dsp.NewCorrection([]dsp.Band{{Shape: dsp.Bell, Ear: dsp.Left, FreqHz: 1234.5, GainDB: gain, Q: 1.0 / 3},
			{Shape: dsp.Notch, FreqHz: 50, Q: 20}}, dsp.AutoHeadroom)
		if err != nil {
			t.Fatal(err)
		}
		return Correction{Reference: "woven", Correction: c, Derived: &Derived{Date: "2026-01-02", Seats: 5, BeforeRMSDB: 4.25,
			AfterRMSDB: 0.1, Left: []string{`a "quoted" \ reason` + "\n", "second"}}}
	}
	file, earlier := filepath.Join(dir, "corrections", "x.toml"), filepath.Join(dir, "earlier", "x", "0001.toml")
	if err := WriteCorrection(dir, "x", make(-4.1), []string{"derived", "two\nlines", "\x00\xff"}); err != nil {
		t.Fatal(err)
	}
	first, _ := os.ReadFile(file)
	if !bytes.HasPrefix(first, []byte("# derived\n# two lines\n")) {
		t.Errorf("%s", first)
	}
	s, err := Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	got, _ := s.Correction("x")
	if b := got.Correction.Bands(); !slices.Equal(b, make(-4.1).Correction.Bands()) || got.Reference != "woven" || got.Derived.Left[0] != `a "quoted" \ reason ` {
		t.Errorf("%+v %+v", b, got.Derived)
	}
	if _, err := os.Stat(earlier); !errors.Is(err, fs.ErrNotExist) {
		t.Error("a previous one of nothing")
	}
	// The same again keeps no copy; another one does.
	if err := WriteCorrection(dir, "x", make(-4.1), []string{"derived", "two\nlines", "\x00\xff"}); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(earlier); !errors.Is(err, fs.ErrNotExist) {
		t.Error("a previous one of the same")
	}
	if err := WriteCorrection(dir, "x", make(2), nil); err != nil {
		t.Fatal(err)
	}
	if b, _ := os.ReadFile(earlier); !bytes.Equal(b, first) {
		t.Errorf("%s", b)
	}
	if s, err = Load(dir); err != nil || len(s.CushionNames()) != 1 {
		t.Error("the previous one is read", err)
	}
	if err := WriteCorrection(dir, "x", Correction{}, nil); err == nil {
		t.Error("no error without bands")
	}
	bad := make(1)
	bad.Derived.AfterRMSDB = math.NaN()
	if err := WriteCorrection(dir, "x", bad, nil); err == nil {
		t.Error("NaN written")
	}
	bad = make(1)
	bad.Reference = "../x"
	if err := WriteCorrection(dir, "x", bad, nil); err == nil {
		t.Error("path as reference written")
	}
}

// Every correction that can be is written and read back to the last bit.
func TestCorrectionRoundTrip(t *testing.T) {
	for i := range 200 {
		var bands []dsp.Band
		for k := range i % 12 {
			x := math.Abs(math.Sin(float64(i*31 + k*7)))
			b := dsp.Band{Shape: dsp.Shapes[(i+k)%6], Ear: dsp.Ear(k % 3), FreqHz: 20 * math.Pow(999, x), Q: 0.1 + 19*x}
			if b.Shape.HasGain() {
				b.GainDB = 48*x - 24
			}
			bands = append(bands, b)
		}
		headroom := dsp.AutoHeadroom
		if i%2 == 1 {
			headroom = -60 * math.Abs(math.Sin(float64(i)))
		}
		c, err := dsp.NewCorrection(bands, headroom)
		if err != nil {
			t.Fatal(err)
		}
		text, err := Correction{Correction: c}.Text(nil)
		if err != nil {
			t.Fatal(err)
		}
		back, err := ParseCorrection("f", "n", text)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(back.Correction.Bands(), bands) || back.Correction.AutoHeadroom() != c.AutoHeadroom() ||
			!c.AutoHeadroom() && back.Correction.FixedHeadroomDB() != headroom {
			t.Fatalf("%s", text)
		}
	}
}

func TestWriteSeat(t *testing.T) {
	dir := t.TempDir()
	seat := Seat{FreqHz: []float64{20, 1000.125, 20000}, LevelDB: []float64{80.5, -3, 1.0 / 3}, PhaseDeg: []float64{0, -720.5, 1e5},
		Date: "2026-01-02T03:04:05Z", RateHz: 48000, SweepLevelDB: -30, SignalDB: 61.5, Notes: []string{"leaked a little", "line\nbreak"}}
	for i := 1; i <= 3; i++ {
		for _, ear := range []dsp.Ear{dsp.Left, dsp.Right} {
			f, err := WriteSeat(dir, "x", ear, seat)
			if want := filepath.Join(dir, "seats", "x", fmt.Sprintf("%s-%02d.csv", ear, i)); err != nil || f != want {
				t.Fatal(f, err)
			}
		}
	}
	refs, err := Bench{dir}.Seats("x")
	if err != nil || len(refs) != 6 || refs[5].File != "seats/x/right-03.csv" {
		t.Fatal(refs, err)
	}
	got, err := Bench{dir}.LoadSeat(refs[4])
	want := seat
	want.Ear, want.Notes = dsp.Right, []string{"leaked a little", "line break"}
	if err != nil || fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("%+v %v", got, err)
	}
	// Not said is not zero.
	f, err := WriteSeat(dir, "y", dsp.Left, Seat{FreqHz: []float64{20, 30}, LevelDB: []float64{1, 2}, SweepLevelDB: math.NaN(), SignalDB: math.NaN()})
	if err != nil {
		t.Fatal(err)
	}
	if b, _ := os.ReadFile(f); string(b) != "freq_hz,level_db\n20,1\n30,2\n" {
		t.Errorf("%q", b)
	}
	for _, bad := range []Seat{{}, {FreqHz: []float64{1, 2}, LevelDB: []float64{1}}, {FreqHz: []float64{2, 1}, LevelDB: []float64{1, 1}},
		{FreqHz: []float64{1, 2}, LevelDB: []float64{1, math.NaN()}}, {FreqHz: []float64{1, 2}, LevelDB: []float64{1, math.Inf(1)}}} {
		if _, err := WriteSeat(dir, "z", dsp.Left, bad); err == nil {
			t.Errorf("%+v written", bad)
		}
	}
	if _, err := WriteSeat(dir, "z", dsp.Both, seat); err == nil {
		t.Error("a seat of both ears written")
	}
	if _, err := os.Stat(filepath.Join(dir, "seats", "z")); err == nil {
		t.Error("a folder for nothing")
	}
}

// Of several seats all are written or none: one that cannot be a file stops the others, and so does one that finds no place.
func TestWriteSeatsAllOrNone(t *testing.T) {
	dir := t.TempDir()
	good := Seat{Ear: dsp.Left, FreqHz: []float64{20, 30}, LevelDB: []float64{1, 2}}
	large := good
	large.Notes = slices.Repeat([]string{strings.Repeat("x", 4000)}, 5000)
	if files, err := WriteSeats(dir, "x", []Seat{good, large}); err == nil || files != nil {
		t.Errorf("%v, %v", files, err)
	}
	if refs, _ := (Bench{dir}).Seats("x"); len(refs) != 0 {
		t.Errorf("written: %v", refs)
	}
	right := good
	right.Ear = dsp.Right
	files, err := WriteSeats(dir, "x", []Seat{good, right, good})
	if err != nil || len(files) != 3 || filepath.Base(files[1]) != "right-01.csv" || filepath.Base(files[2]) != "left-02.csv" {
		t.Fatalf("%v, %v", files, err)
	}
	// The last number is taken by a folder of that name: what was written before goes again.
	if err := os.WriteFile(filepath.Join(dir, "seats", "x", "right-999999.csv"), []byte("freq_hz,level_db\n20,1\n30,2\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	if files, err := WriteSeats(dir, "x", []Seat{good, right}); err == nil || files != nil {
		t.Errorf("%v, %v", files, err)
	}
	if refs, _ := (Bench{dir}).Seats("x"); len(refs) != 4 {
		t.Errorf("%d seats, want the 4 from before", len(refs))
	}
}

// A rename that is refused while somebody reads the file is tried again, a bounded number of times; another error is final.
func TestPatientRename(t *testing.T) {
	for _, c := range []struct {
		refusals, tries, want int
		err                   error
	}{{2, 20, 3, nil}, {30, 5, 5, fs.ErrPermission}, {0, 20, 1, nil}} {
		n := 0
		err := patiently(func(string, string) error {
			if n++; n <= c.refusals {
				return &os.LinkError{Op: "rename", Err: fs.ErrPermission}
			}
			return nil
		}, "a", "b", c.tries)
		if n != c.want || !errors.Is(err, c.err) {
			t.Errorf("%+v: %d tries, %v", c, n, err)
		}
	}
	n := 0
	if err := patiently(func(string, string) error { n++; return fs.ErrNotExist }, "a", "b", 20); n != 1 || err == nil {
		t.Errorf("a final error: %d tries, %v", n, err)
	}
}

// Every seat and wanted response that cannot be read is named with its line, and a stray file too.
func TestCheckResponses(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) {
		file := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	good := "freq_hz,level_db\n20,1\n30,2\n"
	if ps := (Bench{dir}).CheckResponses(); len(ps) != 0 {
		t.Fatal(ps)
	}
	for i := range 30 {
		write(fmt.Sprintf("seats/x/left-%02d.csv", i+1), good)
	}
	write("seats/x/left-07.csv", "freq_hz,level_db\n20,1\nrubbish\n")
	write("seats/y/right-01.csv", "")
	write("seats/y/note.txt", "not a seat")
	write("seats/z/middle.csv", good)
	write("wanted/flat.csv", good)
	write("wanted/bent.csv", "freq_hz,level_db\n30,1\n20,2\n")
	var got []string
	for _, p := range (Bench{dir}).CheckResponses() {
		got = append(got, fmt.Sprintf("%s:%d", p.File, p.Line))
	}
	if want := []string{"seats/x/left-07.csv:3", "seats/y/right-01.csv:0", "seats/z/middle.csv:0", "wanted/bent.csv:3"}; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

// Many writers at once get a number each.
func TestWriteSeatTogether(t *testing.T) {
	dir := t.TempDir()
	var wg sync.WaitGroup
	for i := range 40 {
		wg.Go(func() {
			if _, err := WriteSeat(dir, "x", dsp.Left, Seat{FreqHz: []float64{1, 2}, LevelDB: []float64{float64(i), 0}}); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	refs, err := Bench{dir}.Seats("x")
	if err != nil || len(refs) != 40 || refs[39].Number != 40 {
		t.Fatal(len(refs), err)
	}
	seen := map[float64]bool{}
	for _, r := range refs {
		s, err := Bench{dir}.LoadSeat(r)
		if err != nil {
			t.Fatal(err)
		}
		seen[s.LevelDB[0]] = true
	}
	if len(seen) != 40 {
		t.Errorf("%d of 40 seats", len(seen))
	}
	if names, _ := readDir(filepath.Join(dir, "seats", "x")); len(names) != 40 {
		t.Error("something half-done stays behind")
	}
}

func TestStateFolders(t *testing.T) {
	home := t.TempDir()
	t.Setenv("HOME", home)
	t.Setenv("XDG_STATE_HOME", "relative/ignored")
	t.Setenv("XDG_CONFIG_HOME", filepath.Join(home, "conf"))
	t.Setenv("TMPDIR", filepath.Join(home, "tmp"))
	d, err := StateDir()
	if i, serr := os.Stat(d); err != nil || serr != nil || d != filepath.Join(home, ".local/state/cushwright") || i.Mode().Perm() != 0o700 {
		t.Error(d, err, serr)
	}
	t.Setenv("XDG_STATE_HOME", filepath.Join(home, "s"))
	if d, err := StateDir(); err != nil || d != filepath.Join(home, "s", "cushwright") {
		t.Error(d, err)
	}
	if d, err := DefaultDir(); err != nil || d != filepath.Join(home, "conf", "cushwright") {
		t.Error(d, err)
	}

	run := filepath.Join(home, "run")
	t.Setenv("XDG_RUNTIME_DIR", run)
	if d, err := RuntimeDir(); err != nil || d != filepath.Join(run, "cushwright") {
		t.Error(d, err)
	}
	if err := os.Chmod(filepath.Join(run, "cushwright"), 0o777); err != nil {
		t.Fatal(err)
	}
	d, err = RuntimeDir()
	if i, serr := os.Stat(d); err != nil || serr != nil || i.Mode().Perm() != 0o700 {
		t.Error("the mode is not mended", err)
	}
	t.Setenv("XDG_RUNTIME_DIR", "")
	d, err = RuntimeDir()
	if err != nil || d != filepath.Join(home, "tmp", fmt.Sprintf("cushwright-%d", os.Getuid())) {
		t.Fatal(d, err)
	}
	// A link, a file or a folder of somebody else is refused.
	if err := os.Remove(d); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(home, d); err != nil {
		t.Fatal(err)
	}
	if _, err := RuntimeDir(); err == nil {
		t.Error("a link accepted")
	}
	os.Remove(d)
	if err := os.WriteFile(d, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := RuntimeDir(); err == nil {
		t.Error("a file accepted")
	}
	if os.Getuid() != 0 {
		testrun.LeftOut(t, "a runtime folder of another user", "only root can give a folder away")
	} else {
		os.Remove(d)
		if err := os.Mkdir(d, 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.Chown(d, 12345, 12345); err != nil {
			t.Fatal(err)
		}
		if _, err := RuntimeDir(); err == nil || !strings.Contains(err.Error(), "belongs to user 12345") {
			t.Error(err)
		}
	}

	if got := LoadFitted(); got != "" {
		t.Error(got)
	}
	for _, n := range []string{"woven", "wipe-clean", ""} {
		if err := SaveFitted(n); err != nil {
			t.Fatal(err)
		}
		if got := LoadFitted(); got != n {
			t.Errorf("%q, saved %q", got, n)
		}
	}
	if err := SaveFitted("../x"); err == nil {
		t.Error("a path accepted")
	}
	for _, damage := range []string{"../../etc/passwd", "a\nb", strings.Repeat("a", 5000), "\x00"} {
		if err := os.WriteFile(filepath.Join(home, "s", "cushwright", "fitted"), []byte(damage), 0o600); err != nil {
			t.Fatal(err)
		}
		if got := LoadFitted(); got != "" {
			t.Errorf("%q", got)
		}
	}
}
