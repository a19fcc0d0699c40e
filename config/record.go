package config

import (
	"cushwright/dsp"
)

// Cushion is the record of a pair of ear pads. A nil number is not known.
type Cushion struct {
	Name           string   `key:"-" json:"name"`
	Label          string   `key:"label" check:"text" json:"label,omitempty"`
	Cover          string   `key:"cover" check:"text" json:"cover,omitempty"`
	Filling        string   `key:"filling" check:"text" json:"filling,omitempty"`
	MassG          *float64 `key:"mass_g" min:"0.1" max:"1000" unit:"g" json:"mass_g,omitempty"` // of the pair
	ThicknessMM    *float64 `key:"thickness_mm" min:"0.1" max:"200" unit:"mm" json:"thickness_mm,omitempty"`
	ClampedMM      *float64 `key:"clamped_mm" min:"0.1" max:"200" unit:"mm" json:"clamped_mm,omitempty"` // thickness on the head or rig
	OpeningMM      *float64 `key:"opening_mm" min:"1" max:"200" unit:"mm" json:"opening_mm,omitempty"`   // of a round opening, or its height
	OpeningWidthMM *float64 `key:"opening_width_mm" min:"1" max:"200" unit:"mm" json:"opening_width_mm,omitempty"`
	ClampN         *float64 `key:"clamp_n" min:"0.1" max:"50" unit:"N" json:"clamp_n,omitempty"`
	Hours          *float64 `key:"hours" min:"0" max:"100000" unit:"h" json:"hours,omitempty"` // worn
	Since          string   `key:"since" check:"date" json:"since,omitempty"`                  // YYYY-MM-DD
	Notes          string   `key:"notes" check:"notes" json:"notes,omitempty"`
	// Recorded is false where only a correction or seats of that name exist.
	Recorded bool `key:"-" json:"recorded"`
}

// Correction is corrections/NAME.toml.
type Correction struct {
	Name       string
	Reference  string          // cushion or wanted response; "" = not said
	Correction *dsp.Correction // bands and headroom
	Derived    *Derived        // nil for a correction written by hand
}

// Derived says how a correction was found. It changes no sound.
type Derived struct {
	Date           string   `key:"date" check:"text" json:"date,omitempty"`
	Seats          int      `key:"seats" min:"0" max:"100000" json:"seats,omitempty"`                     // of the new cushion
	ReferenceSeats int      `key:"reference_seats" min:"0" max:"100000" json:"reference_seats,omitempty"` // of the reference
	BeforeRMSDB    float64  `key:"before_rms_db" min:"0" max:"1000" unit:"dB" json:"before_rms_db"`       // weighted difference without the correction
	BeforeMaxDB    float64  `key:"before_max_db" min:"0" max:"1000" unit:"dB" json:"before_max_db"`
	AfterRMSDB     float64  `key:"after_rms_db" min:"0" max:"1000" unit:"dB" json:"after_rms_db"` // and with it
	AfterMaxDB     float64  `key:"after_max_db" min:"0" max:"1000" unit:"dB" json:"after_max_db"`
	Caution        string   `key:"caution" check:"text" json:"caution,omitempty"` // why it is not proven
	Left           []string `key:"left" check:"text" json:"left,omitempty"`       // what was left uncorrected and why
}

// Equaliser is equalisers/NAME.toml: what a listener's equaliser can do. A step of 0 is stepless.
type Equaliser struct {
	Name            string
	Label           string
	Bands           int         // how many
	Shapes          []dsp.Shape // which shapes a band may have
	FreqMinHz       float64
	FreqMaxHz       float64
	FreqStepHz      float64 // fixed step, from FreqMinHz on
	FreqStepOctaves float64 // relative step; at most one of the two is set
	GainMinDB       float64 // ≤ 0
	GainMaxDB       float64 // ≥ 0
	GainStepDB      float64 // steps through 0 dB
	QMin            float64
	QMax            float64
	QStep           float64   // from QMin on
	FixedFreqHz     []float64 // one per band; empty = free
	FixedQ          float64   // 0 = free
	Bilinear        bool      // realised by the bilinear transform at RateHz; otherwise like the analog prototype
	RateHz          float64   // 0 = not known, take 48 kHz
	Notes           string
}
