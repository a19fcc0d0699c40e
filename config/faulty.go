package config

import (
	"bytes"
	"reflect"
	"regexp"
	"slices"
	"strings"

	"github.com/spf13/viper"
)

// mostBlanked is how many lines of a file may be no TOML before the rest of it is left unread.
const mostBlanked = 20

// read reads the file as TOML and compares its keys with the type it is to be decoded into. A line that is no TOML is
// named and blanked, and the rest is read again, so that one fault hides no other. It returns nil where such a fault may
// be part of something larger: what follows would then be misread.
func (d *document) read(root reflect.Type) *viper.Viper {
	for {
		d.pos, d.tables, d.problems = map[string]position{}, map[string]int{}, slices.Clone(d.said)
		v := viper.NewWithOptions(viper.KeyDelimiter("\x00"))
		v.SetConfigType("toml")
		table, prefix := d.schema(root)
		err := v.ReadConfig(bytes.NewReader(d.src))
		if err == nil {
			return v
		}
		before := len(d.problems)
		d.syntax(err, table, prefix)
		if len(d.problems) != before+1 {
			return nil
		}
		p := d.problems[before]
		if len(d.blankLine) == mostBlanked || !d.blank(p.Line) {
			return nil
		}
		d.said = append(d.said, p)
	}
}

// keyLine is a line that holds one key and its value and nothing that goes on in the next line.
var keyLine = regexp.MustCompile(`^\s*[A-Za-z0-9_.-]+\s*[=: \t][^\[\]{}]*$`)

// blank turns a line into spaces. It reports whether that leaves the lines after it as they were.
func (d *document) blank(line int) bool {
	lines := bytes.SplitAfter(d.src, []byte("\n"))
	if line < 1 || line > len(lines) || slices.Contains(d.blankLine, line) {
		return false
	}
	text := strings.TrimRight(string(lines[line-1]), "\r\n")
	if !keyLine.MatchString(text) || strings.Contains(text, `"""`) || strings.Contains(text, "'''") {
		return false
	}
	copy(lines[line-1], bytes.Repeat([]byte(" "), len(text))) // lines are parts of src
	d.blankLine = append(d.blankLine, line)
	return true
}

// taken reports whether the values of the keys are those of the file, or defaults where it does not name them.
func (d *document) taken(keys ...string) bool {
	return !slices.ContainsFunc(keys, func(k string) bool { return d.unread[k] })
}

var commaNumber = regexp.MustCompile(`^[+−-]?[0-9]+,[0-9]+$`)

// decimalComma reports whether a value is a number with a decimal comma, in quotes or not, and returns it bare.
func decimalComma(value string) (number string, ok bool) {
	value, _, _ = strings.Cut(value, "#")
	number = strings.Trim(strings.TrimSpace(value), `"'`)
	return number, commaNumber.MatchString(number)
}

// withPoint says what is allowed in place of a number with a decimal comma.
func withPoint(allowed, number string) string {
	point := strings.NewReplacer(",", ".", "−", "-").Replace(number)
	if _, behind, _ := strings.Cut(number, ","); len(behind) == 3 {
		point += " or " + strings.NewReplacer(",", "", "−", "-").Replace(number)
	}
	return allowed + ", with a decimal point: write " + point
}
