package config

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"
)

// Bench is a bench folder, for what needs no snapshot.
type Bench struct {
	Dir string
}

// Snapshot is a bench folder at one moment, checked as a whole. It is immutable and safe for any goroutine.
type Snapshot struct {
	Dir      string
	Settings Settings
	Hash     string     // of the names and contents that were read: settings, cushions, corrections, equalisers
	Warnings []*Problem // what is odd but stops nothing, such as a reference that no file describes
	Bad      Problems   // of LoadGood: what is wrong with the records that are left out

	cushions    map[string]Cushion
	corrections map[string]Correction
	equalisers  map[string]Equaliser
	names       []string
}

// Cushion returns the record of that name. A cushion that only has a correction has a record with nothing but the name.
func (s *Snapshot) Cushion(name string) (Cushion, bool) {
	c, ok := s.cushions[name]
	return c, ok
}

// Called returns the name of the cushion that a text means: its name, or a label that it alone has, in whatever case.
func (s *Snapshot) Called(text string) (name string, ok bool) {
	if _, ok := s.cushions[text]; ok {
		return text, true
	}
	return labelled(text, s.cushions, func(c Cushion) string { return c.Label })
}

// CalledEqualiser is Called for the described equalisers.
func (s *Snapshot) CalledEqualiser(text string) (name string, ok bool) {
	if _, ok := s.equalisers[text]; ok {
		return text, true
	}
	return labelled(text, s.equalisers, func(e Equaliser) string { return e.Label })
}

// labelled is the one name whose label reads as the text does; false where none or more than one has it.
func labelled[T any](text string, all map[string]T, label func(T) string) (name string, ok bool) {
	text = strings.Join(strings.Fields(text), " ")
	for n, v := range all {
		if l := label(v); text != "" && strings.EqualFold(strings.Join(strings.Fields(l), " "), text) {
			if ok {
				return "", false
			}
			name, ok = n, true
		}
	}
	return name, ok
}

// CushionNames returns the names of all cushions, sorted.
func (s *Snapshot) CushionNames() []string { return slices.Clone(s.names) }

// Correction returns the correction of the cushion of that name; false where it has none and runs flat.
func (s *Snapshot) Correction(name string) (Correction, bool) {
	c, ok := s.corrections[name]
	return c, ok
}

// Equaliser returns the described equaliser of that name.
func (s *Snapshot) Equaliser(name string) (Equaliser, bool) {
	e, ok := s.equalisers[name]
	return e, ok
}

// EqualiserNames returns the names of all described equalisers, sorted.
func (s *Snapshot) EqualiserNames() []string {
	names := make([]string, 0, len(s.equalisers))
	for n := range s.equalisers {
		names = append(names, n)
	}
	slices.Sort(names)
	return names
}

// Load reads and checks the bench folder. Either the snapshot is good or the error is a Problems. An empty folder is a good
// bench: default settings, no cushions.
func Load(dir string) (*Snapshot, error) {
	l := loader{workers: runtime.GOMAXPROCS(0)}
	s, _, err := l.load(dir)
	return s, err
}

// LoadGood reads the bench folder as Load does, but a record that is faulty stops nothing else: the snapshot is that of
// the good ones and names the faults in Bad. Faults of the settings, or of the folder, are an error all the same.
func LoadGood(dir string) (*Snapshot, error) {
	l := loader{lenient: true}
	s, _, err := l.load(dir)
	return s, err
}

// Need returns what is wrong with records that LoadGood left out, named by folder and name as in "corrections/NAME"; nil
// where nothing is. The error is a Problems.
func (s *Snapshot) Need(records ...string) error {
	var ps Problems
	for _, p := range s.Bad {
		if slices.Contains(records, strings.TrimSuffix(p.File, ".toml")) {
			ps = append(ps, p)
		}
	}
	return orNil(ps)
}

// Load reads and checks the bench folder, see the function Load.
func (b Bench) Load() (*Snapshot, error) { return Load(b.Dir) }

// maxEntries bounds what a folder of the bench may hold.
const maxEntries = 50_000

// loader loads a bench again and again, reads only what may have changed and decodes only what did. One goroutine at a time.
type loader struct {
	lenient bool              // a faulty record is left out, see LoadGood
	cache   map[string]parsed // by file
	dirty   map[string]bool   // files that are read whatever their date
	workers int               // how many files are read at once; beside a running engine one, which is what 0 stands for
}

type parsed struct {
	info     os.FileInfo
	read     time.Time
	sum      [sha256.Size]byte
	value    any
	problems Problems
}

// unchanged reports whether the file is surely the one that was read: the same, of the same size and date, and the date older
// than the reading by more than the coarsest clock of a file system (two seconds).
func (p parsed) unchanged(now os.FileInfo) bool {
	return p.info != nil && os.SameFile(p.info, now) && p.info.Size() == now.Size() && p.info.ModTime().Equal(now.ModTime()) &&
		p.read.Sub(now.ModTime()) > 2*time.Second
}

