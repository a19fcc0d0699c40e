package rig

import (
	"context"
	"fmt"
	"math"

	"cushwright/dsp"
	swept "cushwright/dsp/sweep"
)

// leastStepDB is the smallest step up that is worth another sweep.
const leastStepDB = 0.5

// warmUp makes the first sweep of a run a quiet one and asks before it goes louder. refused is why nothing can be
// measured. It ends after rigTries sweeps that the microphone hardly heard, and at once where no louder one is
// possible.
func (j *Job) warmUp(ctx context.Context, ear dsp.Ear) (refused *swept.Finding, err error) {
	for spoilt, unheard := 0, 0; !j.warm; {
		s, f, err := j.measure(ctx, ear, true, "quiet sweep")
		if err != nil {
			return nil, err
		}
		if f != nil {
			if most, _, passes := j.patience(f, s); passes && spoilt+1 < most {
				spoilt++
				j.Talk.Say("the quiet sweep was no good: %s", f.Text)
				continue
			}
			if !faint(f) || j.levelDB >= j.wantDB {
				return j.wrongSetUp(ctx, s, f)
			}
			if unheard++; unheard >= rigTries {
				return f, nil
			}
		} else if s.other == nil && s.wanted != nil {
			if wrong, err := j.otherEar(ctx, s); wrong != nil || err != nil {
				return wrong, err
			}
		}
		next, why := j.louder(s, f)
		if f != nil && next < j.levelDB+leastStepDB {
			full := *f
			full.Text += "; " + why
			return &full, nil
		}
		if goOn, err := j.askLouder(ctx, s, next); err != nil || !goOn && f != nil {
			return f, err
		}
		j.warm = f == nil
	}
	return nil, nil
}

// faint reports whether a sweep was refused because too little of it was heard: a louder one may do.
func faint(f *swept.Finding) bool {
	return f.Kind == swept.NoSweep || f.Kind == swept.Noisy || f.Kind == swept.Unusable
}

// wrongSetUp says what is wrong with the rig where a louder sweep mends nothing.
func (j *Job) wrongSetUp(ctx context.Context, s shot, f *swept.Finding) (*swept.Finding, error) {
	if f.Kind == swept.WrongEar && s.other != nil {
		j.Talk.Say("note: a rig with one microphone for both ears needs --mic left or --mic right")
	}
	if f.Kind == swept.NoSweep && s.other == nil {
		if wrong, err := j.otherEar(ctx, s); wrong != nil || err != nil {
			return wrong, err
		}
	}
	return f, nil
}

// louder is the level of the next sweep: as loud as wanted, but not so loud that the input is overloaded. why says what
// stands in the way. Where the sweep was hardly heard, the noise and the sweep must fit into the input together.
func (j *Job) louder(s shot, f *swept.Finding) (nextDB float64, why string) {
	next := j.wantDB
	noiseDB := s.noisePeakDB()
	why = fmt.Sprintf("the microphone input peaks at %.1f dB of full scale before the sweep begins, so a louder sweep would overload it: turn its gain down, or make the room quieter", noiseDB)
	room := dsp.Ratio(-spareDB) - dsp.Ratio(noiseDB)
	switch {
	case f != nil && room <= 0:
		return math.Inf(-1), why
	case s.response == nil:
	case f == nil:
		next = min(next, j.levelDB-spareDB-s.response.PeakDB)
	default:
		loudest := math.Inf(-1)
		for _, v := range s.response.LevelDB {
			if !math.IsNaN(v) {
				loudest = max(loudest, v)
			}
		}
		next = min(next, dsp.DB(room)-loudest)
	}
	return next, why
}

// noisePeakDB is the peak of what was recorded before the sweep can have begun, in dB of full scale; −Inf for silence.
func (s shot) noisePeakDB() float64 {
	peak := 0.0
	for _, x := range s.wanted[:min(len(s.wanted), int(s.spec.LeadSeconds*s.spec.RateHz))] {
		peak = max(peak, math.Abs(x))
	}
	return dsp.DB(peak)
}

// askLouder asks whether to go on at a higher level, and takes it if so.
func (j *Job) askLouder(ctx context.Context, s shot, next float64) (goOn bool, err error) {
	if next <= j.levelDB {
		return true, nil
	}
	heard := "the microphone hears nothing of the sweep"
	if s.response != nil {
		heard = fmt.Sprintf("it stands %.0f dB out of the noise", signalDB(s.response))
	}
	yes, err := j.Talk.Confirm(ctx, fmt.Sprintf("The quiet sweep at %.0f dB: %s. Nobody wears the headphones: go on at %.0f dB?", j.levelDB, heard, next))
	if err != nil || !yes {
		return false, err
	}
	if next < j.wantDB-0.05 {
		j.Talk.Say("%.1f dB instead of %.1f: more would overload the microphone input", next, j.wantDB)
	}
	j.levelDB = next
	return true, nil
}

// patience is how often a sweep is repeated for what was found, whether the machine is to blame and not the seat, and
// whether it may pass without anything being changed.
func (j *Job) patience(f *swept.Finding, s shot) (most int, machine, passes bool) {
	switch f.Kind {
	case swept.Burst:
		return rigTries, false, true
	case swept.Interrupted, swept.ClockOff:
		if s.broken || j.engine != nil {
			return rigBreaks, true, true
		}
		return rigTries, false, true
	}
	return rigTries, false, false
}

// Once measures a single short sweep at the wanted level, again where something passing spoilt it.
func (j *Job) once(ctx context.Context, ear dsp.Ear, label string) (s shot, refused *swept.Finding, err error) {
	for tries := 1; ; tries++ {
		s, refused, err = j.measure(ctx, ear, true, label)
		if err != nil || refused == nil {
			return s, refused, err
		}
		if most, _, passes := j.patience(refused, s); !passes || tries >= most {
			return s, refused, nil
		}
		j.Talk.Say("refused: %s", refused.Text)
	}
}

// otherEar plays a sweep to the other ear: with one microphone only that tells that the wrong one is on the rig.
func (j *Job) otherEar(ctx context.Context, s shot) (*swept.Finding, error) {
	t, f, err := j.record(ctx, dsp.Left+dsp.Right-s.ear, true, "the other ear, quietly")
	if f != nil || err != nil {
		return nil, err
	}
	return swept.CheckEar(s.wanted, t.wanted, s.spec), nil
}

// signalDB is the signal-to-noise ratio over all frequencies: the mean of the octaves that hold any.
func signalDB(r *swept.Response) float64 {
	sum, n := 0.0, 0.0
	for _, v := range r.OctaveSNRDB {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			sum, n = sum+v, n+1
		}
	}
	return sum / n
}
