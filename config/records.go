package config

import (
	"errors"
	"fmt"
	"slices"
	"strconv"

	"cushwright/dsp"
)

const headroomAllowed = `"auto" or -60 to 0 dB`

type correctionFile struct {
	Reference  string     `key:"reference" check:"name"`
	HeadroomDB any        `key:"headroom_db"`
	Band       []bandFile `key:"band"`
	Derived    *Derived   `key:"derived"`
}

type bandFile struct {
	Shape  *string  `key:"shape" want:"bell, low-shelf, high-shelf, low-cut, high-cut or notch, in quotes"`
	Ear    *string  `key:"ear" want:"both, left or right, in quotes"`
	FreqHz *float64 `key:"freq_hz" want:"a number, 20 to 20000 Hz"`
	GainDB *float64 `key:"gain_db" want:"a number, -24 to 24 dB"`
	Q      *float64 `key:"q" want:"a number, 0.1 to 20"`
}

func parseSettings(file string, data []byte) (Settings, Problems) {
	s := DefaultSettings()
	d := decodeTOML(file, data, &s)
	if d.unfit {
		return s, d.problems
	}
	if d.taken("rig.sweep_level_db", "rig.max_level_db") && s.Rig.SweepLevelDB > s.Rig.MaxLevelDB {
		if _, said := d.pos["rig.sweep_level_db"]; said {
			d.bad("rig.sweep_level_db", "", fmt.Sprintf("up to rig.max_level_db, %g dB", s.Rig.MaxLevelDB))
		} else {
			d.bad("rig.max_level_db", "", fmt.Sprintf("from rig.sweep_level_db, %g dB, up", s.Rig.SweepLevelDB))
		}
	}
	taken := map[KeyCombo]string{}
	for _, k := range []struct{ key, combo string }{{"keys.bypass", s.Keys.Bypass}, {"keys.next_cushion", s.Keys.NextCushion},
		{"keys.previous_cushion", s.Keys.PreviousCushion}, {"keys.panic", s.Keys.Panic}} {
		c, err := ParseKey(k.combo)
		if err != nil || c == (KeyCombo{}) {
			continue
		}
		if other, ok := taken[c]; ok {
			d.bad(k.key, "", "another combination than that of "+other)
		}
		taken[c] = k.key
	}
	return s, d.problems
}

// ParseCushion decodes the content of a cushions/NAME.toml; file is what messages call it.
func ParseCushion(file, name string, data []byte) (Cushion, error) {
	c, ps := parseCushion(file, name, data)
	return c, orNil(ps)
}

func parseCushion(file, name string, data []byte) (Cushion, Problems) {
	c := Cushion{}
	d := decodeTOML(file, data, &c)
	c.Name, c.Recorded = name, true
	if !d.unfit && c.ClampedMM != nil && c.ThicknessMM != nil && *c.ClampedMM > *c.ThicknessMM {
		d.bad("clamped_mm", "", fmt.Sprintf("up to thickness_mm, %g mm", *c.ThicknessMM))
	}
	return c, d.problems
}

// ParseCorrection decodes the content of a corrections/NAME.toml; file is what messages call it.
func ParseCorrection(file, name string, data []byte) (Correction, error) {
	c, ps := parseCorrection(file, name, data)
	return c, orNil(ps)
}

func orNil(ps Problems) error {
	if len(ps) == 0 {
		return nil
	}
	return ps
}

