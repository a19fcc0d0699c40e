package config

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
)

// measuredText is a text of measured rows while it is read.
type measuredText struct {
	name     string
	rows     []textRow
	above    []textRow // headings and comments above the rows
	comments int
	percent  textRow // the first row with a comment behind a %, and how many there are
	percents int
	// Lines of numbers behind a semicolon: rows that are commented out, or that lack their frequency.
	semicolons []textRow
	count      string // a row count that stood above the rows

	sep          byte
	decimalComma bool
	columns      int
	at           [3]int // the columns of frequency, level and phase; -1 where there is no phase
	named        bool   // a heading has a name for each column
	kHz          bool   // the heading of the frequencies names kHz
	remarks      []string
}

type textRow struct {
	line    int
	text    string
	comment bool
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
	spaces  = strings.NewReplacer("\u00a0", " ", "\u202f", " ", "\u2009", " ", "\u2007", " ", "\u2212", "-", "\u2013", "-", "\u2019", "'")
	comment = regexp.MustCompile(`\s+(#|//|%|!).*$`)
	unit    = regexp.MustCompile(`(?i)^(khz|hz|hertz|dbspl|dbfs|dbv|dbu|dbr|dba|db\([abc]\)|db\(spl\)|db spl|db|degrees|degree|deg|°)$`)
	// Units that no column may have: named in the refusal.
	wrongUnit = regexp.MustCompile(`(?i)^([mµμu]?pa|[mµμu]?v|%|‰|rad|mhz|m?s|ohm|Ω|m?w)$`)
	// A number, and what may stand behind it.
	cell = regexp.MustCompile(`(?i)^([-+]?(?:\d[\d.,]*|[.,]\d+)(?:e[-+]?\d+)?|[-+]?(?:nan|inf|infinity))\s*([a-zµμΩ°()%‰].*)?$`)
	// Quotes around a cell: what is inside is one cell.
	quoted   = regexp.MustCompile(`(^|[,;\t ])("[^"]*"|'[^']*')`)
	unquoted = strings.NewReplacer(`"`, "", "'", "")
	// The apostrophe between thousands.
	thousandsMark    = regexp.MustCompile(`(\d)'(\d{3})\b`)
	beginsLikeNumber = regexp.MustCompile(`^[-+]?[.,]?\d`)
	date             = regexp.MustCompile(`^(\d{4}-\d{1,2}-\d{1,2}|\d{1,2}\.\d{1,2}\.\d{4})([T ]\s*\d{1,2}:\d\d.*)?$`)
	// A number whose thousands are set apart by spaces.
	thousands = regexp.MustCompile(`^([-+]?\d{1,3})((?: \d{3})+)([.,]\d+)?$`)
)

// endOfFile is a character that old systems write at the end of a text.
const endOfFile = "\x1a"

// readLines parts comments and headings from rows of numbers.
func (t *measuredText) readLines(text string) error {
	line := 0
	for len(text) > 0 {
		line++
		if line > maxMeasurementLines {
			return t.refuse(textRow{line: line}, "more than %d lines", maxMeasurementLines)
		}
		end, next := len(text), len(text)
		if i := strings.IndexAny(text, "\r\n"); i >= 0 {
			end, next = i, i+1
			if strings.HasPrefix(text[i:], "\r\n") {
				next++
			}
		}
		l := strings.Trim(strings.TrimSpace(spaces.Replace(text[:end])), endOfFile)
		text = text[next:]
		if len(l) > 4096 {
			return t.refuse(textRow{line: line, text: l[:60]}, "the line is longer than 4096 bytes")
		}
		if err := t.readLine(textRow{line: line, text: l}); err != nil {
			return err
		}
	}
	if len(t.rows) == 0 {
		return t.refuse(textRow{}, "no line of numbers")
	}
	if t.percents > 0 && 2*t.percents >= len(t.rows) {
		return t.refuse(t.percent, `"%%" stands behind the numbers: a level in dB is needed; if it begins a comment, write # instead`)
	}
	t.dropCount()
	return nil
}

