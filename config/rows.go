package config

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"
)

// measuredText is a text of measured rows while it is read.
type measuredText struct {
	name     string
	rows     []textRow
	headline textRow // the last heading above the rows
	comments int
	count    string // a row count that stood above the rows

	sep          byte
	decimalComma bool
	columns      int
	kHz          bool // the first column's heading names kHz
}

type textRow struct {
	line int
	text string
}

// point is a row of numbers: Hz, dB, degrees.
type point struct {
	v    [3]float64
	line int
}

func (t *measuredText) no(line int, value, reason string) (Measurement, string, error) {
	return Measurement{}, "", &Problem{File: t.name, Line: line, Value: clip(strings.ToValidUTF8(value, "?")), Err: errors.New(reason)}
}

func (t *measuredText) refuse(r textRow, reason string, args ...any) error {
	_, _, err := t.no(r.line, r.text, fmt.Sprintf(reason, args...))
	return err
}

var (
	spaces  = strings.NewReplacer("\u00a0", " ", "\u202f", " ", "\u2009", " ", "\u2007", " ", "\u2212", "-")
	comment = regexp.MustCompile(`\s+(#|//|%|!).*$`)
	unit    = regexp.MustCompile(`(?i)^(khz|hz|dbspl|dbfs|db\(spl\)|db spl|db|degrees|degree|deg|°)$`)
	// A number, and what may stand behind it.
	cell = regexp.MustCompile(`(?i)^([-+]?(?:\d[\d.,]*|[.,]\d+)(?:e[-+]?\d+)?|[-+]?(?:nan|inf|infinity))\s*([a-z°()].*)?$`)
	// A number whose thousands are set apart by spaces.
	thousands = regexp.MustCompile(`^([-+]?\d{1,3})((?: \d{3})+)([.,]\d+)?$`)
)

// readLines parts comments and headings from rows of numbers.
func (t *measuredText) readLines(text string) error {
	line := 0
	for len(text) > 0 {
		line++
		if line > maxMeasurementLines {
			return t.refuse(textRow{line, ""}, "more than %d lines", maxMeasurementLines)
		}
		end, next := len(text), len(text)
		if i := strings.IndexAny(text, "\r\n"); i >= 0 {
			end, next = i, i+1
			if strings.HasPrefix(text[i:], "\r\n") {
				next++
			}
		}
		l := strings.TrimSpace(spaces.Replace(text[:end]))
		text = text[next:]
		if l == "" {
			continue
		}
		if len(l) > 4096 {
			return t.refuse(textRow{line, l[:60]}, "the line is longer than 4096 bytes")
		}
		r := textRow{line, l}
		bare := strings.TrimSpace(comment.ReplaceAllString(l, ""))
		quoted := strings.ContainsAny(bare, `"'`)
		if quoted {
			bare = strings.NewReplacer(`"`, "", "'", "").Replace(bare)
		}
		switch {
		case !quoted && strings.ContainsRune("#*;%!", rune(l[0])) || strings.HasPrefix(l, "//"):
			t.comments++
		case looksNumeric(bare) || onlyNumbers(bare):
			t.rows = append(t.rows, textRow{line, bare})
		case strings.ContainsRune("\"'", rune(l[0])) && len(t.rows) > 0:
			t.comments++ // a quoted remark
		case len(t.rows) > 0:
			// Headings stand before the numbers; a word among them is damage.
			return t.refuse(r, "neither numbers nor a comment")
		default:
			t.comments++
			t.headline = textRow{line, strings.ReplaceAll(bare, "'", "")}
		}
	}
	if len(t.rows) == 0 {
		return t.refuse(textRow{}, "no line of numbers")
	}
	t.dropCount()
	return nil
}

// looksNumeric reports whether every cell of a line is a number, with a unit or not, by some separator.
func looksNumeric(line string) bool {
	cells := splitCells(line, separatorOf(line))
	for i, c := range cells {
		m := cell.FindStringSubmatch(strings.TrimSpace(c))
		if m == nil && !(c == "" && i > 0) && !thousands.MatchString(strings.TrimSpace(c)) {
			return false
		}
		if m != nil && m[2] != "" && (!unit.MatchString(strings.TrimSpace(m[2])) || len(cells) == 1) {
			return false
		}
	}
	return true
}