// load returns the snapshot, or problems; and in both cases a hash of all that was read or failed to be.
func (l *loader) load(dir string) (*Snapshot, string, error) {
	r := &reading{loader: l, dir: dir, next: map[string]parsed{}, content: sha256.New(), s: &Snapshot{Dir: dir, Settings: DefaultSettings(),
		cushions: map[string]Cushion{}, corrections: map[string]Correction{}, equalisers: map[string]Equaliser{}}}
	switch i, err := os.Stat(dir); {
	case err != nil:
		r.fail(filepath.ToSlash(dir), cause(err))
	case !i.IsDir():
		r.fail(filepath.ToSlash(dir), errors.New("is not a folder"))
	default:
		r.settings()
		s := r.s
		r.each("cushions", func(f, n string, b []byte) (any, Problems) { v, ps := parseCushion(f, n, b); return v, ps },
			func(n string, v any) { s.cushions[n] = v.(Cushion) })
		r.each("corrections", func(f, n string, b []byte) (any, Problems) { v, ps := parseCorrection(f, n, b); return v, ps },
			func(n string, v any) { s.corrections[n] = v.(Correction) })
		r.each("equalisers", func(f, n string, b []byte) (any, Problems) { v, ps := parseEqualiser(f, n, b); return v, ps },
			func(n string, v any) { s.equalisers[n] = v.(Equaliser) })
	}
	l.cache = r.next
	return r.finish()
}

// reading is one reading of a bench; the loader's cache is only read in it.
type reading struct {
	*loader
	dir      string
	s        *Snapshot // what has been read so far
	problems Problems
	next     map[string]parsed // the cache of the next reading
	content  hash.Hash         // of all files, and of what is wrong with them
}

func (r *reading) note(file, what string) { fmt.Fprintf(r.content, "%q %q\n", file, what) }

func (r *reading) fail(file string, err error) {
	r.note(file, err.Error())
	r.problems = append(r.problems, &Problem{File: file, Err: err})
}

// parse parses a file unless its content is that of the last time. It changes nothing of the reading.
func (r *reading) parse(file string, parse func(data []byte) (any, Problems)) (parsed, error) {
	name := filepath.Join(r.dir, filepath.FromSlash(file))
	p, old := parsed{read: time.Now()}, r.cache[file]
	var err error
	if p.info, err = os.Stat(name); err == nil && !r.dirty[file] && old.unchanged(p.info) {
		return old, nil
	}
	data, err := readFile(name, MaxTOMLBytes)
	if err != nil {
		return p, err
	}
	if p.sum = sha256.Sum256(data); old.info != nil && old.sum == p.sum {
		p.value, p.problems = old.value, old.problems
	} else {
		p.value, p.problems = parse(data)
	}
	return p, nil
}

// take takes what parse returned into the reading. It returns nil where something is wrong with the file.
func (r *reading) take(file string, p parsed, err error) any {
	if err != nil {
		r.fail(file, err)
		return nil
	}
	r.note(file, string(p.sum[:]))
	r.next[file] = p
	if len(p.problems) > 0 {
		r.problems = append(r.problems, p.problems...)
		return nil
	}
	return p.value
}

// settings reads settings.toml, which may be missing.
func (r *reading) settings() {
	const file = "settings.toml"
	if _, err := os.Lstat(filepath.Join(r.dir, file)); err == nil {
		p, err := r.parse(file, func(b []byte) (any, Problems) { v, ps := parseSettings(file, b); return v, ps })
		if v, ok := r.take(file, p, err).(Settings); ok {
			r.s.Settings = v
		}
	} else if !errors.Is(err, fs.ErrNotExist) {
		r.fail(file, cause(err))
	}
}

// each reads the records of a folder; take gets those in order.
func (r *reading) each(folder string, parse func(file, name string, data []byte) (any, Problems), take func(name string, v any)) {
	names, err := r.s.list(r.dir, folder)
	if err != nil {
		r.fail(folder, err)
	}
	type outcome struct {
		parsed
		err error
	}
	all := make([]outcome, len(names))
	each(r.workers, len(names), func(i int) {
		if CheckName(names[i]) == nil {
			file := folder + "/" + names[i] + ".toml"
			all[i].parsed, all[i].err = r.parse(file, func(b []byte) (any, Problems) { return parse(file, names[i], b) })
		}
	})
	for i, name := range names {
		file := folder + "/" + name + ".toml"
		if err := CheckName(name); err != nil {
			r.note(file, "name")
			r.problems = append(r.problems, &Problem{File: file, Key: "the file's name", Value: clip(fmt.Sprintf("%q", name)), Allowed: nameAllowed + "; then .toml"})
			continue
		}
		if v := r.take(file, all[i].parsed, all[i].err); v != nil {
			take(name, v)
		}
	}
}