func parseCorrection(file, name string, data []byte) (Correction, Problems) {
	var f correctionFile
	d := decodeTOML(file, data, &f)
	if d.unfit {
		return Correction{}, d.problems
	}
	headroom := dsp.AutoHeadroom
	switch h := f.HeadroomDB.(type) {
	case nil:
	case float64:
		headroom = h
	case int64:
		headroom = float64(h)
	case string:
		if h != "auto" {
			d.bad("headroom_db", "", headroomAllowed)
		}
	}
	if _, ok := f.HeadroomDB.(string); !ok && f.HeadroomDB != nil && !(headroom >= -60 && headroom <= 0) {
		d.bad("headroom_db", "", headroomAllowed)
	}
	bands := make([]dsp.Band, 0, len(f.Band))
	count := [3]int{}
	for i, fb := range f.Band {
		at := fmt.Sprintf("band %d", i+1)
		b, ok := d.band(at, fb)
		for _, e := range []dsp.Ear{dsp.Left, dsp.Right} {
			if !b.Covers(e) {
				continue
			}
			if count[e]++; count[e] == dsp.MaxBands+1 {
				d.bad(at, fmt.Sprintf("one band too many for the %s ear", e), fmt.Sprintf("up to %d bands for each ear", dsp.MaxBands))
			}
		}
		if ok {
			bands = append(bands, b)
		}
	}
	if len(d.problems) > 0 {
		return Correction{}, d.problems
	}
	c, err := dsp.NewCorrection(bands, headroom)
	if err != nil {
		d.add(&Problem{Err: err})
		return Correction{}, d.problems
	}
	return Correction{Name: name, Reference: f.Reference, Correction: c, Derived: f.Derived}, nil
}

// band turns one [[band]] into a band; all its faults are added at once.
func (d *document) band(at string, f bandFile) (dsp.Band, bool) {
	before := len(d.problems)
	// Values that pass, so that Check looks at one key at a time.
	good := dsp.Band{Shape: dsp.Bell, FreqHz: 1000, Q: 1}
	b := good
	report := func(key string, err error) {
		var r *dsp.RangeError
		if errors.As(err, &r) {
			d.bad(at+" "+key, "", r.Allowed)
		}
	}
	missing := func(key, allowed string) { d.bad(at+" "+key, "missing", allowed) }
	var err error
	if f.Shape == nil {
		missing("shape", "bell, low-shelf, high-shelf, low-cut, high-cut or notch")
	} else if b.Shape, err = dsp.ParseShape(*f.Shape); err != nil {
		report("shape", err)
		b.Shape = dsp.Bell
	}
	if f.Ear != nil {
		if b.Ear, err = dsp.ParseEar(*f.Ear); err != nil {
			report("ear", err)
		}
	}
	if f.FreqHz == nil {
		missing("freq_hz", fmt.Sprintf("%g to %g Hz", dsp.MinFreqHz, dsp.MaxFreqHz))
	} else {
		b.FreqHz, good.FreqHz = *f.FreqHz, *f.FreqHz
		report("freq_hz", good.Check())
		good.FreqHz = 1000
	}
	hasGain := f.Shape != nil && b.Shape.HasGain()
	switch {
	case f.GainDB == nil && hasGain:
		missing("gain_db", fmt.Sprintf("%g to %g dB", -dsp.MaxGainDB, dsp.MaxGainDB))
	case f.GainDB != nil && f.Shape != nil && !hasGain && *f.GainDB != 0:
		d.bad(at+" gain_db", "", fmt.Sprintf("0 or no such key, for %s has no gain", b.Shape))
	case f.GainDB != nil:
		b.GainDB, good.GainDB = *f.GainDB, *f.GainDB
		report("gain_db", good.Check())
		good.GainDB = 0
	}
	if f.Q == nil {
		missing("q", fmt.Sprintf("%g to %g", dsp.MinQ, dsp.MaxQ))
	} else {
		b.Q, good.Q = *f.Q, *f.Q
		report("q", good.Check())
	}
	return b, len(d.problems) == before
}

type equaliserFile struct {
	Label           string    `key:"label" check:"text"`
	Bands           int       `key:"bands" min:"1" max:"64"`
	Shapes          []string  `key:"shapes"`
	FreqMinHz       float64   `key:"freq_min_hz" min:"20" max:"20000" unit:"Hz"`
	FreqMaxHz       float64   `key:"freq_max_hz" min:"20" max:"20000" unit:"Hz"`
	FreqStepHz      float64   `key:"freq_step_hz" min:"0.001" max:"1000" unit:"Hz" zero:"stepless"`
	FreqStepOctaves float64   `key:"freq_step_octaves" min:"0.001" max:"2" unit:"octaves" zero:"stepless"`
	GainMinDB       float64   `key:"gain_min_db" min:"-24" max:"0" unit:"dB"`
	GainMaxDB       float64   `key:"gain_max_db" min:"0" max:"24" unit:"dB"`
	GainStepDB      float64   `key:"gain_step_db" min:"0.001" max:"12" unit:"dB" zero:"stepless"`
	QMin            float64   `key:"q_min" min:"0.1" max:"20"`
	QMax            float64   `key:"q_max" min:"0.1" max:"20"`
	QStep           float64   `key:"q_step" min:"0.001" max:"10" zero:"stepless"`
	FixedFreqHz     []float64 `key:"fixed_freq_hz" min:"20" max:"20000" unit:"Hz"`
	FixedQ          float64   `key:"fixed_q" min:"0.1" max:"20" zero:"free"`
	Bilinear        bool      `key:"bilinear"`
	RateHz          float64   `key:"rate_hz" min:"44100" max:"384000" unit:"Hz" zero:"not known"`
	Notes           string    `key:"notes" check:"notes"`
}

