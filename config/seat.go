package config

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"path"
	"strconv"
	"strings"

	"cushwright/dsp"
)

// Seat is one placement on the rig: one ear, one measured response.
type Seat struct {
	Ear          dsp.Ear   // Left or Right; Both for a wanted response
	FreqHz       []float64 // rising
	LevelDB      []float64 // of any offset
	PhaseDeg     []float64 // nil where not measured
	Date         string    // as written, RFC 3339 or YYYY-MM-DD; "" = not said
	RateHz       float64   // 0 = not said
	SweepLevelDB float64   // dB of full scale; NaN = not said
	SignalDB     float64   // signal-to-noise in dB; NaN = not said
	Headphone    string    // that the cushion was on; "" = not said
	Rig          string    // that it was measured on; "" = not said
	Notes        []string  // every other comment line
}

// SeatRef names one seat of a bench without reading it.
type SeatRef struct {
	Cushion string
	Ear     dsp.Ear
	Number  int
	File    string // relative to the bench folder, with forward slashes
}

// The range of what a response may hold.
const (
	maxPoints                        = 1_000_000
	minResponseHz, maxResponseHz     = 0.001, 1e6
	minResponseLevel, maxResponseLev = -400.0, 400.0
	maxPhase                         = 1e7
)

// parseNumber reads a plain decimal number: no hexadecimal, no underscores, no inf or nan.
func parseNumber(s string) (float64, bool) {
	if s == "" || strings.Trim(s, "0123456789+-.eE") != "" {
		return 0, false
	}
	x, err := strconv.ParseFloat(s, 64)
	return x, err == nil && !math.IsInf(x, 0)
}

// mostSeatFaults is how many faults of a seat are named.
const mostSeatFaults = 20

// seatText is a seat or wanted response in the course of being read.
type seatText struct {
	file    string
	line    int
	columns int // 0 before the header
	seat    Seat
	faults  Problems
}

func (t *seatText) fault(key, value, allowed string) {
	if len(t.faults) < mostSeatFaults {
		t.faults = append(t.faults, &Problem{File: t.file, Line: t.line, Key: key, Value: clip(value), Allowed: allowed})
	}
}

// ParseSeat reads the text of a seat or wanted response: `#` lines, then `freq_hz,level_db` or `freq_hz,level_db,phase_deg`,
// then a line per frequency, rising. The `#` lines `date:`, `rate_hz:`, `sweep_level_db:`, `signal_to_noise_db:`,
// `headphone:` and `rig:` are understood, others kept as notes. file is what the message calls it; the error is a
// *Problem, or a Problems where there are several faults.
func ParseSeat(file string, data []byte) (Seat, error) {
	t := &seatText{file: file, seat: Seat{SweepLevelDB: math.NaN(), SignalDB: math.NaN()}}
	if len(data) > MaxSeatBytes {
		t.fault("", fmt.Sprintf("%d bytes", len(data)), fmt.Sprintf("up to %d bytes", MaxSeatBytes))
		data = nil
	}
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	for raw := range bytes.Lines(data) {
		t.line++
		if len(raw) > 4096 {
			t.fault("", string(raw[:80]), "lines of up to 4096 bytes")
			continue
		}
		if !t.read(strings.TrimSpace(string(raw))) {
			break
		}
	}
	if t.line = 0; len(t.faults) == 0 && len(t.seat.FreqHz) < 2 {
		t.fault("", fmt.Sprintf("%d frequencies", len(t.seat.FreqHz)), "2 and more")
	}
	switch len(t.faults) {
	case 0:
		return t.seat, nil
	case 1:
		return Seat{}, t.faults[0]
	}
	return Seat{}, t.faults
}

// read reads one line. It reports whether the next one can be read.
func (t *seatText) read(text string) bool {
	switch {
	case text == "":
	case text[0] == '#':
		if err := t.seat.comment(strings.TrimSpace(text[1:])); err != nil {
			t.fault(err.Key, err.Value, err.Allowed)
		}
	case t.columns == 0:
		switch text {
		case "freq_hz,level_db":
			t.columns = 2
		case "freq_hz,level_db,phase_deg":
			t.columns = 3
		default:
			t.fault("", text, `the header "freq_hz,level_db" or "freq_hz,level_db,phase_deg"`)
			return false
		}
	case len(t.seat.FreqHz) == maxPoints:
		t.fault("", text, fmt.Sprintf("up to %d frequencies", maxPoints))
		return false
	default:
		t.point(text)
	}
	return true
}

