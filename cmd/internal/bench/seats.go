package bench

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/curve"
)

// Ears are the two ears, in the order in which they are listed.
var Ears = []dsp.Ear{dsp.Left, dsp.Right}

// Measured is what the seats of a cushion say, by ear; an ear without seats is missing.
type Measured struct {
	Name  string
	Refs  map[dsp.Ear][]config.SeatRef
	Means map[dsp.Ear]curve.Average

	infos map[dsp.Ear][]SeatInfo // of Refs
}

// Seats counts the seats of all ears.
func (m Measured) Seats() (n int) {
	for _, r := range m.Refs {
		n += len(r)
	}
	return n
}

// Read reads and averages the seats of one cushion, and of no other.
func Read(snap *config.Snapshot, name string) (Measured, error) {
	return ReadChosen(snap, config.Bench{Dir: snap.Dir}, name, nil)
}

// ReadChosen reads and averages those seats in a bench that accept takes (nil: all).
func ReadChosen(snap *config.Snapshot, bench config.Bench, name string, accept func(config.Seat) bool) (Measured,
	error) {
	m := Measured{name, map[dsp.Ear][]config.SeatRef{}, map[dsp.Ear]curve.Average{}, map[dsp.Ear][]SeatInfo{}}
	fail := func(err error) (Measured, error) {
		return m, fmt.Errorf("cushwright: read the seats of %q: %w", name, err)
	}
	if err := config.CheckName(name); err != nil {
		return fail(err)
	}
	refs, err := bench.Seats(name)
	if err != nil {
		return m, err
	}
	if len(refs) == 0 {
		if _, ok := snap.Cushion(name); !ok {
			return fail(fmt.Errorf("unknown cushion.%s The bench has: %s",
				words.DidYouMean(name, snap.CushionNames()), strings.Join(snap.CushionNames(), ", ")))
		}
		return fail(errors.New("it was never measured: take a measurement in with add"))
	}
	curves := map[dsp.Ear][]curve.Curve{}
	for _, r := range refs {
		s, err := bench.LoadSeat(r)
		if err != nil {
			return m, err
		}
		if accept != nil && !accept(s) {
			continue
		}
		k, err := curve.FromPoints(s.FreqHz, s.LevelDB)
		if err != nil {
			return fail(fmt.Errorf("%s: %w", r.File, err))
		}
		m.Refs[r.Ear] = append(m.Refs[r.Ear], r)
		m.infos[r.Ear] = append(m.infos[r.Ear], infoOf(r, s))
		curves[r.Ear] = append(curves[r.Ear], k)
	}
	for e, k := range curves {
		if m.Means[e], err = curve.Mean(k); err != nil {
			return fail(fmt.Errorf("%s ear: %w%s", e, err, because(m.narrow())))
		}
	}
	return m, nil
}

// because adds reasons to a message.
func because(reasons []string) string {
	if len(reasons) == 0 {
		return ""
	}
	return ": " + strings.Join(reasons, "; ")
}

// ReadSince gives a function that reads the seats measured on a day, YYYY-MM-DD, or later. A cushion that was not
// measured since is read whole, and tell says so.
func ReadSince(first string, tell func(note string)) (func(snap *config.Snapshot, name string) (Measured, error),
	error) {
	day, err := time.ParseInLocation(time.DateOnly, first, time.Local)
	if err != nil {
		return nil, &dsp.RangeError{Key: "--since", Value: fmt.Sprintf("%q", first), Allowed: "a day as YYYY-MM-DD"}
	}
	return func(snap *config.Snapshot, name string) (Measured, error) {
		m, err := ReadChosen(snap, config.Bench{Dir: snap.Dir}, name, since(day))
		if err != nil || m.Seats() > 0 {
			return m, err
		}
		tell(fmt.Sprintf("%s was not measured since %s: all its seats are taken", name, first))
		return Read(snap, name)
	}, nil
}

// since accepts the seats measured on a day or later.
func since(day time.Time) func(config.Seat) bool {
	return func(s config.Seat) bool {
		t, ok := SeatTime(s.Date)
		return ok && !t.Before(day)
	}
}

// Outliers names the seats that disagree with the others, judged as one of so many cushions.
func (m Measured) Outliers(cushions int) (out []Outlier) {
	var there []dsp.Ear
	var means []curve.Average
	for _, e := range Ears {
		if a, ok := m.Means[e]; ok {
			there, means = append(there, e), append(means, a)
		}
	}
	for _, o := range curve.Outliers(cushions, means...) {
		out = append(out, Outlier{m.Refs[there[o.Ear]][o.Seat].File, o.Leak, o.DevDB, o.Reason})
	}
	return out
}

// Outlier is a seat that disagrees with the others.
type Outlier struct {
	Seat   string  `json:"seat"`
	Leak   bool    `json:"leak"`
	DevDB  float64 `json:"dev_db"`
	Reason string  `json:"reason"`
}