// onlyNumbers reports whether a line holds digits and nothing that a number or a separator does not: a row, be it damaged.
func onlyNumbers(line string) bool {
	return strings.Trim(line, "0123456789+-.,;\t eE") == "" && strings.ContainsAny(line, "0123456789")
}

// dropCount leaves out a first row that counts the rows, alone or beside the number of columns.
func (t *measuredText) dropCount() {
	if len(t.rows) < 2 {
		return
	}
	head := strings.Fields(strings.NewReplacer(",", " ", ";", " ").Replace(t.rows[0].text))
	if len(head) > 2 || head[0] != strconv.Itoa(len(t.rows)-1) {
		return
	}
	second := t.rows[1].text
	columns := len(splitCells(second, separatorOf(second)))
	if len(head) == 2 && head[1] != strconv.Itoa(columns) {
		return
	}
	// A count that is also a frequency below the next row's stays a point.
	if first, ok := parseNumber(head[0]); ok && len(head) == columns {
		if next, ok := parseNumber(strings.ReplaceAll(splitCells(second, separatorOf(second))[0], ",", ".")); ok && first < next {
			return
		}
	}
	t.count, t.rows = t.rows[0].text, t.rows[1:]
}

// separatorOf finds what separates the cells of a row.
func separatorOf(row string) byte {
	switch {
	case strings.Contains(row, ";"):
		return ';'
	case strings.Contains(row, "\t"):
		return '\t'
	case strings.Contains(row, ",") && !strings.ContainsAny(row, " "):
		return ','
	case strings.Contains(row, ", "), strings.Contains(row, " ,"):
		return ','
	}
	return ' '
}

// layout finds separator and columns from the first row, and the decimal mark from all rows.
func (t *measuredText) layout() error {
	first := t.rows[0]
	t.sep = separatorOf(first.text)
	cells := splitCells(first.text, t.sep)
	if t.columns = len(cells); t.columns < 2 || t.columns > 3 {
		return t.refuse(first, "%d columns, allowed: 2 or 3 (Hz, dB, degrees)", t.columns)
	}
	comma, point := textRow{}, textRow{}
	for _, r := range t.rows {
		switch {
		case t.sep == ',':
			// "20, 80,5" could be two columns with decimal commas or three without: no guess.
			if strings.Contains(r.text, ", ") && tightComma(r.text) {
				return t.refuse(r, "commas with and without spaces: separators or decimal commas")
			}
		case strings.Contains(r.text, ",") && strings.Contains(r.text, "."):
			return t.refuse(r, "both decimal commas and decimal points")
		case strings.Contains(r.text, ",") && comma.line == 0:
			comma = r
		case strings.Contains(r.text, ".") && point.line == 0:
			point = r
		}
	}
	if comma.line > 0 && point.line > 0 {
		later := comma
		if point.line > comma.line {
			later = point
		}
		return t.refuse(later, "both decimal commas and decimal points: line %d has the one, line %d the other", min(comma.line, point.line), later.line)
	}
	t.decimalComma = comma.line > 0
	return nil
}

// heading heeds what the line above the rows says of the columns.
func (t *measuredText) heading() error {
	if t.headline.line == 0 {
		return nil
	}
	cells := splitCells(t.headline.text, t.sep)
	if t.sep == ' ' && len(cells) != t.columns {
		// "Freq (kHz)  SPL (dB)": two spaces and more separate the cells.
		cells = regexp.MustCompile(`\s{2,}`).Split(t.headline.text, -1)
	}
	if len(cells) < 2 || len(cells) > 3 {
		return nil
	}
	t.kHz = regexp.MustCompile(`(?i)\bkhz\b`).MatchString(cells[0])
	if regexp.MustCompile(`(?i)^(\W|.*[(\[ ])?(pa|mpa|µpa|upa|v|mv|%|percent)[)\]]?$`).MatchString(strings.TrimSpace(cells[1])) {
		return t.refuse(t.headline, "the second column is headed %q; a level in dB is needed", strings.TrimSpace(cells[1]))
	}
	if len(cells) == 3 && t.columns == 3 && regexp.MustCompile(`(?i)\bleft\b`).MatchString(cells[1]) && regexp.MustCompile(`(?i)\bright\b`).MatchString(cells[2]) {
		return t.refuse(t.headline, "the columns are two ears; give each ear a file of its own")
	}
	return nil
}

