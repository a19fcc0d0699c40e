package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/curve"
	"cushwright/dsp/plot"
)

func (a *app) compareCommand() *cobra.Command {
	var asJSON, align bool
	var png, svg, since string
	c := &cobra.Command{Use: "compare REF NEW | compare NAME --since DAY", Short: "what a swap changes, and whether it is more than seating scatter; or how one cushion has aged",
		Args: func(c *cobra.Command, args []string) error {
			if c.Flags().Changed("since") {
				return cobra.ExactArgs(1)(c, args)
			}
			return cobra.ExactArgs(2)(c, args)
		},
		Long: `Compares the seats of two cushions. Each octave band and each range is judged by itself: its 95 % interval is that of the
change printed beside it. So of twenty bands that did not change, about one is called real by chance. The verdict on the whole
allows for that: it calls equal cushions different in 5 of 100 cases. The sensitivity is one figure for both ears.
The exit code is 1 if seats disagree: seat again, then compare again.

With --align, each seat's own level (200 Hz to 4 kHz) is taken out first, and shapes are compared.

With --since, the latest seats of one cushion are set against the first ones since that day: how it has drifted, whether that is
beyond scatter, and whether corrections should be derived again. The exit code is 1 if it has drifted or the seats are too few to tell.`,
		RunE: func(c *cobra.Command, args []string) error {
			if c.Flags().Changed("since") {
				return a.aged(c, args[0], since, asJSON)
			}
			snap, err := a.open()
			if err != nil {
				return err
			}
			ref, err := readSeats(snap, args[0])
			if err != nil {
				return err
			}
			new, err := readSeats(snap, args[1])
			if err != nil {
				return err
			}
			cmp, err := compare(snap, ref, new, align)
			if err != nil {
				return err
			}
			for file, draw := range map[string]func(*plot.Plot, io.Writer) error{png: (*plot.Plot).PNG, svg: (*plot.Plot).SVG} {
				if file == "" {
					continue
				}
				if err := writePlot(file, cmp.plot(), draw); err != nil {
					return err
				}
			}
			warn(c, cmp.Warnings)
			if asJSON {
				err = writeJSON(c, cmp)
			} else {
				err = printTo(c, cmp.print)
			}
			if err == nil && len(cmp.Outliers) > 0 {
				err = answerNo{fmt.Errorf("cushwright: compare %q with %q: %s the others, seat again", ref.name, new.name,
					map[bool]string{true: "a seat disagrees with", false: "seats disagree with"}[len(cmp.Outliers) == 1])}
			}
			return err
		}}
	f := c.Flags()
	f.BoolVar(&align, "align", false, "take the difference in level out first: for seats measured at different gains")
	f.StringVar(&png, "png", "", "write a plot to this PNG file")
	f.StringVar(&svg, "svg", "", "write a plot to this SVG file")
	f.StringVar(&since, "since", "", "how one cushion has drifted since that day, YYYY-MM-DD")
	f.BoolVar(&asJSON, "json", false, "print JSON")
	for _, other := range []string{"align", "png", "svg"} {
		c.MarkFlagsMutuallyExclusive("since", other)
	}
	return c
}

// writeJSON prints v to the command's output.
func writeJSON(c *cobra.Command, v any) error {
	e := json.NewEncoder(c.OutOrStdout())
	e.SetIndent("", "  ")
	return e.Encode(v)
}

// printTo lets f print to the command's output.
func printTo(c *cobra.Command, f func(w io.Writer)) error {
	w := bufio.NewWriter(c.OutOrStdout())
	f(w)
	return w.Flush()
}

// warn prints messages.
func warn(c *cobra.Command, messages []string) {
	for _, m := range messages {
		fmt.Fprintln(c.ErrOrStderr(), "note:", m)
	}
}

var ears = []dsp.Ear{dsp.Left, dsp.Right}

// measured is what the seats of a cushion say, by ear; an ear without seats is missing.
type measured struct {
	name  string
	refs  map[dsp.Ear][]config.SeatRef
	means map[dsp.Ear]curve.Average
}

func (m measured) seats() (n int) {
	for _, r := range m.refs {
		n += len(r)
	}
	return n
}

