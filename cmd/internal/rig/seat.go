package rig

import (
	"fmt"
	"math"
	"strings"
	"time"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/dsp"
	swept "cushwright/dsp/sweep"
	"cushwright/platform/soundfile"
)

// SeatReport is what is said of a seat.
type SeatReport struct {
	Ear              dsp.Ear    `json:"ear"`
	Seat             string     `json:"seat"`
	SweepLevelDB     float64    `json:"sweep_level_db"`
	LevelDB          float64    `json:"level_db"` // recorded RMS; 0 = a sine at full scale
	PeakDB           float64    `json:"peak_db"`
	OctaveHz         []float64  `json:"octave_hz"`
	OctaveSNRDB      []*float64 `json:"octave_signal_to_noise_db"` // null outside the sweep
	SignalDB         float64    `json:"signal_to_noise_db"`
	Clipped          bool       `json:"clipped"`
	Distortion100Hz  float64    `json:"distortion_100_hz"` // harmonics 2 to 5 over the fundamental, as a ratio
	Distortion100Flr float64    `json:"distortion_100_hz_floor"`
	Distortion1kHz   float64    `json:"distortion_1_khz"`
	Distortion1kFlr  float64    `json:"distortion_1_khz_floor"`
	Earlier          int        `json:"earlier_seats"`
	AgreementDB      *float64   `json:"agreement_db"` // RMS against the mean of the earlier seats; null for the first
	LeakSuspected    bool       `json:"leak_suspected"`
	UnusablePoints   int        `json:"unusable_points"`
	DelayMS          float64    `json:"delay_ms"`
	ClockPPM         float64    `json:"clock_ppm"`
	WindowMS         float64    `json:"window_ms"`
	Refused          []Refusal  `json:"refused,omitempty"` // the tries before
	Impulse          string     `json:"impulse,omitempty"`
	Notes            []string   `json:"notes,omitempty"`
}

// Refusal is a sweep that was repeated, and why.
type Refusal struct {
	Kind swept.Kind `json:"kind"`
	Text string     `json:"reason"`
}

// judge reports on a seat and compares it with the earlier ones. Only those of the same visit to the rig have a say in
// refusing it.
func (j *Job) judge(set Series, s shot) (SeatReport, *swept.Finding, error) {
	x := s.response
	r := SeatReport{Ear: s.ear, SweepLevelDB: s.levelDB, LevelDB: x.RMSDB, PeakDB: x.PeakDB, OctaveHz: swept.OctaveMidHz(), SignalDB: signalDB(x),
		DelayMS: x.DelaySeconds * 1e3, ClockPPM: x.ClockPPM, WindowMS: x.WindowSeconds * 1e3}
	for _, v := range x.OctaveSNRDB {
		var p *float64
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			p = &v
		}
		r.OctaveSNRDB = append(r.OctaveSNRDB, p)
	}
	r.Distortion100Hz, r.Distortion100Flr = finiteRatio(x.Distortion(100))
	r.Distortion1kHz, r.Distortion1kFlr = finiteRatio(x.Distortion(1000))
	for _, v := range x.LevelDB {
		if math.IsNaN(v) {
			r.UnusablePoints++
		}
	}
	for _, f := range x.Findings {
		r.Clipped = r.Clipped || f.Kind == swept.Clipped
		r.Notes = append(r.Notes, f.Text)
	}
	before, err := bench.StoredSeats(set.Dir, set.Cushion, s.ear, set.Against)
	if err != nil {
		return r, nil, err
	}
	var now, older [][]float64
	day := ""
	for _, b := range before {
		if t, ok := bench.SeatTime(b.Seat.Date); ok && s.at.Sub(t).Abs() < bench.SameVisit {
			now = append(now, b.LevelDB)
		} else {
			older, day = append(older, b.LevelDB), b.Seat.Date
		}
	}
	if len(now) == 0 && len(older) > 0 {
		_, found, err := swept.Agreement(x.FreqHz, x.LevelDB, older)
		if err != nil {
			return r, nil, j.fail(err)
		}
		for _, f := range found {
			r.Notes = append(r.Notes, fmt.Sprintf("against the %d older seats, the latest of %s: %s; has the cushion aged? compare %s --since tells", len(older), day, f.Text, set.Cushion))
		}
	}
	r.Earlier = len(now)
	if len(now) == 0 {
		return r, nil, nil
	}
	rms, found, err := swept.Agreement(x.FreqHz, x.LevelDB, now)
	if err != nil {
		return r, nil, j.fail(err)
	}
	r.AgreementDB = &rms
	for i, f := range found {
		r.LeakSuspected = r.LeakSuspected || f.Kind == swept.Leak
		if f.Refuse {
			return r, &found[i], nil
		}
	}
	return r, nil, nil
}

