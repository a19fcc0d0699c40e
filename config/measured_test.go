package config

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// verdicts is what each file of testdata/measured must give: how many frequencies from where to where, or the line and what is
// said of it. All its data is invented.
var verdicts = map[string]struct {
	points    int
	low, high float64
	line      int
	reason    string
}{
	"plain.txt":                       {points: 31, low: 20, high: 20000},
	"decimal-comma-later.txt":         {points: 31, low: 20, high: 20000},
	"duplicates-agree.txt":            {points: 31, low: 20, high: 20000},
	"row-count.txt":                   {points: 31, low: 20, high: 20000},
	"row-count-alone.txt":             {points: 31, low: 20, high: 20000},
	"thousands-spaces.txt":            {points: 31, low: 20, high: 20000},
	"kilohertz-heading.txt":           {points: 31, low: 20, high: 20000},
	"quoted-cells.txt":                {points: 31, low: 20, high: 20000},
	"units-in-cells.txt":              {points: 31, low: 20, high: 20000},
	"units-and-spaces.txt":            {points: 31, low: 20, high: 20000},
	"no-break-spaces.txt":             {points: 31, low: 20, high: 20000},
	"no-break-spaces-single-byte.txt": {points: 31, low: 20, high: 20000},
	"trailing-comment.txt":            {points: 31, low: 20, high: 20000},
	"falling.txt":                     {points: 31, low: 20, high: 20000},
	"quoted-decimal-comma.txt":        {points: 31, low: 20, high: 20000},
	"comma-phase-heading.txt":         {points: 31, low: 20, high: 20000},
	"level-re-20-micropascal.txt":     {points: 31, low: 20, high: 20000},
	"comments-with-apostrophes.txt":   {points: 31, low: 20, high: 20000},
	"kilohertz-noise.txt":             {points: 31, low: 20, high: 20000},
	"kilohertz-commented.txt":         {points: 31, low: 20, high: 20000},
	"columns-turned.txt":              {points: 31, low: 20, high: 20000},
	"coherence.txt":                   {points: 31, low: 20, high: 20000},
	"middle-only.txt":                 {points: 15, low: 200, high: 5000},

	"both-decimal-marks.txt":     {line: 3, reason: "both decimal commas and decimal points: line 2 has the one, line 3 the other"},
	"nan-at-the-top.txt":         {line: 2, reason: "column 1 is not a number"},
	"nan-further-down.txt":       {line: 18, reason: "column 2 is not a number"},
	"infinite.txt":               {line: 1, reason: "column 2 is not a number"},
	"two-ears.txt":               {line: 34, reason: "the frequencies turn back here (line 32 has 20000 Hz): is this a second measurement? Give each ear and each seat a file"},
	"two-ears-in-columns.txt":    {line: 1, reason: "the columns are two ears; give each ear a file of its own"},
	"duplicates-contradict.txt":  {line: 19, reason: "1000 Hz stands in lines 18 and 19 with levels 1.5 dB apart; levels of one frequency may differ by 1 dB"},
	"row-count-wrong.txt":        {line: 3, reason: "the frequencies turn back here"},
	"thousands-points.txt":       {line: 1, reason: "no frequency between 100 and 10000 Hz: a gap wider than an octave; are they in kHz, or written with thousands points?"},
	"thousands-points-mixed.txt": {line: 18, reason: "both decimal commas and decimal points"},
	"kilohertz-unsaid.txt":       {line: 1, reason: "0.02 Hz is no frequency of a response: allowed are 1 to 200000 Hz; are they in kHz"},
	"pascal-heading.txt":         {line: 1, reason: `the second column is headed "Pa"; a level in dB is needed`},
	"wrong-unit.txt":             {line: 2, reason: `column 2 has the unit "pa", allowed: dB`},
	"comma-doubtful.txt":         {line: 1, reason: "three columns (20 and 90 and 5), or two with a decimal comma (20 and 90,5)?"},
	"first-row-empty-cell.txt":   {line: 2, reason: "column 2 is not a number"},
	"first-row-damaged.txt":      {line: 2, reason: "a damaged row"},
	"frequency-missing.txt":      {line: 5, reason: "the frequency is missing"},
	"per-cent-cells.txt":         {line: 2, reason: `column 2 has the unit "%", allowed: dB`},
	"per-cent-heading.txt":       {line: 1, reason: `the second column is headed "%"; a level in dB is needed`},
	"volt-commented.txt":         {line: 1, reason: `the second column is headed "V"; a level in dB is needed`},
	"two-ears-letters.txt":       {line: 1, reason: "the columns are two ears; give each ear a file of its own: column 1 and column 2 for add --ear left"},
	"two-ears-unsaid.txt":        {line: 1, reason: "the levels of a second ear?"},
	"two-points.txt":             {line: 2, reason: "no frequency between 100 and 10000 Hz: a gap wider than an octave"},
	"gap.txt":                    {line: 19, reason: "no frequency between 1000 and 2500 Hz: a gap wider than an octave"},
	"octaves-only.txt":           {reason: "7 frequencies between 100 and 10000 Hz, at least 19 are needed: one a third of an octave"},
	"bass-only.txt":              {line: 14, reason: "no frequency between 400 and 10000 Hz: a gap wider than an octave"},
	"too-high.txt":               {line: 19, reason: "frequencies of 0.001 to 1e+06 Hz"},
	"shuffled.txt":               {line: 5, reason: "the frequencies turn back here (line 4 has 63 Hz)"},
}