// readSeats reads and averages the seats of one cushion, and of no other.
func readSeats(snap *config.Snapshot, name string) (measured, error) {
	return readChosen(snap, config.Bench{Dir: snap.Dir}, name, nil)
}

// readChosen reads and averages those seats in a bench that keep accepts (nil: all).
func readChosen(snap *config.Snapshot, bench config.Bench, name string, keep func(config.Seat) bool) (measured, error) {
	m := measured{name, map[dsp.Ear][]config.SeatRef{}, map[dsp.Ear]curve.Average{}}
	fail := func(err error) (measured, error) {
		return m, fmt.Errorf("cushwright: read the seats of %q: %w", name, err)
	}
	if err := config.CheckName(name); err != nil {
		return fail(err)
	}
	refs, err := bench.Seats(name)
	if err != nil {
		return m, err
	}
	if len(refs) == 0 {
		if _, ok := snap.Cushion(name); !ok {
			return fail(fmt.Errorf("unknown cushion, the bench has: %s", strings.Join(snap.CushionNames(), ", ")))
		}
		return fail(errors.New("it was never measured: take a measurement in with add"))
	}
	curves := map[dsp.Ear][]curve.Curve{}
	for _, r := range refs {
		s, err := bench.LoadSeat(r)
		if err != nil {
			return m, err
		}
		if keep != nil && !keep(s) {
			continue
		}
		k, err := curve.FromPoints(s.FreqHz, s.LevelDB)
		if err != nil {
			return fail(fmt.Errorf("%s: %w", r.File, err))
		}
		m.refs[r.Ear] = append(m.refs[r.Ear], r)
		curves[r.Ear] = append(curves[r.Ear], k)
	}
	for e, k := range curves {
		if m.means[e], err = curve.Mean(k); err != nil {
			return fail(fmt.Errorf("%s ear: %w", e, err))
		}
	}
	return m, nil
}

// outliers names the seats that disagree with the others, judged as one of so many cushions.
func (m measured) outliers(cushions int) (out []outlier) {
	var there []dsp.Ear
	var means []curve.Average
	for _, e := range ears {
		if a, ok := m.means[e]; ok {
			there, means = append(there, e), append(means, a)
		}
	}
	for _, o := range curve.Outliers(cushions, means...) {
		out = append(out, outlier{m.refs[there[o.Ear]][o.Seat].File, o.Leak, o.DevDB, o.Reason})
	}
	return out
}

type outlier struct {
	Seat   string  `json:"seat"`
	Leak   bool    `json:"leak"`
	DevDB  float64 `json:"dev_db"`
	Reason string  `json:"reason"`
}

// bandRow is one band of a comparison. A confidence that is not known is null.
type bandRow struct {
	Band    string   `json:"band"`
	LowHz   float64  `json:"low_hz"`
	HighHz  float64  `json:"high_hz"`
	RefDB   float64  `json:"reference_db"`
	NewDB   float64  `json:"new_db"`
	DiffDB  float64  `json:"difference_db"`
	Half95  *float64 `json:"confidence95_db"`
	Verdict string   `json:"verdict"`
	Caution string   `json:"caution,omitempty"`
}

func rowOf(b curve.Band) bandRow {
	r := bandRow{Band: b.Label, LowHz: b.LowHz, HighHz: b.HighHz, RefDB: b.RefDB, NewDB: b.NewDB, DiffDB: b.DiffDB, Verdict: b.Verdict, Caution: b.Caution}
	if b.HasHalf && !math.IsInf(b.Half95DB, 0) {
		r.Half95 = &b.Half95DB
	}
	return r
}

func rowsOf(bands []curve.Band) []bandRow {
	out := []bandRow{}
	for _, b := range bands {
		out = append(out, rowOf(b))
	}
	return out
}

type earComparison struct {
	Ear            dsp.Ear   `json:"ear"`
	ReferenceSeats int       `json:"reference_seats"`
	NewSeats       int       `json:"new_seats"`
	LowHz          float64   `json:"low_hz"`
	HighHz         float64   `json:"high_hz"`
	Octaves        []bandRow `json:"octaves"`
	Ranges         []bandRow `json:"ranges"`   // bass, middle, treble: what was measured of them
	LevelDB        float64   `json:"level_db"` // of this ear's change, 200 Hz to 4 kHz, before any alignment
	LevelHalf95    *float64  `json:"level_confidence95_db"`
	SensitivityDB  float64   `json:"sensitivity_db"` // that of the comparison, for both ears

	diff curve.Diff
}

