package bench

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"path/filepath"
	"slices"

	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/curve"
	"cushwright/dsp/plot"
	swept "cushwright/dsp/sweep"
)

// Proofs is the folder, laid out like a bench, that holds the seats measured through a correction: they are not seats
// of the cushion itself.
const Proofs = "proofs"

const throughNote = "through the correction "

// EarProof is what is left of the difference at one ear.
type EarProof struct {
	Ear            dsp.Ear       `json:"ear"`
	ReferenceSeats int           `json:"reference_seats"`
	BeforeSeats    int           `json:"before_seats"`
	AfterSeats     int           `json:"after_seats"`
	Outcome        swept.Outcome `json:"outcome"`
	Text           string        `json:"text"`
	Octaves        []ProofRow    `json:"octaves"`
	BeforeRMSDB    *float64      `json:"before_rms_db"` // weighted
	AfterRMSDB     float64       `json:"after_rms_db"`
	Band95DB       float64       `json:"scatter_band95_db"` // what scatter alone stays below in 95 of 100 cases
	WithinScatter  bool          `json:"within_scatter"`
	Shrink         *float64      `json:"shrink"` // 1 - after/before
	SeatsWanted    int           `json:"seats_wanted"`
}

// ProofReport is what is left of the difference between a cushion through its correction and the reference.
type ProofReport struct {
	Cushion   string        `json:"cushion"`
	Reference string        `json:"reference"`
	Outcome   swept.Outcome `json:"outcome"` // the worst of the ears
	Ears      []EarProof    `json:"ears"`
	Next      string        `json:"next,omitempty"`
	Warnings  []string      `json:"warnings"`

	Lines []plot.Line `json:"-"`
}

// fingerprint names what a correction does: its bands and headroom.
func fingerprint(c config.Correction) (string, error) {
	text, err := config.Correction{Name: c.Name, Reference: c.Reference, Correction: c.Correction}.Text(nil)
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:6]), nil
}

// ProvenSeats accepts the seats that went through this correction.
func ProvenSeats(c config.Correction) (note string, accept func(config.Seat) bool, err error) {
	mark, err := fingerprint(c)
	if err != nil {
		return "", nil, err
	}
	note = throughNote + mark
	return note, func(s config.Seat) bool { return slices.Contains(s.Notes, note) }, nil
}

// IsWanted reports whether a reference is a wanted response and not a cushion that was measured.
func IsWanted(snap *config.Snapshot, reference string) bool {
	refs, err := snap.Seats(reference)
	if err != nil || len(refs) > 0 {
		return false
	}
	_, err = snap.Wanted(reference)
	return err == nil
}

// ReferenceLevels are the seats of the reference on the sweep's grid. A wanted response has no scatter: two seats that
// agree in everything say so.
func ReferenceLevels(snap *config.Snapshot, reference string, e dsp.Ear) ([][]float64, error) {
	if IsWanted(snap, reference) {
		s, err := snap.Wanted(reference)
		if err != nil {
			return nil, err
		}
		l := OnSweepGrid(s.FreqHz, s.LevelDB)
		return [][]float64{l, slices.Clone(l)}, nil
	}
	seats, err := StoredSeats(snap.Dir, reference, e, nil)
	return LevelsOf(seats), err
}

// LessCalibration takes the rig's own response off levels on the sweep's grid.
func LessCalibration(snap *config.Snapshot, levels [][]float64) ([][]float64, error) {
	off, err := Calibration(snap)
	if err != nil || off == nil {
		return levels, err
	}
	out := make([][]float64, len(levels))
	for i, l := range levels {
		out[i] = slices.Clone(l)
		for k, f := range swept.Grid() {
			out[i][k] -= off.At(f)
		}
	}
	return out, nil
}

// Add adds an ear's proof; ref, before and after are numbers of seats.
func (r *ProofReport) Add(e dsp.Ear, p *swept.Proof, ref, before, after int) {
	x := EarProof{Ear: e, ReferenceSeats: ref, BeforeSeats: before, AfterSeats: after, Outcome: p.Outcome, Text: p.Text,
		BeforeRMSDB: Known(p.BeforeRMSDB),
		AfterRMSDB:  p.AfterRMSDB, Band95DB: p.Band95DB, WithinScatter: p.WithinScatter, Shrink: Known(p.Shrink),
		SeatsWanted: p.SeatsWanted}
	for _, o := range p.Octaves {
		x.Octaves = append(x.Octaves, ProofRow{Band: OctaveName(o.MidHz), MidHz: o.MidHz, BeforeDB: Known(o.BeforeDB),
			BeforeHalfDB: Known(o.BeforeHalfDB),
			AfterDB:      Known(o.AfterDB), AfterHalfDB: Known(o.AfterHalfDB), ScatterDB: Known(o.ScatterDB),
			Missed: o.Missed})
	}
	r.Ears = append(r.Ears, x)
}

