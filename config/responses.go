package config

import (
	"cmp"
	"errors"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
)

// CheckResponses reads every seat and every wanted response of the bench and returns what is wrong with each, by file. A file
// that has no name of a seat counts as wrong.
func (b Bench) CheckResponses() Problems {
	refs, problems := b.allSeats()
	wanted, err := b.wantedFiles()
	if err != nil {
		problems = append(problems, err)
	}
	type job func() error
	jobs := make(chan job)
	var mu sync.Mutex // guards problems
	var all sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		all.Go(func() {
			for read := range jobs {
				if found := asProblems(read()); len(found) > 0 {
					mu.Lock()
					problems = append(problems, found...)
					mu.Unlock()
				}
			}
		})
	}
	for _, r := range refs {
		jobs <- func() error { _, err := b.LoadSeat(r); return err }
	}
	for _, name := range wanted {
		jobs <- func() error { _, err := b.Wanted(name); return err }
	}
	close(jobs)
	all.Wait()
	slices.SortStableFunc(problems, func(a, b *Problem) int {
		return cmp.Or(strings.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line))
	})
	return problems
}

// asProblems are the problems that an error stands for.
func asProblems(err error) Problems {
	var all Problems
	var one *Problem
	switch {
	case errors.As(err, &all):
		return all
	case errors.As(err, &one):
		return Problems{one}
	}
	return nil
}

// SeatsWithoutRecord lists the names of folders of seats that no cushion's record and no correction goes with, sorted.
func (s *Snapshot) SeatsWithoutRecord() ([]string, error) {
	folders, err := readDir(filepath.Join(s.Dir, "seats"))
	if err != nil {
		return nil, &Problem{File: "seats", Err: err}
	}
	var out []string
	for _, name := range folders {
		if _, ok := s.cushions[name]; ok || CheckName(name) != nil || s.Need("cushions/"+name, "corrections/"+name) != nil {
			continue
		}
		if refs, misnamed, err := (Bench{s.Dir}).seatsIn(name); err == nil && len(refs)+len(misnamed) > 0 {
			out = append(out, name)
		}
	}
	return out, nil
}

// allSeats lists the seats of every folder in seats/, and what is wrong with the names there.
func (b Bench) allSeats() (refs []SeatRef, problems Problems) {
	folders, err := readDir(filepath.Join(b.Dir, "seats"))
	if err != nil {
		return nil, Problems{{File: "seats", Err: err}}
	}
	for _, name := range folders {
		if i, err := os.Stat(filepath.Join(b.Dir, "seats", name)); err != nil || !i.IsDir() || strings.HasPrefix(name, ".") {
			continue
		}
		r, misnamed, err := b.seatsIn(name)
		problems = append(problems, misnamed...)
		var p *Problem
		switch {
		case errors.As(err, &p):
			problems = append(problems, p)
		case err != nil:
			problems = append(problems, &Problem{File: path.Join("seats", clip(name)), Err: err})
		}
		refs = append(refs, r...)
	}
	return refs, problems
}

// wantedFiles lists the names of the wanted responses.
func (b Bench) wantedFiles() ([]string, *Problem) {
	names, err := (&Snapshot{Dir: b.Dir}).WantedNames()
	var p *Problem
	if errors.As(err, &p) {
		return nil, p
	}
	return names, nil
}