type imbalance struct {
	Cushion     string    `json:"cushion"`
	LevelDB     float64   `json:"level_db"` // right − left
	LevelHalf95 *float64  `json:"level_confidence95_db"`
	Octaves     []bandRow `json:"octaves"` // reference: left; new: right
	Whole       whole     `json:"whole"`
}

// whole is the verdict on all octave bands of a comparison together.
type whole struct {
	Verdict  string  `json:"verdict"`
	P        float64 `json:"p"`              // chance of bands as far apart where nothing differs; 1 if unknown
	Bands    int     `json:"bands"`          // how many octave bands were judged, each by itself
	ByChance float64 `json:"real_by_chance"` // how many of them are called real by chance where nothing differs
}

func wholeOf(ears ...curve.Diff) whole {
	w := whole{Verdict: curve.Unknown, P: curve.Anything(ears...)}
	for _, d := range ears {
		for _, b := range d.Octaves() {
			if b.HasHalf {
				w.Bands++
			}
		}
	}
	if w.Bands > 0 {
		w.ByChance, w.Verdict = 0.05*float64(w.Bands), curve.Scatter
		if w.P < 0.05 {
			w.Verdict = curve.Real
		}
	}
	return w
}

type comparison struct {
	Reference config.Cushion `json:"reference"`
	New       config.Cushion `json:"new"`
	Aligned   bool           `json:"aligned"`
	Whole     whole          `json:"whole"`
	// By how much the new cushion is louder, for both ears together, before any alignment.
	SensitivityDB     float64         `json:"sensitivity_db"`
	SensitivityHalf95 *float64        `json:"sensitivity_confidence95_db"`
	Ears              []earComparison `json:"ears"`
	Imbalance         []imbalance     `json:"imbalance"`
	Outliers          []outlier       `json:"outliers"`
	Warnings          []string        `json:"warnings"`
}

func compare(snap *config.Snapshot, ref, new measured, align bool) (comparison, error) {
	cmp := comparison{Aligned: align, Imbalance: []imbalance{}, Warnings: []string{}}
	for to, m := range map[*config.Cushion]measured{&cmp.Reference: ref, &cmp.New: new} {
		k, ok := snap.Cushion(m.name)
		if !ok {
			k.Name = m.name
		}
		*to = k
	}
	cushions := []measured{ref, new}
	if new.name == ref.name {
		cushions = cushions[:1]
	}
	cmp.Outliers = []outlier{}
	for _, m := range cushions {
		cmp.Outliers = append(cmp.Outliers, m.outliers(len(cushions))...)
	}
	var measuredDiffs, diffs []curve.Diff
	for _, e := range ears {
		r, ok1 := ref.means[e]
		n, ok2 := new.means[e]
		switch {
		case !ok1 && !ok2:
			continue
		case !ok1 || !ok2:
			who := map[bool]string{true: new.name, false: ref.name}[ok1]
			cmp.Warnings = append(cmp.Warnings, fmt.Sprintf("the %s ear is left out: %s was not measured there", e, who))
			continue
		}
		d := curve.Difference(r, n)
		level := d.Level
		measuredDiffs = append(measuredDiffs, d)
		if align {
			d = d.Aligned()
		}
		diffs = append(diffs, d)
		k := earComparison{Ear: e, ReferenceSeats: len(r.Seats), NewSeats: len(n.Seats), LowHz: d.LowHz, HighHz: d.HighHz, Octaves: rowsOf(d.Octaves()),
			Ranges: rowsOf(d.Ranges()), LevelDB: level.Value, LevelHalf95: known95(level.Half95()), diff: d}
		cmp.Ears = append(cmp.Ears, k)
		for _, w := range d.CouplerWarnings() {
			if !slices.Contains(cmp.Warnings, w) {
				cmp.Warnings = append(cmp.Warnings, w)
			}
		}
	}
	if len(cmp.Ears) == 0 {
		return cmp, fmt.Errorf("cushwright: compare %q with %q: no ear was measured with both", ref.name, new.name)
	}
	cmp.Whole = wholeOf(diffs...)
	louder := curve.Sensitivity(measuredDiffs...)
	cmp.SensitivityDB, cmp.SensitivityHalf95 = louder.Value, known95(louder.Half95())
	for i := range cmp.Ears {
		cmp.Ears[i].SensitivityDB = louder.Value
	}
	for _, m := range cushions {
		l, ok1 := m.means[dsp.Left]
		r, ok2 := m.means[dsp.Right]
		if ok1 && ok2 {
			d := curve.Difference(l, r)
			cmp.Imbalance = append(cmp.Imbalance, imbalance{m.name, d.Level.Value, known95(d.Level.Half95()), rowsOf(d.Octaves()), wholeOf(d)})
		}
	}
	return cmp, nil
}