// ParseEqualiser decodes the content of an equalisers/NAME.toml; file is what messages call it.
func ParseEqualiser(file, name string, data []byte) (Equaliser, error) {
	e, ps := parseEqualiser(file, name, data)
	return e, orNil(ps)
}

func parseEqualiser(file, name string, data []byte) (Equaliser, Problems) {
	f := equaliserFile{FreqMinHz: dsp.MinFreqHz, FreqMaxHz: dsp.MaxFreqHz, GainMinDB: -12, GainMaxDB: 12, QMin: 0.3, QMax: 10}
	d := decodeTOML(file, data, &f)
	if d.unfit {
		return Equaliser{}, d.problems
	}
	e := Equaliser{Name: name, Label: f.Label, Bands: f.Bands, FreqMinHz: f.FreqMinHz, FreqMaxHz: f.FreqMaxHz, FreqStepHz: f.FreqStepHz,
		FreqStepOctaves: f.FreqStepOctaves, GainMinDB: f.GainMinDB, GainMaxDB: f.GainMaxDB, GainStepDB: f.GainStepDB, QMin: f.QMin,
		QMax: f.QMax, QStep: f.QStep, FixedFreqHz: f.FixedFreqHz, FixedQ: f.FixedQ, Bilinear: f.Bilinear, RateHz: f.RateHz, Notes: f.Notes}
	for i, s := range f.Shapes {
		shape, err := dsp.ParseShape(s)
		if err != nil || slices.Contains(e.Shapes, shape) {
			d.bad(fmt.Sprintf("shapes %d", i+1), "", "bell, low-shelf, high-shelf, low-cut, high-cut or notch, each once")
			continue
		}
		e.Shapes = append(e.Shapes, shape)
	}
	if len(f.Shapes) == 0 {
		e.Shapes = []dsp.Shape{dsp.Bell}
	}
	if n := len(e.FixedFreqHz); n > 0 {
		if e.Bands != 0 && e.Bands != n {
			d.bad("bands", "", fmt.Sprintf("%d, the number of fixed_freq_hz, or no such key", n))
		}
		e.Bands = n
		if n > dsp.MaxBands {
			d.bad("fixed_freq_hz", fmt.Sprintf("%d frequencies", n), fmt.Sprintf("1 to %d", dsp.MaxBands))
		}
		for i := 1; i < n; i++ {
			if e.FixedFreqHz[i] <= e.FixedFreqHz[i-1] {
				d.bad(fmt.Sprintf("fixed_freq_hz %d", i+1), "", "a frequency above the one before")
				break
			}
		}
	} else if e.Bands == 0 && d.taken("fixed_freq_hz") {
		d.bad("bands", "missing", "1 to 64, or fixed_freq_hz")
	}
	less := func(lo, hi string, a, b float64) {
		if d.taken(lo, hi) && a > b {
			d.bad(lo, strconv.FormatFloat(a, 'g', -1, 64), fmt.Sprintf("up to %s, %g", hi, b))
		}
	}
	less("freq_min_hz", "freq_max_hz", e.FreqMinHz, e.FreqMaxHz)
	less("q_min", "q_max", e.QMin, e.QMax)
	if e.FreqStepHz != 0 && e.FreqStepOctaves != 0 {
		d.bad("freq_step_octaves", "", "one of freq_step_hz and freq_step_octaves")
	}
	return e, d.problems
}
