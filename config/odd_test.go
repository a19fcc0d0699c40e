package config

import (
	"fmt"
	"strings"
	"testing"
)

// oddTexts is texts that could be misread in silence, with what each must give: the points and a part of what is said of them,
// or, behind "no", the line and a part of the reason. All data is invented.
var oddTexts = []struct{ name, text, want, says string }{
	{"comma, three whole numbers", "20,90,5\n25,89,4\n", "no 1", "decimal comma"},
	{"comma, later three cells", "20,90\n25,89,5\n", "no 2", "decimal mark"},
	{"comma, thousands point before", "1.000,90,5\n1.250,89,5\n", "no 1", "decimal comma"},
	{"comma, decimal point in the third", "20,90,5\n25,89,4.5\n", "20 90 5|25 89 4.5", "no heading says so"},
	{"comma, signed third", "20,90,5\n25,89,-4\n", "20 90 5|25 89 -4", "degrees"},
	{"comma, heading says phase", "Hz,dB,phase\n20,90,5\n25,89,4\n", "20 90 5|25 89 4", "degrees"},
	{"comma and blank", "20, 90, 5\n25, 89, 4\n", "20 90 5|25 89 4", "degrees"},
	{"quoted decimal comma", "\"20\",\"90,5\"\n\"25\",\"89,5\"\n", "20 90.5|25 89.5", "decimal comma"},
	{"quoted decimal comma behind semicolon", "\"20,0\";\"90,5\"\n\"25,0\";\"89,5\"\n", "20 90.5|25 89.5", "decimal comma"},
	{"quoted thousands comma", "\"1,000\",\"90.5\"\n\"1,250\",\"89.5\"\n", "no 1", "both decimal commas and decimal points"},
	{"quoted three", "\"20\",\"90\",\"5\"\n\"25\",\"89\",\"4\"\n", "20 90 5|25 89 4", "degrees"},
	{"line in quotes", "\"20;90,5\"\n\"25;89,5\"\n", "20 90.5|25 89.5", "semicolons"},
	{"quote left open", "\"20;90\n25;89\n26;89\n", "no 1", "column 1 is not a number"},
	{"first row without level", "Hz;dB\n20;\n25;89\n26;88\n", "no 2", "column 2"},
	{"first row damaged", "Hz;dB\n20;9x0\n25;89\n26;88\n", "no 2", "damaged"},
	{"first row damaged, spaces", "Hz dB\n20 9x0\n25 89\n26 88\n", "no 2", "damaged"},
	{"first frequency damaged", "Hz;dB\n2x0;90\n25;89\n26;88\n", "no 2", "damaged"},
	{"first row n/a", "20,n/a\n25,89\n26,88\n", "no 1", "damaged"},
	{"first row dashes", "20 --\n25 89\n26 88\n", "no 1", "column 2 is not a number"},
	{"frequency missing", "Hz;dB\n20;90\n;89\n26;88\n", "no 3", "frequency is missing"},
	{"quoted row damaged", "\"20\";\"90\"\n\"25\";\"8x9\"\n\"26\";\"88\"\n", "no 2", "neither numbers"},
	{"row commented out", "20;90\n;25;89\n26;88\n", "20 90|26 88", "1 comment lines"},
	{"per cent with blank", "20;90 %\n25;89 %\n", "no 1", `"%"`},
	{"per cent without blank", "20;90%\n25;89%\n", "no 1", `"%"`},
	{"per cent parted by spaces", "20 90 %\n25 89 %\n", "no 1", `"%"`},
	{"per cent in the heading", "Hz,%\n20,90\n25,89\n", "no 1", `"%"`},
	{"per cent comment", "20;90 % seat moved\n25;89\n26;88\n", "20 90|25 89|26 88", "Hz, dB"},
	{"pascal in cells, first row", "20;0.9 Pa\n25;0.8 Pa\n", "no 1", `"pa"`},
	{"pascal in cells, spaces", "20 0.9 Pa\n25 0.8 Pa\n", "no 1", `"pa"`},
	{"volt in the heading", "Hz,V\n20,0.9\n25,0.8\n", "no 1", `"V"`},
	{"pascal in brackets", "Frequency [Hz];Pressure [Pa]\n20;0.9\n25;0.8\n", "no 1", "Pressure [Pa]"},
	{"pascal in a commented heading", "# Hz, Pa\n20,0.9\n25,0.8\n", "no 1", `"Pa"`},
	{"level re 20 micropascal", "Hz,dB re 20 µPa\n20,90\n25,89\n", "20 90|25 89", `headed "Hz", "dB re 20 µPa"`},
	{"level re 20 micropascal, Greek mu", "Hz;Level (dB re 20 μPa)\n20;90\n25;89\n", "20 90|25 89", "Hz, dB"},
	{"level re 20 uPa", "Hz\tdB re 20 uPa\n20\t90\n25\t89\n", "20 90|25 89", "Hz, dB"},
	{"level dB SPL", "Hz,dB SPL\n20,90\n25,89\n", "20 90|25 89", "Hz, dB"},
	{"two ears", "frequency,left,right\n20,90,89\n25,89,88\n", "no 1", "two ears"},
	{"two ears L and R", "Hz;L;R\n20;90;89\n25;89;88\n", "no 1", "two ears"},
	{"two ears with units", "Hz;left dB;right dB\n20;90;89\n25;89;88\n", "no 1", "two ears"},
	{"two ears in brackets, spaces", "Freq(Hz) SPL(L) SPL(R)\n20 90 89\n25 89 88\n", "no 1", "two ears"},
	{"two ears, commented heading", "# frequency, left, right\n20, 90, 89\n25, 89, 88\n", "no 1", "two ears"},
	{"two ears above the units", "Frequency;Left;Right\nHz;dB;dB\n20;90;89\n25;89;88\n", "no 1", "two ears"},
	{"two ears unsaid", "20;90;89\n25;89;88\n31;88;89\n40;88;88\n50;89;90\n", "no 1", "second ear"},
	{"one ear", "Hz;left\n20;90\n25;89\n", "20 90|25 89", "the heading names the left ear"},
	{"two levels", "Hz;dB;dB\n20;90;1\n25;89;200\n", "no 1", "2 columns of levels"},
	{"third is coherence", "Hz;dB;coherence\n20;90;1\n25;89;0.9\n", "20 90|25 89", `the column "coherence" left out`},
	{"four with coherence", "Hz;dB;deg;coherence\n20;90;5;1\n25;89;4;0.9\n", "20 90 5|25 89 4", `the column "coherence" left out`},
	{"four unsaid", "20;90;5;1\n25;89;4;0.9\n", "no 1", "4 columns"},
	{"columns turned", "dB,Hz\n90,20\n89,25\n", "20 90|25 89", "columns ordered by the heading"},
	{"phase before level", "Freq (Hz);Phase (deg);SPL (dB)\n20;5;90\n25;4;89\n", "20 90 5|25 89 4", "columns ordered by the heading"},
	{"radians", "Hz;dB;rad\n20;90;0.5\n25;89;0.4\n", "no 1", `"rad"`},
	{"time", "time (s);amplitude\n0.1;0.5\n0.2;0.4\n", "no 1", "time"},
	{"kilohertz", "kHz;dB\n0.02;90\n0.0315;89\n", "20 90|31.5 89", "scaled from kHz"},
	{"kilohertz with noise", "kHz;dB\n0.020000000000000004;90\n2.3e-2;89\n1.1;88\n", "20 90|23 89|1100 88", "scaled from kHz"},
	{"kilohertz with more noise", "kHz;dB\n0.020000000000004;90\n23.999267578125;89\n", "20 90|23999.267578125 89", "scaled from kHz"},
	{"kilohertz twice", "kHz;dB\n0.02 kHz;90\n0.025 kHz;89\n", "20 90|25 89", "Hz, dB"},
	{"kilohertz in a commented heading", "# Freq (kHz)\tSPL (dB)\n0.02\t90\n0.025\t89\n", "20 90|25 89", "scaled from kHz"},
	{"capitals", "FREQUENCY [HZ];LEVEL [DB]\n20;90\n25;89\n", "20 90|25 89", "Hz, dB"},
	{"apostrophe in a comment", "# the rig's ear\n20;90\n# it's fine\n25;89\n", "20 90|25 89", "2 comment lines"},
	{"apostrophe in a trailing comment", "20;90 # it's fine\n25;89\n", "20 90|25 89", "Hz, dB"},
	{"apostrophe in a heading", "the rig's ear\n20;90\n25;89\n", "20 90|25 89", "Hz, dB"},
	{"thousands apostrophe", "500;90\n1'000;89\n", "500 90|1000 89", "Hz, dB"},
	{"quotes alone", "\"\"\n\"20\";\"90\"\n25;89\n", "20 90|25 89", "Hz, dB"},
	{"separators alone", ",,\n20,90,\n25,89,\n,,\n", "20 90|25 89", "Hz, dB"},
	{"several separators at the end", "20;90;;\n25;89;;\n", "20 90|25 89", "Hz, dB"},
	{"records above", "Points;31\nSample rate;48000\nDate;2026-01-02\n20;90\n25;89\n", "20 90|25 89", "3 comment lines"},
	{"a date above", "2026-01-02\n20;90\n25;89\n", "20 90|25 89", "1 comment lines"},
	{"minus signs", "20;\u22123.5\n25;\u22122\n", "20 -3.5|25 -2", "Hz, dB"},
	{"dash for minus", "20;\u20133.5\n25;\u20132\n", "20 -3.5|25 -2", "Hz, dB"},
	{"weighted", "Hz;dB(A)\n20;90\n25;89\n", "20 90|25 89", "A-weighted"},
	{"SPL re 20 micropascal without dB", "Hz;SPL re 20 µPa\n20;90\n25;89\n", "20 90|25 89", "Hz, dB"},
	{"letters for quantities", "f;L;phi\n20;90;5\n25;89;4\n", "20 90 5|25 89 4", "degrees; separated by semicolons; decimal point; UTF-8; 1 comment lines"},
	{"rule below the heading", "kHz  dB\n---  --\n0.02  90\n0.03  89\n", "20 90|30 89", "scaled from kHz"},
	{"free text above", "smoothing: none, drive: 1 V\n20,90\n25,89\n", "20 90|25 89", "1 comment lines"},
	{"free text with levels", "Sound level, left ear\n20,90\n25,89\n", "20 90|25 89", "the heading names the left ear"},
	{"range above", "20 Hz to 20 kHz\n20 90\n25 89\n", "20 90|25 89", "columns Hz, dB"},
	{"frequency and phase alone", "Hz;phase\n20;5\n25;4\n", "no 1", `"phase"; a level in dB is needed`},
	{"distortion", "Hz;THD (%)\n20;0.5\n25;0.4\n", "no 1", "a level in dB is needed"},
	{"tabs, comma, kilohertz in cells", "20 Hz\t90,5 dB\n1,25 kHz\t89,5 dB\n", "20 90.5|1250 89.5", "decimal comma"},
	{"exponents with comma", "2,0E+01;9,05E+01\n2,5E+01;8,9E+01\n", "20 90.5|25 89", "decimal comma"},
	{"two points in a number", "500;90\n1.000.000;89\n", "no 2", "not a number"},
	{"underscores", "freq_khz,level_db\n0.02,90\n0.03,89\n", "20 90|30 89", "scaled from kHz"},
	{"row numbers before", "index;Hz;dB\n1;20;90\n2;25;89\n", "20 90|25 89", `the column "index" left out`},
	{"third is named, no word of ours", "Hz,dB,Imag\n20,0.5,0.1\n25,0.4,0.1\n", "20 0.5|25 0.4", `the column "Imag" left out`},
	{"real and imaginary", "Freq,Real,Imag\n20,0.5,0.1\n25,0.4,0.1\n", "no 1", "which column is the level"},
	{"two channels", "Hz;Ch1;Ch2\n20;90;91\n25;89;90\n", "no 1", "which column is the level"},
	{"level by another word", "Hz;Wert;Phase\n20;90;5\n25;89;4\n", "20 90 5|25 89 4", `headed "Hz", "Wert"`},
	{"two ears in German", "Hz;Linke Seite;Rechte Seite\n20;90;91\n25;89;90\n", "no 1", "two ears"},
	{"two ears, frequency not named", "L R\n20 90 88\n25 89 88\n", "no 1", "two ears"},
	{"heading of two over rows of three", "Hz dB\n20 90 5\n25 89 4\n", "no 1", "the heading names 2 columns, the rows have 3"},
	{"heading of two over commas", "Hz,dB\n20,90,5\n25,89,4\n", "no 1", "decimal mark"},
	{"pascal over rows of three", "Hz Pa\n20 90 5\n25 89 4\n", "no 1", "the heading names 2 columns, the rows have 3"},
	{"commented heading further up", "# Hz;Pa\n#\n# seat 1\n# rig\n20;90\n25;89\n", "no 1", `"Pa"`},
	{"end of file mark", "20;90\n25;89\n\x1a", "20 90|25 89", "Hz, dB"},
	{"units say degrees", "20Hz,90dB,5deg\n25Hz,89dB,4deg\n", "20 90 5|25 89 4", "degrees"},
	{"level unit behind a comma", "20Hz,90,5dB\n25Hz,89,5dB\n", "no 1", "decimal comma"},
	{"quoted heading with commas", "\"Frequency, Hz\",\"Level, Pa\"\n20,90\n25,89\n", "no 1", "Level, Pa"},
	{"single quotes", "'20','90,5'\n'25','89,5'\n", "20 90.5|25 89.5", "decimal comma"},
	{"hexadecimal", "0x14;90\n25;89\n26;88\n", "no 1", "damaged"},
	{"spreadsheet line", "sep=;\n20;90\n25;89\n", "20 90|25 89", "Hz, dB"},
	{"time of day above", "2026-01-02 12:00:01\n20 90\n25 89\n", "20 90|25 89", "1 comment lines"},
	{"negative frequency", "-20;90\n25;89\n", "no 1", "frequencies of"},
	{"megahertz", "Frequency (MHz);dB\n20;90\n25;89\n", "no 1", "a frequency in Hz or kHz is needed"},
	{"row numbers unsaid", "1;20;90\n2;25;89\n3;31;88\n4;40;87\n5;50;86\n", "no 1", "counts the rows"},
	{"row numbers said as the refusal says", "row;frequency;level\n1;20;90\n2;25;89\n3;31;88\n4;40;87\n5;50;86\n", "20 90|25 89|31 88|40 87|50 86", `"row" left out`},
	{"spectrum in steps of 1 Hz", "1;60;9\n2;61;8\n3;60;7\n4;62;6\n5;63;5\n", "1 60 9|2 61 8|3 60 7|4 62 6|5 63 5", "degrees"},
	{"missing phase", "Hz;dB;deg\n20;90;\n25;89;4\n", "no 1", "the heading names 3 columns, the rows have 2"},
	{"metadata and numbers between", "Hz;dB\nRow;12\n20;90\n25;89\n", "20 90|25 89", "Hz, dB"},
	{"units with blanks", "20 Hz;90 dB SPL\n1 kHz;89 dB SPL\n", "20 90|1000 89", "Hz, dB"},
}

// TestOddTexts: nothing is misread in silence.
func TestOddTexts(t *testing.T) {
	for _, c := range oddTexts {
		got, says := verdictOf(c.text)
		if got != c.want || !strings.Contains(says, c.says) {
			t.Errorf("%s: %s (%s); want %s (%s)", c.name, got, says, c.want, c.says)
		}
	}
}

// verdictOf is what becomes of a text, and what is said of it.
func verdictOf(text string) (got, says string) {
	m, understood, err := ParseMeasurement([]byte(text), "rig.txt")
	if err != nil {
		p, _ := err.(*Problem)
		return fmt.Sprint("no ", p.Line), err.Error()
	}
	var rows []string
	for i, f := range m.FreqHz {
		row := fmt.Sprint(f, " ", m.LevelDB[i])
		if m.PhaseDeg != nil {
			row += fmt.Sprint(" ", m.PhaseDeg[i])
		}
		rows = append(rows, row)
	}
	return strings.Join(rows, "|"), understood
}