// confidence writes the half-width of a 95 % interval.
func confidence(half *float64) string {
	if half == nil {
		return "   ?  "
	}
	return fmt.Sprintf("±%5.1f", *half)
}

func (cmp comparison) print(w io.Writer) {
	fmt.Fprintf(w, "%s -> %s: what the swap changes, in dB\n", cmp.Reference.Name, cmp.New.Name)
	if cmp.Aligned {
		fmt.Fprintln(w, "(each seat's own level was taken out first)")
	}
	for _, k := range cmp.Ears {
		fmt.Fprintf(w, "\n%s ear, %d and %d seats, %.0f Hz to %.0f Hz\n", k.Ear, k.ReferenceSeats, k.NewSeats, k.LowHz, k.HighHz)
		fmt.Fprintf(w, "  %6s  %6s  %6s  %6s  %6s  verdict\n", "band", "before", "after", "change", "95 %")
		odd := false
		for _, r := range k.Octaves {
			mark := ""
			if r.Caution != "" {
				mark, odd = " *", true
			}
			fmt.Fprintf(w, "  %6s  %6.1f  %6.1f  %+6.1f  %s  %s%s\n", r.Band, r.RefDB, r.NewDB, r.DiffDB, confidence(r.Half95), r.Verdict, mark)
		}
		if odd {
			fmt.Fprintln(w, "  * where the rig is no ear, see the notes")
		}
		for _, r := range k.Ranges {
			fmt.Fprintf(w, "  %-12s %+6.1f dB %s  %s (%.0f Hz to %.0f Hz)\n", r.Band, r.DiffDB, confidence(r.Half95), r.Verdict, r.LowHz, r.HighHz)
		}
		if len(cmp.Ears) > 1 {
			fmt.Fprintf(w, "  %-12s %+6.1f dB %s  (200 Hz to 4 kHz)\n", "level", k.LevelDB, confidence(k.LevelHalf95))
		}
	}
	fmt.Fprintf(w, "\nsensitivity %+.1f dB %s\n", cmp.SensitivityDB, confidence(cmp.SensitivityHalf95))
	cmp.Whole.print(w)
	for i, m := range cmp.Imbalance {
		if i == 0 {
			fmt.Fprintln(w, "\nleft against right (right - left)")
		}
		var real []string
		for _, r := range m.Octaves {
			if r.Verdict == curve.Real {
				real = append(real, fmt.Sprintf("%s %+.1f", r.Band, r.DiffDB))
			}
		}
		if real == nil {
			real = []string{"none"}
		}
		fmt.Fprintf(w, "  %-14s level %+.1f dB %s; as a whole %s; octave bands with a real difference: %s\n", m.Cushion, m.LevelDB,
			confidence(m.LevelHalf95), m.Whole.Verdict, strings.Join(real, ", "))
	}
	cmp.printRecords(w)
	if len(cmp.Outliers) > 0 {
		fmt.Fprintln(w, "\nseats that disagree with the others")
	}
	for _, o := range cmp.Outliers {
		fmt.Fprintf(w, "  %s: %s\n", o.Seat, o.Reason)
	}
}

