// Package words writes numbers as people read them.
package words

import (
	"fmt"
	"math"
	"strings"
)

// Plural writes a count with its noun, whose plural ends in s.
func Plural(n uint64, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// Typed rounds to what is worth typing and writing: far below what can be heard or measured. step is 1 over a whole
// number.
func Typed(x, step float64) float64 {
	// Dividing by a whole number gives the nearest decimal fraction.
	n := math.Round(1 / step)
	return math.Round(x*n) / n
}

// Decimals writes a number with so many decimals, and zero without a sign.
func Decimals(x float64, n int) string {
	s := fmt.Sprintf("%.*f", n, x)
	if s[0] == '-' && strings.Trim(s, "-0.") == "" {
		return s[1:]
	}
	return s
}

// Short writes a number with at most so many decimals.
func Short(x float64, most int) string {
	s := Decimals(x, most)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// Signed writes a gain in dB with its sign and up to two decimals.
func Signed(x float64) string {
	s := Short(x, 2)
	if x > 0 && s != "0" {
		return "+" + s
	}
	return s
}

// SignedTenth writes a level with its sign and one decimal, never "-0.0".
func SignedTenth(x float64) string {
	return strings.Replace(fmt.Sprintf("%+.1f", x), "-0.0", "+0.0", 1)
}

// Sure writes a difference whose 95 % interval leaves zero out, and half of that interval: with one decimal, or with two
// where one would make either of them nothing.
func Sure(diff, half float64) (d, h string) {
	if math.Abs(diff) >= 0.05 && half >= 0.05 {
		return SignedTenth(diff), fmt.Sprintf("%.1f", half)
	}
	return fmt.Sprintf("%+.2f", diff), fmt.Sprintf("%.2f", math.Ceil(max(half, 0.01)*100-1e-9)/100)
}

// Arrow writes a change: from what was to what comes.
func Arrow(from, to string) string { return from + " → " + to }

// Level writes a level in dBFS with one decimal; so little that nothing is heard is "silent".
func Level(db float64) string {
	if db <= -120 {
		return "silent"
	}
	return fmt.Sprintf("%.1f", db)
}