// readLine sorts a line in: a row, a comment or a heading.
func (t *measuredText) readLine(r textRow) error {
	l := r.text
	if strings.Trim(l, ",;\t \"'") == "" {
		return nil // nothing, or the empty row of a table
	}
	if strings.ContainsRune("#*;%!", rune(l[0])) || strings.HasPrefix(l, "//") {
		t.comments++
		if l[0] == ';' && onlyNumbers(l) {
			t.semicolons = append(t.semicolons, r)
		}
		if len(t.rows) == 0 {
			r.comment = true
			t.above = append(t.above, r)
		}
		return nil
	}
	bare, percent := withoutComment(l)
	bare = thousandsMark.ReplaceAllString(thousandsMark.ReplaceAllString(bare, "$1$2"), "$1$2")
	if n := len(bare); n > 2 && (bare[0] == '"' || bare[0] == '\'') && strings.IndexByte(bare[1:], bare[0]) == n-2 {
		bare = strings.TrimSpace(bare[1 : n-1]) // a whole line in quotes
	}
	begins := beginsLikeNumber.MatchString(strings.TrimLeft(bare, `"' `))
	switch {
	case len(t.rows) == 0 && date.MatchString(bare):
		t.comments++
	case looksNumeric(bare) || onlyNumbers(unquoted.Replace(bare)):
		t.rows = append(t.rows, textRow{line: r.line, text: bare})
		if percent {
			t.percents++
			if t.percent.line == 0 {
				t.percent = r
			}
		}
	case len(t.rows) > 0 && strings.ContainsRune("\"'", rune(l[0])) && !begins:
		t.comments++ // a quoted remark
	case len(t.rows) > 0:
		// Headings stand before the numbers; a word among them is damage.
		return t.refuse(r, "neither numbers nor a comment")
	default:
		t.comments++
		t.above = append(t.above, textRow{line: r.line, text: bare})
	}
	return nil
}

// withoutComment cuts off what a row says behind its numbers. A % is a unit where no words follow it.
func withoutComment(l string) (bare string, percent bool) {
	i := comment.FindStringIndex(l)
	if i == nil {
		return l, false
	}
	if rest, ok := strings.CutPrefix(strings.TrimSpace(l[i[0]:]), "%"); ok {
		if rest = strings.TrimSpace(rest); rest == "" || strings.Contains("0123456789+-.,;\t\"'", rest[:1]) {
			return l, false
		}
		percent = true
	}
	return strings.TrimSpace(l[:i[0]]), percent
}

