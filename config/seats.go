package config

import (
	"cmp"
	"cushwright/dsp"
	"errors"
	"path"
	"path/filepath"
	"slices"
	"strings"
)

// Seats lists the seats of a cushion, left before right, by number; none where it was never measured. Nothing is read.
func (s *Snapshot) Seats(cushion string) ([]SeatRef, error) { return Bench{s.Dir}.Seats(cushion) }

// LoadSeat reads one seat. The error is a *Problem.
func (s *Snapshot) LoadSeat(r SeatRef) (Seat, error) { return Bench{s.Dir}.LoadSeat(r) }

// Wanted reads the wanted response of that name. The error is a *Problem.
func (s *Snapshot) Wanted(name string) (Seat, error) { return Bench{s.Dir}.Wanted(name) }

// WantedNames lists the wanted responses, sorted.
func (s *Snapshot) WantedNames() ([]string, error) {
	entries, err := readDir(filepath.Join(s.Dir, "wanted"))
	if err != nil {
		return nil, &Problem{File: "wanted", Err: err}
	}
	var names []string
	for _, e := range entries {
		if n, ok := strings.CutSuffix(e, ".csv"); ok && CheckName(n) == nil {
			names = append(names, n)
		}
	}
	return names, nil
}

// Seats lists the seats of a cushion, left before right, by number; none where it was never measured. Nothing is read.
func (b Bench) Seats(cushion string) ([]SeatRef, error) {
	refs, misnamed, err := b.seatsIn(cushion)
	switch {
	case err != nil:
		return nil, err
	case len(misnamed) > 0:
		return nil, misnamed[0]
	}
	return refs, nil
}

// seatsIn lists the seats of a cushion, and what in its folder looks like a seat and has no name of one.
func (b Bench) seatsIn(cushion string) (refs []SeatRef, misnamed Problems, err error) {
	if err := CheckName(cushion); err != nil {
		return nil, nil, err
	}
	folder := path.Join("seats", cushion)
	entries, err := readDir(filepath.Join(b.Dir, "seats", cushion))
	if err != nil {
		return nil, nil, &Problem{File: folder, Err: err}
	}
	for _, e := range entries {
		if ear, n, ok := seatName(e); ok {
			refs = append(refs, SeatRef{cushion, ear, n, path.Join(folder, e)})
		} else if strings.HasSuffix(e, ".csv") && !strings.HasPrefix(e, ".") {
			misnamed = append(misnamed, &Problem{File: path.Join(folder, clip(e)), Err: errors.New("not the name of a seat"),
				Allowed: "left-01.csv, right-01.csv and so on"})
		}
	}
	slices.SortFunc(refs, func(a, b SeatRef) int { return cmp.Or(cmp.Compare(a.Ear, b.Ear), cmp.Compare(a.Number, b.Number)) })
	return refs, misnamed, nil
}

// LoadSeat reads one seat. The error is that of ParseSeat.
func (b Bench) LoadSeat(r SeatRef) (Seat, error) {
	if err := CheckName(r.Cushion); err != nil {
		return Seat{}, &Problem{File: "seats", Err: err}
	}
	file := seatFile(r.Cushion, r.Ear, r.Number) // not r.File, which may come from anywhere
	data, err := readFile(filepath.Join(b.Dir, filepath.FromSlash(file)), MaxSeatBytes)
	if err != nil {
		return Seat{}, &Problem{File: file, Err: err}
	}
	s, err := ParseSeat(file, data)
	s.Ear = r.Ear
	return s, err
}

// Wanted reads the wanted response of that name. The error is a *Problem.
func (b Bench) Wanted(name string) (Seat, error) {
	if err := CheckName(name); err != nil {
		return Seat{}, &Problem{File: "wanted", Err: err}
	}
	file := path.Join("wanted", name+".csv")
	data, err := readFile(filepath.Join(b.Dir, "wanted", name+".csv"), MaxSeatBytes)
	if err != nil {
		return Seat{}, &Problem{File: file, Err: err}
	}
	s, err := ParseSeat(file, data)
	s.Ear = dsp.Both
	return s, err
}

// ReadMeasurement reads a file of measured text, see ParseMeasurement. Pipes, devices and files beyond 16 MiB are refused.
func ReadMeasurement(file string) (Measurement, string, error) {
	data, err := readFile(file, MaxMeasurementBytes)
	if err != nil {
		return Measurement{}, "", &Problem{File: filepath.ToSlash(file), Err: err}
	}
	return ParseMeasurement(data, filepath.ToSlash(file))
}