// TestMeasuredFiles: each file of testdata/measured gives its verdict, and each verdict has its file.
func TestMeasuredFiles(t *testing.T) {
	files, err := filepath.Glob("../testdata/measured/*")
	if err != nil || len(files) != len(verdicts) {
		t.Errorf("%d files, %d verdicts: %v", len(files), len(verdicts), err)
	}
	for _, file := range files {
		want, ok := verdicts[filepath.Base(file)]
		if !ok {
			t.Errorf("%s has no verdict", file)
			continue
		}
		m, understood, err := ReadMeasurement(file)
		if err == nil {
			err = m.Sensible()
		}
		if want.reason != "" {
			var p *Problem
			if !errors.As(err, &p) || p.Line != want.line || !strings.Contains(err.Error(), want.reason) {
				t.Errorf("%s: %v; want line %d, %q", file, err, want.line, want.reason)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", file, err)
			continue
		}
		if n := len(m.FreqHz); n != want.points || m.FreqHz[0] != want.low || m.FreqHz[n-1] != want.high {
			t.Errorf("%s: %d frequencies, %g to %g Hz (%s)", file, n, m.FreqHz[0], m.FreqHz[n-1], understood)
		}
		for i, f := range m.FreqHz {
			if f == 1000 && (m.LevelDB[i] < 88 || m.LevelDB[i] > 91) {
				t.Errorf("%s: 1 kHz has %g dB", file, m.LevelDB[i])
			}
		}
	}
}

// TestUnderstoodSaysAll: what was read otherwise than it stands is said.
func TestUnderstoodSaysAll(t *testing.T) {
	for name, says := range map[string]string{"kilohertz-heading.txt": "columns kHz, dB", "row-count.txt": `the row count "31 2" left out`,
		"falling.txt": "sorted by frequency", "duplicates-agree.txt": "1 duplicate frequencies averaged", "decimal-comma-later.txt": "decimal comma",
		"kilohertz-noise.txt": "scaled from kHz", "columns-turned.txt": "columns ordered by the heading", "coherence.txt": `the column "coherence" left out`} {
		_, understood, err := ReadMeasurement(filepath.Join("..", "testdata", "measured", name))
		if err != nil || !strings.Contains(understood, says) {
			t.Errorf("%s: %q, %v", name, understood, err)
		}
	}
}

// FuzzSensible: what is called sensible rises, stays in range and leaves no gap.
func FuzzSensible(f *testing.F) {
	files, _ := filepath.Glob("../testdata/measured/*")
	for _, file := range files {
		b, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		m, _, err := ParseMeasurement(data, "file")
		if err != nil || m.Sensible() != nil {
			return
		}
		checkResponse(t, m.FreqHz, m.LevelDB, m.PhaseDeg)
		for i, hz := range m.FreqHz {
			if hz < 1 || hz > 200e3 || i > 0 && hz > 100 && m.FreqHz[i-1] < 10e3 && min(hz, 10e3) > 2.001*max(m.FreqHz[i-1], 100) {
				t.Fatalf("%q: %g Hz", data, hz)
			}
		}
	})
}
