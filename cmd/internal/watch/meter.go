package watch

import (
	"fmt"
	"math"
	"strings"

	"cushwright/cmd/internal/words"
)

// The bars span 60 dB below full scale.
const (
	meterFloor = -60.0
	meterLead  = 10 // columns before a bar
	meterTail  = 22 // columns after it
)

func barWidth(width int) int { return max(0, width-meterLead-meterTail) }

// column is the place of a level on a bar of n columns, 0 to n.
func column(db float64, n int) int {
	return int(math.Round(max(0, min(1, 1-db/meterFloor)) * float64(n)))
}

// scale10 writes the levels above the bars, each where its column is.
func scale10(width int) string {
	n := barWidth(width)
	b := []byte(strings.Repeat(" ", meterLead+n+meterTail))
	step := 10.0
	if n < 36 {
		step = 20
	}
	for db := meterFloor; db <= 0; db += step {
		s := fmt.Sprintf("%.0f", db)
		copy(b[max(0, meterLead+column(db, n)-len(s)/2-1):], s)
	}
	copy(b[meterLead+n+3:], "dBFS now   dBTP")
	return string(b)
}

// meter draws a level as a bar, the true peak of the last seconds as a mark |, and the level and the largest true peak
// as figures.
func meter(name string, db, mark, largest float64, width int) string {
	n := barWidth(width)
	bar := []byte(strings.Repeat("=", column(db, n)) + strings.Repeat(".", n-column(db, n)))
	if at := column(mark, n); at > 0 {
		bar[at-1] = '|'
	}
	return fmt.Sprintf("%-*s%s  %s  %s", meterLead, name, bar, level(db), level(largest))
}

// level writes a level in dBFS, right-aligned.
func level(db float64) string { return fmt.Sprintf("%8s", words.Level(db)) }