// points reads the rows, which rise or fall throughout.
func (t *measuredText) points() ([]point, error) {
	points := make([]point, 0, len(t.rows))
	falling := false
	for _, r := range t.rows {
		p, err := t.point(r)
		if err != nil {
			return nil, err
		}
		if p.v[0] == 0 && len(points) == 0 {
			continue // the constant part of a spectrum: no frequency of a level plot
		}
		if why := pointRange(p.v); why != "" {
			return nil, t.refuse(r, "allowed: %s", why)
		}
		if n := len(points); n > 0 && p.v[0] != points[n-1].v[0] {
			down := p.v[0] < points[n-1].v[0]
			if n == 1 || points[0].v[0] == points[n-1].v[0] {
				falling = down
			}
			if down != falling {
				return nil, t.refuse(r, "the frequencies turn back here (line %d has %g Hz): is this a second measurement? Give each ear and each seat a file of its own",
					points[n-1].line, points[n-1].v[0])
			}
		}
		points = append(points, p)
	}
	return points, nil
}

func (t *measuredText) point(r textRow) (p point, err error) {
	p.line = r.line
	cells := splitCells(r.text, t.sep)
	if len(cells) != t.columns {
		return p, t.refuse(r, "%d columns, the first row has %d", len(cells), t.columns)
	}
	for i, c := range cells {
		x, why := t.number(c, i)
		if why != "" {
			return p, t.refuse(textRow{r.line, c}, "%s", why)
		}
		p.v[i] = x
	}
	if t.kHz {
		p.v[0] = kilo(p.v[0])
	}
	return p, nil
}

// kilo is 1000·x, so that 0.1 gives 100 to the last digit.
func kilo(x float64) float64 {
	y, _ := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 15, 64)+"e3", 64)
	if strings.ContainsAny(strconv.FormatFloat(x, 'g', 15, 64), "eE") {
		return 1000 * x
	}
	return y
}

// number reads a cell of a column, with its unit if one stands there.
func (t *measuredText) number(c string, column int) (x float64, why string) {
	notNumber := fmt.Sprintf("column %d is not a number", column+1)
	c = strings.TrimSpace(c)
	behind := ""
	if m := cell.FindStringSubmatch(c); m != nil && m[2] != "" {
		c, behind = m[1], strings.ToLower(strings.TrimSpace(m[2]))
	}
	if m := thousands.FindStringSubmatch(c); m != nil {
		c = m[1] + strings.ReplaceAll(m[2], " ", "") + m[3]
	}
	if t.decimalComma {
		c = strings.Replace(c, ",", ".", 1)
	}
	x, ok := parseNumber(c)
	if !ok {
		return 0, notNumber
	}
	allowed := []string{"hz", "db", "deg"}[column]
	switch {
	case behind == "":
	case column == 0 && behind == "khz":
		x = kilo(x)
	case !unit.MatchString(behind), !strings.HasPrefix(strings.ReplaceAll(behind, "°", "deg"), allowed):
		return 0, fmt.Sprintf("column %d has the unit %q, allowed: %s", column+1, behind, []string{"Hz or kHz", "dB", "degrees"}[column])
	}
	return x, ""
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

// splitCells splits a row. Where spaces separate cells, a unit belongs to the number before it.
func splitCells(row string, sep byte) []string {
	if sep == ' ' {
		var cells []string
		for _, c := range strings.Fields(row) {
			if n := len(cells); n > 0 && unit.MatchString(c) && strings.ContainsAny(cells[n-1], "0123456789") {
				cells[n-1] += " " + c
				continue
			}
			cells = append(cells, c)
		}
		return cells
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