// looksNumeric reports whether every cell of a line is a number, with a unit or not, by some separator.
func looksNumeric(line string) bool {
	cells := splitCells(line, separatorOf(line))
	for i, c := range cells {
		m := cell.FindStringSubmatch(c)
		if m == nil && !(c == "" && i > 0) && !thousands.MatchString(c) {
			return false
		}
		if m != nil && m[2] != "" && (!isUnit(strings.TrimSpace(m[2])) || len(cells) == 1) {
			return false
		}
	}
	return len(cells) > 0
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
	if len(head) == 0 || len(head) > 2 || head[0] != strconv.Itoa(len(t.rows)-1) {
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
	row = masked(row)
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

// layout finds separator and columns from the first row and the heading, and the decimal mark from all rows.
func (t *measuredText) layout() error {
	first := t.rows[0]
	t.sep = separatorOf(first.text)
	t.columns = len(splitCells(first.text, t.sep))
	t.at = [3]int{0, 1, 2}
	if t.columns < 3 {
		t.at[2] = -1
	}
	if err := t.damaged(); err != nil {
		return err
	}
	if t.columns < 2 {
		return t.refuse(first, "%d columns, allowed: 2 or 3 (Hz, dB, degrees)", t.columns)
	}
	if err := t.heading(); err != nil {
		return err
	}
	if t.columns > 3 && !t.named {
		return t.refuse(first, "%d columns, allowed: 2 or 3 (Hz, dB, degrees), or a heading that names each%s", t.columns, t.commaHint())
	}
	return t.decimalMark()
}

// commaHint tells of the other meaning of commas.
func (t *measuredText) commaHint() string {
	if t.sep == ',' {
		return "; where the comma is the decimal mark, part the columns by semicolons or tabs"
	}
	return ""
}

// decimalMark finds it from all rows, and refuses commas that could be either.
func (t *measuredText) decimalMark() error {
	comma, point := textRow{}, textRow{}
	plain := t.sep == ',' && t.columns == 3 && !t.named
	for _, r := range t.rows {
		mask := masked(r.text)
		// "20, 80,5" could be two columns with decimal commas or three without: no guess.
		if t.sep == ',' && strings.Contains(mask, ", ") && tightComma(mask) {
			return t.refuse(r, "commas with and without spaces: separators or decimal commas")
		}
		cells := splitCells(r.text, t.sep)
		all := strings.Join(cells, " ")
		hasComma, hasPoint := strings.Contains(all, ","), strings.Contains(all, ".")
		switch {
		case hasComma && hasPoint:
			return t.refuse(r, "both decimal commas and decimal points")
		case hasComma && comma.line == 0:
			comma = r
		case hasPoint && point.line == 0:
			point = r
		}
		// A decimal point or a sign shows that what is before it is no decimal comma; quotes and spaces show it as well.
		if len(cells) == 3 && (strings.Contains(cells[1]+cells[2], ".") || strings.HasPrefix(cells[2], "-") || strings.HasPrefix(cells[2], "+") ||
			phaseUnit.MatchString(cells[2]) ||
			strings.Count(mask, ", ") == 2 || strings.Count(mask, "Q") > 0 && strings.Trim(mask, "Q,") == "") {
			plain = false
		}
	}
	if comma.line > 0 && point.line > 0 {
		later := comma
		if point.line > comma.line {
			later = point
		}
		return t.refuse(later, "both decimal commas and decimal points: line %d has the one, line %d the other", min(comma.line, point.line), later.line)
	}
	if plain {
		c := splitCells(t.rows[0].text, t.sep)
		return t.refuse(t.rows[0], "three columns (%s and %s and %s), or two with a decimal comma (%s and %s,%s)? For the first, write the heading "+
			"frequency,level,phase above the rows; for the second, part the columns by semicolons or tabs", c[0], c[1], c[2], c[0], c[1], c[2])
	}
	t.decimalComma = comma.line > 0
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
		return p, t.refuse(r, "%d columns, the first row has %d%s", len(cells), t.columns, t.commaHint())
	}
	for i, column := range t.at {
		if column < 0 {
			continue
		}
		x, why := t.number(cells[column], i, column)
		if why != "" {
			return p, t.refuse(textRow{line: r.line, text: cells[column]}, "%s", why)
		}
		p.v[i] = x
	}
	return p, nil
}

// kilo is 1000·x, so that 0.1 gives 100 to the last digit. What a program's arithmetic added to 12 digits is taken off.
func kilo(x float64) float64 {
	text := strconv.FormatFloat(x, 'e', 14, 64)
	short := strconv.FormatFloat(x, 'e', 11, 64)
	if r, _ := strconv.ParseFloat(short, 64); math.Abs(r-x) <= 5e-13*math.Abs(x) {
		text = short
	}
	digits, exponent, _ := strings.Cut(text, "e")
	e, _ := strconv.Atoi(exponent)
	y, _ := strconv.ParseFloat(digits+"e"+strconv.Itoa(e+3), 64)
	return y
}

// number reads a cell of a column, with its unit if one stands there. kind is 0 for Hz, 1 for dB, 2 for degrees.
func (t *measuredText) number(c string, kind, column int) (x float64, why string) {
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
	allowed := []string{"hz", "db", "deg"}[kind]
	switch {
	case behind == "" && kind == 0 && t.kHz, kind == 0 && behind == "khz":
		x = kilo(x)
	case behind == "", kind == 0 && behind == "hertz":
	case !unit.MatchString(behind), !strings.HasPrefix(strings.ReplaceAll(behind, "°", "deg"), allowed):
		return 0, fmt.Sprintf("column %d has the unit %q, allowed: %s", column+1, behind, []string{"Hz or kHz", "dB", "degrees"}[kind])
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

func isUnit(s string) bool { return unit.MatchString(s) || wrongUnit.MatchString(s) }

// masked is a row with Q for each byte of a quoted cell.
func masked(row string) string {
	if !strings.ContainsAny(row, `"'`) {
		return row
	}
	b := []byte(row)
	for _, i := range quoted.FindAllStringSubmatchIndex(row, -1) {
		for k := i[4]; k < i[5]; k++ {
			b[k] = 'Q'
		}
	}
	return string(b)
}

// splitCells splits a row. What stands in quotes is one cell. Where spaces separate cells, a unit belongs to the number
// before it.
func splitCells(row string, sep byte) []string {
	var cells []string
	mask := masked(row)
	add := func(from, to int) {
		c := strings.TrimSpace(row[from:to])
		if n := len(c); n > 1 && strings.Trim(mask[from:to], "Q ") == "" && (c[0] == '"' || c[0] == '\'') {
			c = strings.TrimSpace(c[1 : n-1])
		}
		if n := len(cells); sep == ' ' && n > 0 && strings.ContainsAny(cells[n-1], "0123456789") &&
			(isUnit(c) || strings.EqualFold(c, "spl") && strings.HasSuffix(strings.ToLower(cells[n-1]), "db")) {
			cells[n-1] += " " + c
			return
		}
		cells = append(cells, c)
	}
	from := 0
	for i := 0; i <= len(mask); i++ {
		if i < len(mask) && mask[i] != sep && !(sep == ' ' && mask[i] == '\t') {
			continue
		}
		if sep != ' ' || i > from {
			add(from, i)
		}
		from = i + 1
	}
	for n := len(cells); n > 2 && cells[n-1] == ""; n-- {
		cells = cells[:n-1] // separators at the end of the line
	}
	return cells
}
