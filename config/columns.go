package config

import (
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"unicode"

	"cushwright/dsp"
)

// Columns says what the columns of a measured text are, where it has no heading that does.
type Columns struct {
	Names []string // of freq, level, left, right, phase, and "-" for one that is left out
	KHz   bool     // frequencies are in kHz
	Pa    bool     // levels are sound pressures in pascals
}

// ColumnNames are what a column can be called.
const ColumnNames = "freq, level, left, right, phase, or - for one that is left out"

// ParseColumns reads the names of columns, separated by commas, and units: Hz, kHz, dB, Pa, separated by commas. No names
// are freq,level,phase.
func ParseColumns(names, units string) (c Columns, err error) {
	bad := func(key, value, allowed string) (Columns, error) {
		return Columns{}, &dsp.RangeError{Key: key, Value: clip(fmt.Sprintf("%q", value)), Allowed: allowed}
	}
	if names != "" {
		c.Names = strings.Split(strings.ReplaceAll(names, " ", ""), ",")
	}
	seen := map[string]bool{}
	for _, n := range c.Names {
		if !slices.Contains([]string{"freq", "level", "left", "right", "phase", "-"}, n) || n != "-" && seen[n] {
			return bad("--columns", names, ColumnNames+", each once")
		}
		seen[n] = true
	}
	ears := seen["left"] || seen["right"]
	if names != "" && (!seen["freq"] || seen["level"] == ears || ears && seen["phase"]) {
		return bad("--columns", names, "freq, and either level with or without phase, or left and right")
	}
	for _, u := range strings.FieldsFunc(units, func(r rune) bool { return r == ',' || r == ' ' }) {
		switch strings.ToLower(u) {
		case "hz", "db":
		case "khz":
			c.KHz = true
		case "pa":
			c.Pa = true
		default:
			return bad("--unit", units, "Hz or kHz, and dB or Pa, separated by a comma")
		}
	}
	return c, nil
}

// Ears reports whether there is a column for each ear.
func (c Columns) Ears() bool {
	return slices.Contains(c.Names, "left") || slices.Contains(c.Names, "right")
}

// ReadMeasurementColumns reads a file of measured text whose columns and units are said. level names the column of the
// levels: level, left or right. See ReadMeasurement.
func ReadMeasurementColumns(file string, c Columns, level string) (Measurement, string, error) {
	data, err := readFile(file, MaxMeasurementBytes)
	if err != nil {
		return Measurement{}, "", &Problem{File: filepath.ToSlash(file), Err: err}
	}
	return parseColumns(data, filepath.ToSlash(file), c, level)
}

func parseColumns(data []byte, name string, c Columns, level string) (m Measurement, understood string, err error) {
	no := func(line int, value, reason string) (Measurement, string, error) {
		return Measurement{}, "", &Problem{File: name, Line: line, Value: clip(value), Err: errors.New(reason)}
	}
	if c.Names != nil {
		text, _, err := decodeText(data)
		if err != nil {
			return no(0, "", err.Error())
		}
		lines := strings.Split(strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(text), "\n")
		split := cellsOf(lines)
		want := []int{slices.Index(c.Names, "freq"), slices.Index(c.Names, level)}
		if k := slices.Index(c.Names, "phase"); k >= 0 {
			want = append(want, k)
		}
		for i, l := range lines {
			if lines[i] = ""; !beginsNumber(l) {
				continue // a line stays empty, so that messages name the line of the file
			}
			cells := split(l)
			if len(cells) != len(c.Names) {
				return no(i+1, l, fmt.Sprintf("%d columns, --columns names %d", len(cells), len(c.Names)))
			}
			var row []string
			for _, k := range want {
				row = append(row, cells[k])
			}
			lines[i] = strings.Join(row, "\t")
		}
		data = []byte(strings.Join(lines, "\n"))
	}
	m, understood, err = ParseMeasurement(data, name)
	if c.Names != nil { // it is said
		understood = strings.Replace(understood, "; "+phaseUnsaid, "", 1)
	}
	if err != nil {
		return m, understood, err
	}
	if c.Names != nil {
		understood += "; columns as said: " + strings.Join(c.Names, ", ")
	}
	if c.KHz && !strings.Contains(understood, "columns kHz") { // a heading that says so is heeded already
		for i, f := range m.FreqHz {
			m.FreqHz[i] = math.Round(f*1e9) / 1e6 // as round as in kHz
		}
		understood += "; frequencies in kHz as said"
	}
	if c.Pa {
		for i, p := range m.LevelDB {
			if !(p > 0) {
				return no(0, fmt.Sprintf("%g Pa", p), "a sound pressure is above 0")
			}
			m.LevelDB[i] = 20 * math.Log10(p/20e-6) // ISO 1683: 20 µPa
		}
		understood += "; pascals as said, in dB re 20 µPa"
	}
	return m, understood, nil
}

func beginsNumber(line string) bool {
	line = strings.TrimLeft(strings.TrimSpace(line), "\"'+-.,−")
	return line != "" && unicode.IsDigit(rune(line[0]))
}

// cellsOf gives the function that takes rows apart: by tabs or semicolons where every row has them, else by spaces, else by
// commas.
func cellsOf(lines []string) func(string) []string {
	all := func(has string) bool {
		n := 0
		for _, l := range lines {
			if beginsNumber(l) {
				if !strings.Contains(strings.TrimSpace(l), has) {
					return false
				}
				n++
			}
		}
		return n > 0
	}
	trimmed := func(cells []string) []string {
		for i := range cells {
			cells[i] = strings.Trim(strings.TrimSpace(cells[i]), `"',;`)
		}
		return cells
	}
	for _, sep := range []string{"\t", ";"} {
		if all(sep) {
			return func(l string) []string { return trimmed(strings.Split(strings.TrimSpace(l), sep)) }
		}
	}
	if all(" ") {
		return func(l string) []string { return trimmed(strings.Fields(l)) }
	}
	return func(l string) []string { return trimmed(strings.Split(strings.TrimSpace(l), ",")) }
}