func (v whole) print(w io.Writer) {
	if v.Bands == 0 {
		fmt.Fprintf(w, "as a whole: %s\n", v.Verdict)
		return
	}
	chance := fmt.Sprintf("%.2g", v.P)
	if v.P < 0.001 {
		chance = "below 0.001"
	}
	fmt.Fprintf(w, "as a whole: %s (chance of bands as far apart between equal cushions: %s)\n", v.Verdict, chance)
	fmt.Fprintf(w, "each band is judged by itself: of these %d, %.1f are called real by chance where nothing changed\n", v.Bands, v.ByChance)
}

// recordRows is what is known of a cushion as an object: what, and its value, "" where it is not known.
func recordRows(k config.Cushion) [][2]string {
	num := func(x *float64, unit string) string {
		if x == nil {
			return ""
		}
		return strconv.FormatFloat(*x, 'g', -1, 64) + " " + unit
	}
	return [][2]string{{"label", k.Label}, {"cover", k.Cover}, {"filling", k.Filling}, {"mass of the pair", num(k.MassG, "g")},
		{"thickness", num(k.ThicknessMM, "mm")}, {"clamped", num(k.ClampedMM, "mm")}, {"opening", num(k.OpeningMM, "mm")},
		{"opening width", num(k.OpeningWidthMM, "mm")}, {"clamping force", num(k.ClampN, "N")}, {"worn", num(k.Hours, "h")},
		{"in use since", k.Since}}
}

// printRecords prints what is known of the cushions as objects, side by side.
func (cmp comparison) printRecords(w io.Writer) {
	width := len([]rune(cmp.Reference.Name))
	ref, new := recordRows(cmp.Reference), recordRows(cmp.New)
	for _, r := range ref {
		width = max(width, len([]rune(r[1])))
	}
	fmt.Fprintf(w, "\n  %-16s  %-*s  %s\n", "record", width, cmp.Reference.Name, cmp.New.Name)
	for i := range ref {
		a, b := ref[i][1], new[i][1]
		if a == "" && b == "" {
			continue
		}
		if a == "" {
			a = "?"
		}
		if b == "" {
			b = "?"
		}
		fmt.Fprintf(w, "  %-16s  %-*s  %s\n", ref[i][0], width, a, b)
	}
	for _, k := range []config.Cushion{cmp.Reference, cmp.New} {
		if k.Notes != "" {
			fmt.Fprintf(w, "  %s: %s\n", k.Name, k.Notes)
		}
	}
}

// plotSmooth is the smoothing of the drawn difference, in parts of an octave.
const plotSmooth = 12

func (cmp comparison) plot() *plot.Plot {
	p := &plot.Plot{Title: cmp.New.Name + " against " + cmp.Reference.Name,
		Note: fmt.Sprintf("new - reference, smoothed to 1/%d octave; shaded: 95 %% band of the difference. Below 100 Hz and above 10 kHz a coupler is no ear.", plotSmooth)}
	for _, k := range cmp.Ears {
		l := plot.Line{Name: k.Ear.String(), LevelDB: k.diff.Smooth(plotSmooth).LevelDB}
		half := k.diff.SmoothedHalf95DB(plotSmooth)
		grid := curve.Grid()
		from, to := curve.Index(k.LowHz), curve.Index(k.HighHz)+1
		l.FreqHz, l.LevelDB = grid[from:to], l.LevelDB[from:to]
		for i, v := range l.LevelDB {
			if half != nil {
				l.LowDB, l.HighDB = append(l.LowDB, v-half[from+i]), append(l.HighDB, v+half[from+i])
			}
		}
		p.Lines = append(p.Lines, l)
	}
	return p
}

// goal says what a correction is to bring the new cushion back to.
type goal struct {
	reference, wanted string
	read              func(snap *config.Snapshot, name string) (measured, error) // nil: readSeats
}

func (g goal) name() string {
	if g.wanted != "" {
		return g.wanted
	}
	return g.reference
}

func (g *goal) flags(c *cobra.Command) {
	c.Flags().StringVar(&g.reference, "reference", "", "the cushion whose sound is wanted (default: the reference of settings.toml)")
	c.Flags().StringVar(&g.wanted, "wanted", "", "a wanted response, wanted/NAME.csv, in place of a reference cushion")
	c.MarkFlagsMutuallyExclusive("reference", "wanted")
}

