package words

import (
	"fmt"
	"regexp"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Near is the one of the names that a mistyped text most likely means; "" where none is near.
func Near(text string, names []string) string {
	text = strings.ToLower(strings.TrimSpace(text))
	best, least := "", max(1, min(3, len(text)/3))+1
	for _, n := range names {
		d := edits(text, n)
		if len(text) >= 3 && strings.HasPrefix(n, text) {
			d = min(d, 1)
		}
		if d < least {
			best, least = n, d
		}
	}
	return best
}

// DidYouMean asks for the name that is near a mistyped text; "" where none is.
func DidYouMean(text string, names []string) string {
	if n := Near(text, names); n != "" {
		return fmt.Sprintf(" Did you mean %q?", n)
	}
	return ""
}

// edits is how many letters are to be put in, taken out, changed, or swapped with their neighbour to make b of a
// (optimal string alignment).
func edits(a, b string) int {
	var before []int
	last := make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row := make([]int, len(b)+1)
		row[0] = i
		for j := 1; j <= len(b); j++ {
			same := 1
			if a[i-1] == b[j-1] {
				same = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+same)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last = last, row
	}
	return last[len(b)]
}

var (
	prefix = regexp.MustCompile(`(?m)(^|: )(?:(?:cushwright|config|control|engine|live|platform|pulse|graph|mini|keys|` +
		`notify|soundfile|device|rig|dsp|curve|fit|sweep|plot|trial|loudness|drift|guard): )+`)
	readFile = regexp.MustCompile(`(?m)(^|: )read "([^"\n]+)": (line \d+: |[^\s:]+ is )`)
)

// Plain is a message as people read it: without the names of the packages that it went through, which the log keeps,
// each line beginning with a capital.
func Plain(message string) string {
	message = prefix.ReplaceAllString(message, "$1")
	message = readFile.ReplaceAllString(message, "$1$2: $3")
	lines := strings.Split(message, "\n")
	for i, l := range lines {
		lines[i] = Capital(l)
	}
	return strings.Join(lines, "\n")
}

// Capital begins a text with a capital, unless its first word is no word but a name: of a file, an option, a key.
func Capital(s string) string {
	first, _, _ := strings.Cut(s, " ")
	if strings.ContainsFunc(strings.TrimRight(first, ".,:;"), func(r rune) bool { return !unicode.IsLetter(r) }) {
		return s
	}
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	return string(unicode.ToUpper(r)) + s[n:]
}

// Sentence is an error that is said to people as it stands: whole sentences, with no package before them.
func Sentence(format string, args ...any) error { return sentence(fmt.Sprintf(format, args...)) }

type sentence string

func (s sentence) Error() string { return string(s) }
