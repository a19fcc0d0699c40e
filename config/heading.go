package config

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
)

// kinds of columns, as a heading names them; the first three are the places of measuredText.at.
const (
	frequencyColumn = iota
	levelColumn
	phaseColumn
	otherColumn   // named, and none of ours
	unknownColumn // a word that says nothing
)

var (
	decibelName   = regexp.MustCompile(`(?i)\bdb`)
	phaseName     = regexp.MustCompile(`(?i)phase|\bdeg|°|winkel|^\W*phi\b|φ|\brad(ians?)?\b`)
	frequencyName = regexp.MustCompile(`(?i)freq|hz\b|hertz|^\W*f\W*$|rad/s`)
	levelName     = regexp.MustCompile(`(?i)spl|\blevel|magnitude|amplitude|pegel|\bgain|pressure|response`)
	otherName     = regexp.MustCompile(`(?i)coher|\bthd\b|distort|harmonic|delay|deviation`)
	linearName    = regexp.MustCompile(`(?i)(^|[^\pL])([mµμu]?pa|pascals?|[mµμu]?v|volts?|%|percent|ohms?|Ω|linear)($|[^\pL])`)
	timeName      = regexp.MustCompile(`(?i)^(time|samples?)\b|(^|[^\pL])(m?s|sec|seconds?|mhz)($|[^\pL])|rad/s`)
	radianName    = regexp.MustCompile(`(?i)\brad(ians?)?\b`)
	kilohertzName = regexp.MustCompile(`(?i)\bkhz\b`)
	reference     = regexp.MustCompile(`(?i)\b(re|ref|rel)\b\.?:?\s*(to\s*)?[\d.,]*\s*[mµμu]?(pa|v)\b`)
	unitAlone     = regexp.MustCompile(`^[^\d]{1,12}$`)
	phaseUnit     = regexp.MustCompile(`(?i)(deg|degrees?|°)$`)
	letters       = regexp.MustCompile(`[\pL%°]`)
	leftName      = regexp.MustCompile(`(?i)(^|[^\pL])(left|l|links|linke[rs]?)($|[^\pL])`)
	rightName     = regexp.MustCompile(`(?i)(^|[^\pL])(right|r|rechts|rechte[rs]?)($|[^\pL])`)
	longEarName   = regexp.MustCompile(`(?i)left|right|link|recht`)
	weightedName  = regexp.MustCompile(`(?i)\bdb ?\(?a\)?($|[^\pL])|a-weighted`)
	wideSpace     = regexp.MustCompile(`\s{2,}`)
	nameAndUnit   = regexp.MustCompile(`[^\s(\[]+(?:\s*[(\[][^)\]]*[)\]])?`)
	missing       = regexp.MustCompile(`(?i)^(nan|n/?a|-+|x|\?+|null|none|inf)$`)
	fraction      = regexp.MustCompile(`^\d+/\d+\s*\pL`)
)

// kindOf says what a cell of a heading names.
func kindOf(name string) int {
	switch {
	case otherName.MatchString(name):
		return otherColumn
	case decibelName.MatchString(name):
		return levelColumn
	case phaseName.MatchString(name) && !strings.Contains(name, "rad/s"):
		return phaseColumn
	case frequencyName.MatchString(name) && !levelName.MatchString(strings.ReplaceAll(strings.ToLower(name), "frequency response", "")):
		return frequencyColumn
	case levelName.MatchString(name), linearName.MatchString(name), leftName.MatchString(name), rightName.MatchString(name):
		return levelColumn
	}
	return unknownColumn
}

// damaged refuses lines above the rows, or behind semicolons, that are rows with a hole.
func (t *measuredText) damaged() error {
	for _, r := range t.above {
		cells := splitCells(r.text, t.sep)
		if r.comment || len(cells) < 2 || len(cells) > max(3, t.columns) {
			continue
		}
		begins := func(s string) bool {
			return beginsLikeNumber.MatchString(strings.TrimLeft(s, `"' `)) && !fraction.MatchString(s)
		}
		if begins(cells[0]) && (t.sep != ' ' || begins(cells[1]) || missing.MatchString(cells[1])) {
			return t.refuse(r, "a damaged row: it begins like a number, and not every cell is one. Mend it, or write # before it")
		}
	}
	for _, r := range t.semicolons {
		if t.sep == ';' && len(splitCells(r.text[1:], ';')) < t.columns {
			return t.refuse(r, "the frequency is missing before the semicolon. Mend the row, or write # before it")
		}
	}
	return nil
}

// names parts a heading into as many cells as there are columns; nil where that cannot be.
func (t *measuredText) names(r textRow) []string {
	texts := []string{r.text}
	if r.comment {
		texts = []string{strings.TrimSpace(strings.TrimLeft(r.text, "#*;%!/ ")), r.text}
	}
	for _, text := range texts {
		for _, sep := range []byte{t.sep, ';', '\t', ','} {
			if cells := splitCells(text, sep); len(cells) == t.columns {
				return cells
			}
		}
		for _, cells := range [][]string{wideSpace.Split(text, -1), nameAndUnit.FindAllString(text, -1)} {
			if len(cells) == t.columns {
				return cells
			}
		}
	}
	return nil
}

