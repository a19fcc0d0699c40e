package bench

import (
	"strconv"

	"cushwright/config"
)

// RecordRows is what is known of a cushion as an object: what, and its value, "" where it is not known.
func RecordRows(k config.Cushion) [][2]string {
	num := func(x *float64, unit string) string {
		if x == nil {
			return ""
		}
		return strconv.FormatFloat(*x, 'g', -1, 64) + " " + unit
	}
	return [][2]string{{"label", k.Label}, {"cover", k.Cover}, {"filling", k.Filling}, {"mass of the pair", num(k.MassG,
		"g")},
		{"thickness", num(k.ThicknessMM, "mm")}, {"clamped", num(k.ClampedMM, "mm")}, {"opening", num(k.OpeningMM,
			"mm")},
		{"opening width", num(k.OpeningWidthMM, "mm")}, {"clamping force", num(k.ClampN, "N")}, {"worn", num(k.Hours,
			"h")},
		{"in use since", k.Since}}
}