// Draw adds an ear's curves: the mean differences from the reference, levels aligned.
func (r *ProofReport) Draw(e dsp.Ear, ref, before, after [][]float64) {
	mean := func(v [][]float64) (curve.Average, bool) {
		var seats []curve.Curve
		for _, l := range v {
			var f, db []float64
			for i, hz := range swept.Grid() {
				if !math.IsNaN(l[i]) {
					f, db = append(f, hz), append(db, l[i])
				}
			}
			k, err := curve.FromPoints(f, db)
			if err != nil {
				return curve.Average{}, false
			}
			seats = append(seats, k)
		}
		a, err := curve.Mean(seats)
		return a, err == nil
	}
	want, ok := mean(ref)
	if !ok {
		return
	}
	for _, s := range []struct {
		name  string
		seats [][]float64
	}{{" before", before}, {" after", after}} {
		m, ok := mean(s.seats)
		if !ok {
			continue
		}
		d := curve.Difference(want, m).Aligned()
		l := plot.Line{Name: e.String() + s.name}
		half := d.SmoothedHalf95DB(PlotSmooth)
		smooth, grid := d.Smooth(PlotSmooth).LevelDB, curve.Grid()
		for i := curve.Index(d.LowHz); i <= curve.Index(d.HighHz); i++ {
			l.FreqHz, l.LevelDB = append(l.FreqHz, grid[i]), append(l.LevelDB, smooth[i])
			if half != nil && s.name == " after" {
				l.LowDB, l.HighDB = append(l.LowDB, smooth[i]-half[i]), append(l.HighDB, smooth[i]+half[i])
			}
		}
		r.Lines = append(r.Lines, l)
	}
}

// Plot draws the differences before and after.
func (r *ProofReport) Plot() *plot.Plot {
	return &plot.Plot{Title: fmt.Sprintf("%s against %s: %s", r.Cushion, r.Reference, r.Outcome), Lines: r.Lines,
		Note: fmt.Sprintf("less the reference, levels aligned, smoothed to 1/%d octave; shaded: 95 %% band of what "+
			"is left. Below 100 Hz and above 10 kHz a coupler is no ear.", PlotSmooth)}
}

// JudgeProof sets the seats of an ear through the correction, which accept takes, against ref, the reference's levels,
// and adds what is left to the report.
func (r *ProofReport) JudgeProof(snap *config.Snapshot, e dsp.Ear, ref [][]float64,
	accept func(config.Seat) bool) error {
	after, err := StoredSeats(filepath.Join(snap.Dir, Proofs), r.Cushion, e, accept)
	if err != nil {
		return err
	}
	before, err := StoredSeats(snap.Dir, r.Cushion, e, nil)
	if err != nil {
		return err
	}
	if len(before) < 2 {
		before = nil
	}
	aft, bef := LevelsOf(after), LevelsOf(before)
	if IsWanted(snap, r.Reference) {
		if aft, err = LessCalibration(snap, aft); err == nil {
			bef, err = LessCalibration(snap, bef)
		}
		if err != nil {
			return err
		}
	}
	p, err := swept.Prove(swept.Grid(), ref, bef, aft)
	if err != nil {
		return fmt.Errorf("cushwright: prove %q: %s ear: %w", r.Cushion, e, err)
	}
	r.Add(e, p, len(ref), len(bef), len(aft))
	r.Draw(e, ref, bef, aft)
	return nil
}

// Decide takes the worst outcome of the ears, and says what comes next.
func (r *ProofReport) Decide() {
	r.Outcome = swept.Proven
	for _, o := range []swept.Outcome{swept.NotProven, swept.Missed} {
		if slices.ContainsFunc(r.Ears, func(p EarProof) bool { return p.Outcome == o }) {
			r.Outcome = o
		}
	}
	switch r.Outcome {
	case swept.Missed:
		r.Next = fmt.Sprintf(`"cushwright derive %s --refine" fits what is left`, r.Cushion)
	case swept.NotProven:
		r.Next = fmt.Sprintf(`"cushwright prove %s" again adds seats`, r.Cushion)
	}
}
