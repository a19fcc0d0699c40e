package config

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode/utf16"
	"unicode/utf8"
)

// Measurement is a response as a rig wrote it.
type Measurement struct {
	FreqHz   []float64 // rising, no two alike
	LevelDB  []float64
	PhaseDeg []float64 // nil where there is no third column

	name  string // what messages call the text
	lines []int  // where each frequency stands
}

const maxMeasurementLines = 1_000_000

// contradictDB is how far levels of one frequency may be apart and still be averaged.
const contradictDB = 1.0

// ParseMeasurement reads measured text as rigs write it: two or three columns (Hz, dB, degrees) separated by commas,
// semicolons, tabs or spaces; decimal point or decimal comma, judged from the whole text; units (Hz, kHz, dB, degrees) and
// quotes in cells, where what is in quotes is one cell; comment lines (#, *, ;, //, %, quotes, or any heading before the first
// row of numbers) and comments behind a row; a row count above the rows; LF, CRLF or CR; UTF-8, or UTF-16 with a byte order
// mark.
//
// A heading is heeded: kHz is scaled, columns in another order are put in order, columns that are none of ours are left out. Two
// ears, a unit other than dB, commas that could be separators or decimal marks, and damaged rows are refused.
//
// Frequencies rise or fall throughout. Equal ones are averaged (level in dB and phase alike) unless their levels are more than
// 1 dB apart. understood says in one line what was found, and what was read otherwise than it stands. name is what messages call
// the text; the error is a *Problem with line and reason. Bounds: 16 MiB, a million lines. Sensible judges the frequencies as a
// whole.
func ParseMeasurement(data []byte, name string) (m Measurement, understood string, err error) {
	t := &measuredText{name: name}
	if len(data) > MaxMeasurementBytes {
		return t.no(0, "", fmt.Sprintf("%d bytes of text, %d are read", len(data), MaxMeasurementBytes))
	}
	text, encoding, err := decodeText(data)
	if err != nil {
		return t.no(0, "", err.Error())
	}
	if err := t.readLines(text); err != nil {
		return Measurement{}, "", err
	}
	if err := t.layout(); err != nil {
		return Measurement{}, "", err
	}
	points, err := t.points()
	if err != nil {
		return Measurement{}, "", err
	}
	if err := t.secondEar(points); err != nil {
		return Measurement{}, "", err
	}
	falling := len(points) > 1 && points[0].v[0] > points[len(points)-1].v[0]
	if falling {
		slices.Reverse(points)
	}
	m, equal, err := t.merge(points, falling)
	if err != nil {
		return Measurement{}, "", err
	}
	if len(m.FreqHz) < 2 {
		return t.no(0, "", fmt.Sprintf("%d frequencies, at least 2 are needed", len(m.FreqHz)))
	}
	return m, t.understood(m, encoding, falling, equal), nil
}

// understood says in one line what was found.
func (t *measuredText) understood(m Measurement, encoding string, falling bool, equal int) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d frequencies, %g to %g Hz; columns %s, dB", len(m.FreqHz), m.FreqHz[0], m.FreqHz[len(m.FreqHz)-1],
		map[bool]string{true: "kHz", false: "Hz"}[t.kHz])
	if t.at[2] >= 0 {
		b.WriteString(", degrees")
	}
	fmt.Fprintf(&b, "; separated by %s; decimal %s; %s", map[byte]string{',': "commas", ';': "semicolons", '\t': "tabs", ' ': "spaces"}[t.sep],
		map[bool]string{true: "comma", false: "point"}[t.decimalComma], encoding)
	if t.comments > 0 {
		fmt.Fprintf(&b, "; %d comment lines", t.comments)
	}
	if t.count != "" {
		fmt.Fprintf(&b, "; the row count %q left out", t.count)
	}
	if falling {
		b.WriteString("; sorted by frequency")
	}
	if equal > 0 {
		fmt.Fprintf(&b, "; %d duplicate frequencies averaged", equal)
	}
	for _, r := range t.remarks {
		b.WriteString("; " + r)
	}
	return b.String()
}

