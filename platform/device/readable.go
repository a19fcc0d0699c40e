package device

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// longestName is how much of a device's name is shown, in runes.
const longestName = 200

// Readable makes a name that a device or another program gives itself fit to be shown on one line of a terminal, a log
// or a page: what is no printable character becomes a �, and a long name is cut.
func Readable(name string) string {
	var b strings.Builder
	for i, n := 0, 0; i < len(name); n++ {
		if n == longestName {
			b.WriteString("…")
			break
		}
		r, size := utf8.DecodeRuneInString(name[i:])
		if !unicode.IsPrint(r) {
			r = utf8.RuneError
		}
		b.WriteRune(r)
		i += size
	}
	return b.String()
}
