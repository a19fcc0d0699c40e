package config

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
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
}

const maxMeasurementLines = 1_000_000

// ParseMeasurement reads measured text as rigs write it: two or three columns (Hz, dB, degrees) parted by commas, semicolons,
// tabs or blanks; decimal point or decimal comma; comment lines (#, *, ;, //, %, quotes, or any heading before the first row
// of numbers); LF, CRLF or CR; UTF-8, or UTF-16 with a byte order mark. Frequencies are sorted, duplicates averaged (level in
// dB and phase alike). understood says in one line what was found. name is what messages call the text; the error is a
// *Problem with line and reason. Bounds: 16 MiB, a million lines.
func ParseMeasurement(data []byte, name string) (m Measurement, understood string, err error) {
	no := func(line int, value, reason string) (Measurement, string, error) {
		return Measurement{}, "", &Problem{File: name, Line: line, Value: clip(strings.ToValidUTF8(value, "?")), Err: errors.New(reason)}
	}
	if len(data) > MaxMeasurementBytes {
		return no(0, "", fmt.Sprintf("%d bytes of text, %d are read", len(data), MaxMeasurementBytes))
	}
	text, encoding, err := decodeText(data)
	if err != nil {
		return no(0, "", err.Error())
	}
	type row struct {
		line int
		text string
	}
	var rows []row
	comments, line := 0, 0
	for len(text) > 0 {
		line++
		if line > maxMeasurementLines {
			return no(line, "", fmt.Sprintf("more than %d lines", maxMeasurementLines))
		}
		end, next := len(text), len(text)
		if i := strings.IndexAny(text, "\r\n"); i >= 0 {
			end, next = i, i+1
			if strings.HasPrefix(text[i:], "\r\n") {
				next++
			}
		}
		l := strings.TrimSpace(text[:end])
		text = text[next:]
		switch {
		case l == "":
		case len(l) > 4096:
			return no(line, l[:60], "the line is longer than 4096 bytes")
		case strings.ContainsRune("#*;%!\"'", rune(l[0])) || strings.HasPrefix(l, "//"):
			comments++
		case heading(l):
			// Headings stand before the numbers; a word among them is damage.
			if len(rows) > 0 {
				return no(line, l, "neither numbers nor a comment")
			}
			comments++
		default:
			rows = append(rows, row{line, l})
		}
	}
	if len(rows) == 0 {
		return no(0, "", "no line of numbers")
	}

	sep, decimalComma, columns, reason := layout(rows[0].text)
	if reason != "" {
		return no(rows[0].line, rows[0].text, reason)
	}
	type point struct{ v [3]float64 }
	points := make([]point, 0, len(rows))
	for _, r := range rows {
		cells := split(r.text, sep)
		if len(cells) != columns {
			return no(r.line, r.text, fmt.Sprintf("%d columns, the first row has %d", len(cells), columns))
		}
		var p point
		for i, c := range cells {
			if decimalComma {
				c = strings.Replace(c, ",", ".", 1)
			}
			x, ok := parseNumber(c)
			if !ok {
				return no(r.line, c, fmt.Sprintf("column %d is not a number", i+1))
			}
			p.v[i] = x
		}
		if p.v[0] == 0 && len(points) == 0 {
			continue // the constant part of a spectrum: no frequency of a level plot
		}
		if why := pointRange(p.v); why != "" {
			return no(r.line, r.text, "allowed: "+why)
		}
		points = append(points, p)
	}
	sorted := slices.IsSortedFunc(points, func(a, b point) int { return cmp.Compare(a.v[0], b.v[0]) })
	if !sorted {
		slices.SortStableFunc(points, func(a, b point) int { return cmp.Compare(a.v[0], b.v[0]) })
	}
	duplicates := 0
	for i := 0; i < len(points); {
		j := i
		var sum [3]float64
		for ; j < len(points) && points[j].v[0] == points[i].v[0]; j++ {
			sum[1] += points[j].v[1]
			sum[2] += points[j].v[2]
		}
		n := float64(j - i)
		duplicates += j - i - 1
		m.FreqHz = append(m.FreqHz, points[i].v[0])
		m.LevelDB = append(m.LevelDB, sum[1]/n)
		if columns == 3 {
			m.PhaseDeg = append(m.PhaseDeg, sum[2]/n)
		}
		i = j
	}
	if len(m.FreqHz) < 2 {
		return no(0, "", fmt.Sprintf("%d frequencies, at least 2 are needed", len(m.FreqHz)))
	}

	var b strings.Builder
	fmt.Fprintf(&b, "%d frequencies, %g to %g Hz; columns Hz, dB", len(m.FreqHz), m.FreqHz[0], m.FreqHz[len(m.FreqHz)-1])
	if columns == 3 {
		b.WriteString(", degrees")
	}
	fmt.Fprintf(&b, "; parted by %s; decimal %s; %s", map[byte]string{',': "commas", ';': "semicolons", '\t': "tabs", ' ': "blanks"}[sep],
		map[bool]string{true: "comma", false: "point"}[decimalComma], encoding)
	if comments > 0 {
		fmt.Fprintf(&b, "; %d comment lines", comments)
	}
	if !sorted {
		b.WriteString("; sorted by frequency")
	}
	if duplicates > 0 {
		fmt.Fprintf(&b, "; %d duplicate frequencies averaged", duplicates)
	}
	return m, b.String(), nil
}