// merge averages points of one frequency, and refuses levels that contradict each other.
func (t *measuredText) merge(points []point, falling bool) (m Measurement, equal int, err error) {
	m.name = t.name
	for i := 0; i < len(points); {
		j := i
		var sum [3]float64
		lo, hi := points[i], points[i]
		for ; j < len(points) && points[j].v[0] == points[i].v[0]; j++ {
			sum[1] += points[j].v[1]
			sum[2] += points[j].v[2]
			if points[j].v[1] < lo.v[1] {
				lo = points[j]
			}
			if points[j].v[1] > hi.v[1] {
				hi = points[j]
			}
		}
		if hi.v[1]-lo.v[1] > contradictDB {
			first, second := min(lo.line, hi.line), max(lo.line, hi.line)
			_, _, err := t.no(second, "", fmt.Sprintf("%g Hz stands in lines %d and %d with levels %.1f dB apart; levels of one frequency may differ by %g dB",
				points[i].v[0], first, second, hi.v[1]-lo.v[1], contradictDB))
			return m, 0, err
		}
		n := float64(j - i)
		equal += j - i - 1
		m.FreqHz = append(m.FreqHz, points[i].v[0])
		m.LevelDB = append(m.LevelDB, sum[1]/n)
		if t.at[2] >= 0 {
			m.PhaseDeg = append(m.PhaseDeg, sum[2]/n)
		}
		m.lines = append(m.lines, points[i].line)
		i = j
	}
	return m, equal, nil
}

// What a measured response must cover, and how finely.
const (
	leastMeasuredHz, mostMeasuredHz = 1.0, 200_000.0
	soundLowHz, soundHighHz         = 100.0, 10_000.0
)

// Sensible reports why the frequencies make no sense as those of a measured response, as a *Problem with line and reason: they
// lie within 1 Hz and 200 kHz, leave no gap wider than an octave between 100 Hz and 10 kHz, and are there at least one a third
// of an octave.
func (m Measurement) Sensible() error {
	no := func(i int, reason string, args ...any) error {
		p := &Problem{File: m.name, Err: fmt.Errorf(reason, args...)}
		if i >= 0 && i < len(m.lines) {
			p.Line = m.lines[i]
		}
		return p
	}
	n := len(m.FreqHz)
	if n == 0 {
		return no(-1, "it holds no frequencies")
	}
	hint := ""
	if m.FreqHz[n-1] < soundHighHz/100 {
		hint = "; are they in kHz, or written with thousands points? Give them in Hz without"
	}
	for i, f := range m.FreqHz {
		if f < leastMeasuredHz || f > mostMeasuredHz {
			return no(i, "%g Hz is no frequency of a response: allowed are %g to %g Hz%s", f, leastMeasuredHz, mostMeasuredHz, hint)
		}
	}
	before, inside := soundLowHz, 0.0
	last := 0
	for i, f := range m.FreqHz {
		if f < soundLowHz {
			continue
		}
		last = i
		if to := min(f, soundHighHz); to > 2*before*(1+1e-9) {
			return no(i, "no frequency between %g and %g Hz: a gap wider than an octave%s", before, to, hint)
		}
		if f > soundHighHz {
			before = soundHighHz
			break
		}
		before = f
		inside++
	}
	if soundHighHz > 2*before*(1+1e-9) {
		return no(last, "no frequency between %g and %g Hz: a gap wider than an octave%s", before, soundHighHz, hint)
	}
	low, high := max(soundLowHz, m.FreqHz[0]), min(soundHighHz, m.FreqHz[n-1])
	if thirds := math.Floor(3*math.Log2(high/low) + 1e-9); inside < thirds {
		return no(-1, "%g frequencies between %g and %g Hz, at least %g are needed: one a third of an octave", inside, low, high, thirds)
	}
	return nil
}

// decodeText returns UTF-8 text without byte order mark, and what the bytes were.
func decodeText(data []byte) (text, encoding string, err error) {
	var big bool
	switch {
	case bytes.HasPrefix(data, []byte("\xef\xbb\xbf")):
		data = data[3:]
	case bytes.HasPrefix(data, []byte("\xff\xfe")):
		encoding = "UTF-16 little-endian"
	case bytes.HasPrefix(data, []byte("\xfe\xff")):
		encoding, big = "UTF-16 big-endian", true
	}
	if encoding == "" {
		switch {
		case bytes.IndexByte(data, 0) >= 0:
			return "", "", errors.New("holds zero bytes: not a text, or UTF-16 without a byte order mark")
		case utf8.Valid(data):
			return string(data), "UTF-8", nil
		}
		// Comments of older rigs hold single-byte letters; the numbers are ASCII all the same. Their no-break space is a space.
		return strings.ToValidUTF8(string(bytes.ReplaceAll(data, []byte{0xa0}, []byte{' '})), "?"), "single-byte text", nil
	}
	data = data[2:]
	if len(data)%2 != 0 {
		return "", "", errors.New(encoding + " with an odd number of bytes")
	}
	units := make([]uint16, len(data)/2)
	for i := range units {
		a, b := uint16(data[2*i]), uint16(data[2*i+1])
		if big {
			units[i] = a<<8 | b
		} else {
			units[i] = b<<8 | a
		}
	}
	return string(utf16.Decode(units)), encoding, nil
}