// differences compares the new cushion with the goal, ear by ear.
func (g *goal) differences(snap *config.Snapshot, name string) (diffs map[dsp.Ear]curve.Diff, new, ref measured, notes []string, err error) {
	fail := func(err error) error { return fmt.Errorf("cushwright: correct %q: %w", name, err) }
	if g.reference == "" && g.wanted == "" {
		g.reference = snap.Settings.Reference
	}
	switch {
	case g.name() == "":
		return nil, new, ref, nil, fail(errors.New("say towards what, by --reference or --wanted"))
	case g.reference == name:
		return nil, new, ref, nil, fail(errors.New("it is the reference itself"))
	}
	read := readSeats
	if g.read != nil {
		read = g.read
	}
	if new, err = read(snap, name); err != nil {
		return
	}
	diffs = map[dsp.Ear]curve.Diff{}
	if g.wanted != "" {
		want, err := wantedCurve(snap, g.wanted)
		if err != nil {
			return nil, new, ref, nil, err
		}
		off, err := calibration(snap)
		if err != nil {
			return nil, new, ref, nil, err
		}
		if off == nil {
			notes = append(notes, "no calibration of the rig is set: against a wanted response its own response does not cancel")
		}
		for _, e := range ears {
			n, ok := new.means[e]
			if !ok {
				continue
			}
			if off != nil {
				raw := n.Seats
				seats := make([]curve.Curve, len(raw))
				for i := range raw {
					seats[i] = raw[i].Minus(*off)
				}
				if n, err = curve.Mean(seats); err != nil {
					return nil, new, ref, nil, fail(err)
				}
			}
			diffs[e] = curve.Difference(want, n)
		}
	} else {
		if ref, err = read(snap, g.reference); err != nil {
			return
		}
		for _, e := range ears {
			r, ok1 := ref.means[e]
			n, ok2 := new.means[e]
			if ok1 && ok2 {
				diffs[e] = curve.Difference(r, n)
			}
		}
		if len(diffs) == 0 {
			return nil, new, ref, nil, fail(fmt.Errorf("no ear was measured with both it and %s", g.reference))
		}
	}
	for _, e := range ears {
		d, ok := diffs[e]
		if !ok {
			notes = append(notes, fmt.Sprintf("the %s ear was not measured with both", e))
			continue
		}
		if d.Half95DB == nil {
			notes = append(notes, fmt.Sprintf("%s ear: a single seat tells nothing of the scatter, so every detail is believed; three seats and more are better", e))
		}
		if d.LowHz >= d.HighHz {
			return nil, new, ref, nil, fail(fmt.Errorf("%s ear: no range of frequencies was measured with both", e))
		}
	}
	for _, o := range append(ref.outliers(2), new.outliers(2)...) {
		notes = append(notes, o.Seat+": "+o.Reason)
	}
	return diffs, new, ref, notes, nil
}

// wantedCurve reads a wanted response. It has no scatter: two seats that agree in everything say so.
func wantedCurve(snap *config.Snapshot, name string) (curve.Average, error) {
	if err := config.CheckName(name); err != nil {
		return curve.Average{}, fmt.Errorf("cushwright: read wanted response %q: %w", name, err)
	}
	s, err := snap.Wanted(name)
	if err != nil {
		return curve.Average{}, err
	}
	k, err := curve.FromPoints(s.FreqHz, s.LevelDB)
	if err != nil {
		return curve.Average{}, fmt.Errorf("cushwright: read wanted response %q: %w", name, err)
	}
	return curve.Mean([]curve.Curve{k, k})
}

// calibration reads the rig's calibration file; nil where none is set.
func calibration(snap *config.Snapshot) (*curve.Curve, error) {
	file := snap.Settings.Rig.Calibration
	if file == "" {
		return nil, nil
	}
	if !filepath.IsAbs(file) {
		file = filepath.Join(snap.Dir, file)
	}
	m, _, err := config.ReadMeasurement(file)
	if err != nil {
		return nil, err
	}
	k, err := curve.FromPoints(m.FreqHz, m.LevelDB)
	if err != nil {
		return nil, fmt.Errorf("cushwright: read calibration %q: %w", file, err)
	}
	return &k, nil
}