// mostHeadingLines is how far above the rows a heading is looked for.
const mostHeadingLines = 50

// headings finds what the last lines above the rows say of each column; units may stand in a line below the names.
// A comment counts where it has a word of ours for each column.
func (t *measuredText) headings() (names []string, line textRow) {
	found := 0
	for i, seen := len(t.above)-1, 0; i >= 0 && seen < mostHeadingLines; i-- {
		r := t.above[i]
		if !letters.MatchString(r.text) {
			continue // a rule below the heading
		}
		seen++
		cells := t.names(r)
		if cells == nil {
			continue
		}
		known, numbers, frequency, ears := 0, false, false, 0
		for _, c := range cells {
			c = strings.ReplaceAll(c, "_", " ")
			kind := kindOf(c)
			if kind != unknownColumn || c == "" {
				known++
			}
			frequency = frequency || kind == frequencyColumn
			numbers = numbers || beginsLikeNumber.MatchString(c)
			if leftName.MatchString(c) || rightName.MatchString(c) {
				ears++
			}
		}
		all := known == len(cells) && (frequency || ears > 1)
		// Further up only what is a heading beyond doubt counts.
		if numbers || (r.comment || names != nil || seen > 2) && !all || names != nil && seen > found+1 {
			continue
		}
		if names == nil {
			names, found = make([]string, len(cells)), seen
		}
		line = r
		for k, c := range cells {
			names[k] = strings.TrimSpace(strings.ReplaceAll(c, "_", " ") + " " + names[k])
		}
	}
	return names, line
}

// phaseUnsaid is the remark on a phase that no heading names.
const phaseUnsaid = "the third column is taken for phase in degrees, no heading says so"

// heading heeds what the lines above the rows say of the columns.
func (t *measuredText) heading() error {
	names, line := t.headings()
	if names == nil {
		if err := t.otherCount(); err != nil {
			return err
		}
		if t.at[2] >= 0 && !phaseUnit.MatchString(splitCells(t.rows[0].text, t.sep)[2]) {
			t.remarks = append(t.remarks, phaseUnsaid)
		}
		return nil
	}
	var columns [unknownColumn + 1][]int
	left, right := -1, -1
	for i, name := range names {
		columns[kindOf(name)] = append(columns[kindOf(name)], i)
		if leftName.MatchString(name) {
			left = i
		} else if rightName.MatchString(name) {
			right = i
		}
	}
	switch {
	case left >= 0 && right >= 0:
		return t.refuse(line, "the columns are two ears; give each ear a file of its own: column 1 and column %d for add --ear left, "+
			"column 1 and column %d for add --ear right", left+1, right+1)
	case len(columns[levelColumn]) > 1 && len(columns[frequencyColumn]) > 0, len(columns[frequencyColumn]) > 1, len(columns[phaseColumn]) > 1:
		many := slices.IndexFunc(columns[:3], func(c []int) bool { return len(c) > 1 })
		return t.refuse(line, "%d columns of %s; leave one of them in the file", len(columns[many]), []string{"frequencies", "levels", "phases"}[many])
	}
	if n := len(columns[unknownColumn]); len(columns[frequencyColumn]) == 1 && len(columns[levelColumn]) == 0 && t.columns > 2 {
		if n != 1 {
			return t.refuse(line, "which column is the level in dB? Write a heading of words like frequency, level, phase")
		}
		columns[levelColumn], columns[unknownColumn] = columns[unknownColumn], nil
	}
	t.assign(names, columns)
	if t.columns > 3 && !t.named {
		return nil // refused for its columns
	}
	if err := t.units(names, line); err != nil {
		return err
	}
	for _, ear := range []struct {
		at   int
		name string
	}{{left, "left"}, {right, "right"}} {
		// A letter alone may be the sign of a level.
		if ear.at >= 0 && longEarName.MatchString(names[ear.at]) {
			t.remarks = append(t.remarks, "the heading names the "+ear.name+" ear")
		}
	}
	return nil
}