// each calls f for 0 to n-1, on so many goroutines at once.
func each(workers, n int, f func(i int)) {
	var next atomic.Int64
	var wg sync.WaitGroup
	for range min(max(1, workers), n) {
		wg.Go(func() {
			for i := next.Add(1) - 1; i < int64(n); i = next.Add(1) - 1 {
				f(int(i))
			}
		})
	}
	wg.Wait()
}

// finish returns the snapshot and its hash, or the hash and all problems by file and line.
func (r *reading) finish() (*Snapshot, string, error) {
	sum := hex.EncodeToString(r.content.Sum(nil))
	if len(r.problems) > 0 {
		slices.SortStableFunc(r.problems, func(a, b *Problem) int {
			return cmp.Or(strings.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line))
		})
		ofRecord := func(p *Problem) bool {
			folder, _, _ := strings.Cut(p.File, "/")
			return slices.Contains([]string{"cushions", "corrections", "equalisers"}, folder) && folder != p.File
		}
		if !r.lenient || slices.ContainsFunc(r.problems, func(p *Problem) bool { return !ofRecord(p) }) {
			return nil, sum, r.problems
		}
	}
	s := r.s
	s.Bad = r.problems
	s.Hash = sum
	for name := range s.corrections {
		if _, ok := s.cushions[name]; !ok {
			s.cushions[name] = Cushion{Name: name}
		}
	}
	for name := range s.cushions {
		s.names = append(s.names, name)
	}
	slices.Sort(s.names)
	s.references()
	return s, sum, nil
}

// references warns of references that nothing in the bench describes. That stops no sound: a reference says where a
// correction came from.
func (s *Snapshot) references() {
	wanted := map[string]bool{} // looked up once each
	known := func(name string) bool {
		if _, ok := s.cushions[name]; ok || name == "" {
			return true
		}
		there, looked := wanted[name]
		if !looked {
			_, err := os.Stat(filepath.Join(s.Dir, "wanted", name+".csv"))
			there = err == nil
			wanted[name] = there
		}
		return there
	}
	warn := func(file, ref string) {
		if !known(ref) {
			s.Warnings = append(s.Warnings, &Problem{File: file, Key: "reference", Value: fmt.Sprintf("%q, which the bench does not describe", ref),
				Allowed: "a name in cushions/ or wanted/"})
		}
	}
	warn("settings.toml", s.Settings.Reference)
	for _, name := range s.names {
		if c, ok := s.corrections[name]; ok {
			warn("corrections/"+name+".toml", c.Reference)
		}
	}
}

// LineOf is the line of a key in settings.toml or in a correction, by the name that messages give it; 0 where it is
// not there.
func (b Bench) LineOf(file, key string) int {
	data, err := readFile(filepath.Join(b.Dir, filepath.FromSlash(file)), MaxTOMLBytes)
	if err != nil {
		return 0
	}
	var into any = &correctionFile{}
	if file == "settings.toml" {
		into = &Settings{}
	}
	return decodeTOML(file, data, into).pos[key].line
}

// list returns the NAME of every NAME.toml in a folder, sorted. A missing folder is empty.
func (s *Snapshot) list(dir, folder string) ([]string, error) {
	entries, err := readDir(filepath.Join(dir, folder))
	if err != nil {
		return nil, err
	}
	var names []string
	for _, e := range entries {
		switch name, ok := strings.CutSuffix(e, ".toml"); {
		case strings.HasPrefix(e, "."), strings.HasPrefix(e, "#"): // editors' and our own unfinished files
		case ok:
			names = append(names, name)
		case strings.HasSuffix(strings.ToLower(e), ".toml"):
			s.Warnings = append(s.Warnings, &Problem{File: path.Join(folder, clip(e)), Err: errors.New("is not read"), Allowed: "NAME.toml"})
		}
	}
	return names, nil
}

// readDir returns the sorted names in a folder, none where it does not exist. The error is the bare cause.
func readDir(dir string) ([]string, error) {
	i, err := os.Stat(dir)
	if errors.Is(err, fs.ErrNotExist) {
		if _, lerr := os.Lstat(dir); lerr == nil {
			return nil, errors.New("the link leads nowhere")
		}
		return nil, nil
	}
	if err != nil {
		return nil, cause(err)
	}
	if !i.IsDir() {
		return nil, errors.New("is not a folder")
	}
	f, err := os.Open(dir)
	if err != nil {
		return nil, cause(err)
	}
	defer f.Close()
	names, err := f.Readdirnames(maxEntries + 1)
	if err != nil && err != io.EOF {
		return nil, cause(err)
	}
	if len(names) > maxEntries {
		return nil, fmt.Errorf("holds more than %d entries", maxEntries)
	}
	slices.Sort(names)
	return names, nil
}
