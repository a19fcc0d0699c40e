package fit

import "math"

// WidthQ returns the Q of a bell whose points of half the gain (in dB) are that many octaves apart.
// Source: R. Bristow-Johnson, "Audio EQ Cookbook", W3C Note, 8 June 2021: 1/Q = 2·sinh(ln 2/2 · BW), analog prototype.
func WidthQ(octaves float64) float64 { return 1 / (2 * math.Sinh(math.Ln2/2*octaves)) }