func finiteRatio(ratio, floor float64) (float64, float64) {
	if math.IsNaN(ratio) || math.IsInf(ratio, 0) {
		ratio = 0
	}
	if math.IsNaN(floor) || math.IsInf(floor, 0) {
		floor = 0
	}
	return ratio, floor
}

// store writes a good seat.
func (j *Job) store(set Series, s shot, r *SeatReport) error {
	x := s.response
	seat := config.Seat{Ear: s.ear, Date: s.at.Format(time.RFC3339), RateHz: x.RateHz, SweepLevelDB: s.levelDB, SignalDB: math.Round(r.SignalDB*10) / 10}
	for i, f := range x.FreqHz {
		if v := x.LevelDB[i]; !math.IsNaN(v) && !math.IsInf(v, 0) {
			seat.FreqHz = append(seat.FreqHz, words.Typed(f, 1e-6))
			seat.LevelDB = append(seat.LevelDB, words.Typed(v, 1e-4))
			seat.PhaseDeg = append(seat.PhaseDeg, words.Typed(x.PhaseDeg[i], 1e-3))
		}
	}
	var snr []string
	for i, v := range r.OctaveSNRDB {
		if v != nil {
			snr = append(snr, fmt.Sprintf("%.4g Hz %.0f", r.OctaveHz[i], *v))
		}
	}
	seat.Rig, seat.Headphone = j.set.Name, j.set.Headphone
	seat.Notes = append([]string{
		fmt.Sprintf("sweep: %g to %g Hz in %.2f s, %s ear, output %s, input %s", s.spec.StartHz, s.spec.EndHz, s.spec.DurationSeconds(), s.ear, j.out.ID, j.in.ID),
		"level_db: against the sweep as generated; phase with the delay taken off",
		"signal to noise by octave, dB: " + strings.Join(snr, ", "),
		fmt.Sprintf("distortion, harmonics 2 to 5: 100 Hz %.3f %%, 1 kHz %.3f %%", 100*r.Distortion100Hz, 100*r.Distortion1kHz),
		fmt.Sprintf("delay %.2f ms, clocks %+.1f ppm, window %.0f ms", r.DelayMS, r.ClockPPM, r.WindowMS),
		fmt.Sprintf("volume set in the sound system: output %.1f dB, input %.1f dB", j.out.VolumeDB, j.in.VolumeDB),
	}, set.Notes...)
	if j.set.Calibration != "" {
		seat.Notes = append(seat.Notes, "calibration, not taken off here: "+j.set.Calibration)
	}
	file, err := config.WriteSeat(set.Dir, set.Cushion, s.ear, seat)
	if err != nil {
		return err
	}
	r.Seat = file
	if set.Impulse {
		r.Impulse = strings.TrimSuffix(file, ".csv") + ".wav"
		if err := soundfile.WriteWAV(r.Impulse, &soundfile.Sound{RateHz: int(x.RateHz), Channels: 1, Samples: x.Impulse}); err != nil {
			return err
		}
	}
	if set.Written != nil {
		return set.Written(*r)
	}
	return nil
}