// point reads the line of a frequency.
func (t *seatText) point(text string) {
	cells := strings.Split(text, ",")
	if len(cells) != t.columns {
		t.fault("", text, fmt.Sprintf("%d numbers parted by commas", t.columns))
		return
	}
	var v [3]float64
	for i, c := range cells {
		var ok bool
		if v[i], ok = parseNumber(strings.TrimSpace(c)); !ok {
			t.fault([3]string{"freq_hz", "level_db", "phase_deg"}[i], c, "a number")
			return
		}
	}
	s := &t.seat
	if why := pointRange(v); why != "" {
		t.fault("", text, why)
		return
	}
	if n := len(s.FreqHz); n > 0 && v[0] <= s.FreqHz[n-1] {
		t.fault("freq_hz", cells[0], "a frequency above the one before")
		return
	}
	s.FreqHz, s.LevelDB = append(s.FreqHz, v[0]), append(s.LevelDB, v[1])
	if t.columns == 3 {
		s.PhaseDeg = append(s.PhaseDeg, v[2])
	}
}

// pointRange returns what is allowed where a point is out of range, otherwise "".
func pointRange(v [3]float64) string {
	switch {
	case !(v[0] >= minResponseHz && v[0] <= maxResponseHz):
		return fmt.Sprintf("frequencies of %g to %g Hz", minResponseHz, maxResponseHz)
	case !(v[1] >= minResponseLevel && v[1] <= maxResponseLev):
		return fmt.Sprintf("levels of %g to %g dB", minResponseLevel, maxResponseLev)
	case !(math.Abs(v[2]) <= maxPhase):
		return fmt.Sprintf("phases of %g to %g degrees", -maxPhase, maxPhase)
	}
	return ""
}

func (s *Seat) comment(text string) *Problem {
	key, value, ok := strings.Cut(text, ":")
	value = strings.TrimSpace(value)
	num := func(to *float64, lo, hi float64) *Problem {
		x, ok := parseNumber(value)
		if !ok || !(x >= lo && x <= hi) {
			return &Problem{Key: key, Value: clip(value), Allowed: fmt.Sprintf("%g to %g", lo, hi)}
		}
		*to = x
		return nil
	}
	if ok {
		switch key {
		case "date":
			s.Date = clip(value)
			return nil
		case "rate_hz":
			return num(&s.RateHz, 1, 1e7)
		case "sweep_level_db":
			return num(&s.SweepLevelDB, -200, 200)
		case "signal_to_noise_db":
			return num(&s.SignalDB, -200, 300)
		case "headphone":
			s.Headphone = clip(value)
			return nil
		case "rig":
			s.Rig = clip(value)
			return nil
		}
	}
	if text != "" && len(s.Notes) < 1000 {
		s.Notes = append(s.Notes, strings.ToValidUTF8(text, "?"))
	}
	return nil
}

// Text returns the seat as a file, which ParseSeat reads back to the same numbers.
// The error says why it cannot be one.
func (s Seat) Text() ([]byte, error) {
	n := len(s.FreqHz)
	if len(s.LevelDB) != n || s.PhaseDeg != nil && len(s.PhaseDeg) != n {
		return nil, errors.New("columns of different lengths")
	}
	var b bytes.Buffer
	field := func(key string, x float64) {
		if !math.IsNaN(x) {
			fmt.Fprintf(&b, "# %s: %s\n", key, number(x))
		}
	}
	if s.Date != "" {
		fmt.Fprintf(&b, "# date: %s\n", clip(s.Date))
	}
	if s.RateHz != 0 {
		field("rate_hz", s.RateHz)
	}
	field("sweep_level_db", s.SweepLevelDB)
	field("signal_to_noise_db", s.SignalDB)
	for _, said := range []struct{ key, value string }{{"headphone", s.Headphone}, {"rig", s.Rig}} {
		if said.value != "" {
			fmt.Fprintf(&b, "# %s: %s\n", said.key, clip(said.value))
		}
	}
	for _, note := range s.Notes {
		fmt.Fprintf(&b, "# %s\n", strings.Join(strings.Fields(note), " "))
	}
	b.WriteString("freq_hz,level_db")
	if s.PhaseDeg != nil {
		b.WriteString(",phase_deg")
	}
	b.WriteByte('\n')
	for i := range n {
		b.WriteString(number(s.FreqHz[i]) + "," + number(s.LevelDB[i]))
		if s.PhaseDeg != nil {
			b.WriteString("," + number(s.PhaseDeg[i]))
		}
		b.WriteByte('\n')
	}
	if _, err := ParseSeat("seat", b.Bytes()); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

func number(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

// seatName takes apart "left-01.csv".
func seatName(file string) (ear dsp.Ear, n int, ok bool) {
	base, isCSV := strings.CutSuffix(file, ".csv")
	side, num, cut := strings.Cut(base, "-")
	if !isCSV || !cut || len(num) < 2 || len(num) > 6 || strings.Trim(num, "0123456789") != "" {
		return 0, 0, false
	}
	n, _ = strconv.Atoi(num)
	switch side {
	case "left":
		ear = dsp.Left
	case "right":
		ear = dsp.Right
	default:
		return 0, 0, false
	}
	return ear, n, n > 0 && fmt.Sprintf("%02d", n) == num
}

func seatFile(cushion string, ear dsp.Ear, n int) string {
	return path.Join("seats", cushion, fmt.Sprintf("%s-%02d.csv", ear, n))
}
