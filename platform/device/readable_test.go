package device

import (
	"strings"
	"testing"
)

func TestReadable(t *testing.T) {
	for _, c := range [][2]string{
		{"Booth 2 headphones", "Booth 2 headphones"},
		{"Kabine für Dolmetscher", "Kabine für Dolmetscher"},
		{"../../etc/passwd", "../../etc/passwd"}, // text; it is never a path
		{"one\ntwo\r\x1b[31mred\x00", "one�two��[31mred�"},
		{"right-to-left \u202e override", "right-to-left � override"},
		{"\xff\xfe", "��"},
		{"", ""},
		{strings.Repeat("a", 10<<20), strings.Repeat("a", 200) + "…"},
	} {
		if got := Readable(c[0]); got != c[1] {
			t.Errorf("%.40q: %.300q, want %.300q", c[0], got, c[1])
		}
	}
}