// otherCount refuses rows below a heading that names more columns, or fewer.
func (t *measuredText) otherCount() error {
	if len(t.above) == 0 {
		return nil
	}
	r := t.above[len(t.above)-1]
	text := strings.TrimSpace(strings.TrimLeft(r.text, "#*;%!/ "))
	cells := splitCells(text, t.sep)
	if t.sep == ' ' {
		cells = nameAndUnit.FindAllString(text, -1)
	}
	var count [unknownColumn + 1]int
	left, right := false, false
	for _, c := range cells {
		c = strings.ReplaceAll(c, "_", " ")
		count[kindOf(c)]++
		left, right = left || leftName.MatchString(c), right || rightName.MatchString(c)
	}
	switch {
	case left && right && len(cells) == 2 && t.columns == 3:
		return t.refuse(r, "the columns are two ears; give each ear a file of its own: column 1 and column 2 or 3")
	case count[frequencyColumn] == 1 && count[levelColumn] == 1 && count[unknownColumn] == 0 && count[phaseColumn] < 2,
		count[frequencyColumn] == 1 && len(cells) == 2 && linearName.MatchString(cells[1]):
		return t.refuse(r, "the heading names %d columns, the rows have %d%s", len(cells), t.columns, t.commaHint())
	}
	return nil
}

// assign gives frequency, level and phase their columns: the ones that are named so, otherwise the usual ones.
func (t *measuredText) assign(names []string, columns [unknownColumn + 1][]int) {
	t.named = len(columns[frequencyColumn]) == 1 && len(columns[levelColumn]) == 1
	usual := t.at
	if t.named {
		t.at[2] = -1
		for kind := range t.at {
			if len(columns[kind]) == 1 {
				t.at[kind] = columns[kind][0]
			}
		}
	} else if t.columns == 3 && len(columns[phaseColumn]) == 0 {
		if i := columns[otherColumn]; len(i) == 1 && i[0] == 2 {
			t.at[2] = -1
		}
	}
	if t.at[0] != usual[0] || t.at[1] != usual[1] {
		t.remarks = append(t.remarks, "columns ordered by the heading")
	}
	for _, i := range slices.Concat(columns[otherColumn], columns[unknownColumn]) {
		if !slices.Contains(t.at[:], i) {
			t.remarks = append(t.remarks, fmt.Sprintf("the column %q left out", clip(names[i])))
		}
	}
	if t.at[2] >= 0 && kindOf(names[t.at[2]]) == unknownColumn {
		t.remarks = append(t.remarks, fmt.Sprintf("the third column %q is taken for phase in degrees", clip(names[t.at[2]])))
	}
}

// units refuses what is not in Hz, dB and degrees.
func (t *measuredText) units(names []string, line textRow) error {
	ordinals := []string{"first", "second", "third"}
	no := func(i int, needed string) error {
		which := fmt.Sprintf("column %d", i+1)
		if i < 3 {
			which = "the " + ordinals[i] + " column"
		}
		return t.refuse(line, "%s is headed %q; %s is needed", which, clip(names[i]), needed)
	}
	frequency, level := names[t.at[0]], names[t.at[1]]
	if timeName.MatchString(frequency) || decibelName.MatchString(frequency) && unitAlone.MatchString(frequency) {
		return no(t.at[0], "a frequency in Hz or kHz")
	}
	kind := kindOf(level)
	linear := !decibelName.MatchString(level) && linearName.MatchString(reference.ReplaceAllString(level, "")) &&
		(kindOf(frequency) == frequencyColumn || unitAlone.MatchString(level))
	if linear || kindOf(frequency) == frequencyColumn && kind != levelColumn && kind != unknownColumn {
		return no(t.at[1], "a level in dB")
	}
	if t.at[2] >= 0 && radianName.MatchString(names[t.at[2]]) {
		return no(t.at[2], "a phase in degrees")
	}
	if t.named {
		t.remarks = append(t.remarks, fmt.Sprintf("headed %q, %q", clip(frequency), clip(level)))
	}
	if weightedName.MatchString(level) {
		t.remarks = append(t.remarks, "the levels are A-weighted, says the heading")
	}
	if t.kHz = kilohertzName.MatchString(frequency); t.kHz {
		t.remarks = append(t.remarks, "scaled from kHz")
	}
	return nil
}

// What a third column without a name must do to be taken for the levels of a second ear: no phase follows a level so closely.
const (
	leastEarRows = 5
	leastEarDB   = 40.0
	mostEarDB    = 15.0
)

// secondEar refuses a third column that no heading names and that looks like levels, and a first one that counts the rows.
func (t *measuredText) secondEar(points []point) error {
	if t.at[2] < 0 || t.named || len(points) < leastEarRows {
		return nil
	}
	ear, counted := true, points[0].v[0] <= 1
	for i, p := range points {
		ear = ear && p.v[1] >= leastEarDB && math.Abs(p.v[2]-p.v[1]) <= mostEarDB
		counted = counted && (i == 0 || p.v[0] == points[i-1].v[0]+1 && p.v[1] > points[i-1].v[1])
	}
	switch {
	case ear:
		return t.refuse(t.rows[0], "the third column stays within %g of the levels: the levels of a second ear? Give each ear a file of its own, "+
			"or write a heading that names the phase", mostEarDB)
	case counted:
		return t.refuse(t.rows[0], "the first column counts the rows and the second rises: is the second the frequency? Write a heading "+
			"like row, frequency, level")
	}
	return nil
}