// layout finds separator and decimal mark from the first row of numbers.
func layout(row string) (sep byte, decimalComma bool, columns int, reason string) {
	switch {
	case strings.Contains(row, ";"):
		sep = ';'
	case strings.Contains(row, "\t"):
		sep = '\t'
	case strings.Contains(row, ",") && !strings.ContainsAny(row, " "):
		sep = ','
	case strings.Contains(row, ", "), strings.Contains(row, " ,"):
		sep = ','
	default:
		sep = ' '
	}
	cells := split(row, sep)
	if columns = len(cells); columns < 2 || columns > 3 {
		return 0, false, 0, fmt.Sprintf("%d columns, allowed: 2 or 3 (Hz, dB, degrees)", columns)
	}
	if sep == ',' {
		// "20, 80,5" could be two columns with decimal commas or three without: no guess.
		if strings.Contains(row, ", ") && tightComma(row) {
			return 0, false, 0, "commas with and without blanks: separators or decimal commas"
		}
	} else {
		comma, point := strings.Contains(row, ","), strings.Contains(row, ".")
		if comma && point {
			return 0, false, 0, "both decimal commas and decimal points"
		}
		decimalComma = comma
	}
	return sep, decimalComma, columns, ""
}

// heading reports whether a line cannot be a row of numbers: no digit in it, or letters other than an exponent's.
func heading(line string) bool {
	digit := false
	for _, r := range line {
		if r >= '0' && r <= '9' {
			digit = true
		} else if !strings.ContainsRune("+-.,;\t eE", r) {
			return true
		}
	}
	return !digit
}

// tightComma reports whether a comma stands between two digits.
func tightComma(row string) bool {
	isDigit := func(c byte) bool { return c >= '0' && c <= '9' }
	for i := 1; i+1 < len(row); i++ {
		if row[i] == ',' && isDigit(row[i-1]) && isDigit(row[i+1]) {
			return true
		}
	}
	return false
}

func split(row string, sep byte) []string {
	if sep == ' ' {
		return strings.Fields(row)
	}
	cells := strings.Split(row, string(sep))
	if n := len(cells); n > 2 && strings.TrimSpace(cells[n-1]) == "" {
		cells = cells[:n-1] // a separator at the end of the line
	}
	for i, c := range cells {
		cells[i] = strings.TrimSpace(c)
	}
	return cells
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
		// Comments of older rigs hold single-byte letters; the numbers are ASCII all the same.
		return strings.ToValidUTF8(string(data), "?"), "single-byte text", nil
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
