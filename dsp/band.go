package dsp

import (
	"fmt"
	"math"
	"math/cmplx"
)

// Shape is the kind of frequency response a band has.
type Shape uint8

// The shapes a band may have. The second-order analog prototypes are those of
// R. Bristow-Johnson, "Audio EQ Cookbook", W3C Note, 8 June 2021.
const (
	Bell      Shape = iota + 1 // peaking boost or cut around FreqHz
	LowShelf                   // GainDB below FreqHz, half of it at FreqHz
	HighShelf                  // GainDB above FreqHz, half of it at FreqHz
	LowCut                     // second-order high-pass, no gain
	HighCut                    // second-order low-pass, no gain
	Notch                      // zero at FreqHz, no gain
)

// Shapes lists every shape in the order of its documentation.
var Shapes = []Shape{Bell, LowShelf, HighShelf, LowCut, HighCut, Notch}

var shapeNames = [...]string{Bell: "bell", LowShelf: "low-shelf", HighShelf: "high-shelf",
	LowCut: "low-cut", HighCut: "high-cut", Notch: "notch"}

// String returns the name used in files and on the command line.
func (s Shape) String() string {
	if s >= Bell && int(s) < len(shapeNames) {
		return shapeNames[s]
	}
	return fmt.Sprintf("shape(%d)", uint8(s))
}

// HasGain reports whether the shape uses GainDB.
func (s Shape) HasGain() bool { return s == Bell || s == LowShelf || s == HighShelf }

// ParseShape returns the shape of that name; the error lists what is allowed.
func ParseShape(name string) (Shape, error) {
	for _, s := range Shapes {
		if name == s.String() {
			return s, nil
		}
	}
	return 0, &RangeError{Key: "shape", Value: fmt.Sprintf("%q", name),
		Allowed: "bell, low-shelf, high-shelf, low-cut, high-cut or notch"}
}

// MarshalText writes the shape's name.
func (s Shape) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads a shape's name.
func (s *Shape) UnmarshalText(b []byte) (err error) { *s, err = ParseShape(string(b)); return err }

// Ear says which side a band acts on.
type Ear uint8

// A band acts on both ears or on one.
const (
	Both Ear = iota
	Left
	Right
)

// String returns the name used in files and on the command line.
func (e Ear) String() string {
	switch e {
	case Both:
		return "both"
	case Left:
		return "left"
	case Right:
		return "right"
	}
	return fmt.Sprintf("ear(%d)", uint8(e))
}

// ParseEar returns the ear of that name; the error lists what is allowed.
func ParseEar(name string) (Ear, error) {
	switch name {
	case "both":
		return Both, nil
	case "left":
		return Left, nil
	case "right":
		return Right, nil
	}
	return 0, &RangeError{Key: "ear", Value: fmt.Sprintf("%q", name), Allowed: "both, left or right"}
}

// MarshalText writes the ear's name.
func (e Ear) MarshalText() ([]byte, error) { return []byte(e.String()), nil }

// UnmarshalText reads an ear's name.
func (e *Ear) UnmarshalText(b []byte) (err error) { *e, err = ParseEar(string(b)); return err }

// The permitted range of a band's parameters and of the rates it is compiled for.
const (
	MinFreqHz, MaxFreqHz = 20.0, 20000.0
	MinQ, MaxQ           = 0.1, 20.0
	MaxGainDB            = 24.0 // both ways
	MaxBands             = 64   // per ear
	MinRateHz, MaxRateHz = 44100.0, 384000.0
)

// RangeError says which key holds what value and what is allowed instead.
type RangeError struct {
	Key, Value, Allowed string
}

func (e *RangeError) Error() string {
	return fmt.Sprintf("%s is %s, allowed: %s", e.Key, e.Value, e.Allowed)
}

// Band is one analog prototype of a correction. GainDB is ignored by shapes without gain.
type Band struct {
	Shape  Shape
	Ear    Ear
	FreqHz float64
	GainDB float64
	Q      float64
}

// Covers reports whether the band acts on that ear.
func (b Band) Covers(e Ear) bool { return b.Ear == Both || e == Both || b.Ear == e }

// Check returns a *RangeError for the first parameter outside its permitted range, or nil.
func (b Band) Check() error {
	num := func(key string, v, lo, hi float64, unit string) error {
		if v >= lo && v <= hi { // false for NaN
			return nil
		}
		return &RangeError{Key: key, Value: fmt.Sprintf("%g", v), Allowed: fmt.Sprintf("%g to %g%s", lo, hi, unit)}
	}
	if b.Shape < Bell || b.Shape > Notch {
		return &RangeError{Key: "shape", Value: b.Shape.String(), Allowed: "bell, low-shelf, high-shelf, low-cut, high-cut or notch"}
	}
	if b.Ear > Right {
		return &RangeError{Key: "ear", Value: b.Ear.String(), Allowed: "both, left or right"}
	}
	if err := num("freq_hz", b.FreqHz, MinFreqHz, MaxFreqHz, " Hz"); err != nil {
		return err
	}
	if b.Shape.HasGain() {
		if err := num("gain_db", b.GainDB, -MaxGainDB, MaxGainDB, " dB"); err != nil {
			return err
		}
	}
	return num("q", b.Q, MinQ, MaxQ, "")
}

// Analog returns the prototype's complex response at freqHz.
func (b Band) Analog(freqHz float64) complex128 {
	num, den := b.prototype()
	s := complex(0, freqHz/b.FreqHz)
	c := func(x float64) complex128 { return complex(x, 0) }
	return (c(num[2])*s*s + c(num[1])*s + c(num[0])) / (c(den[2])*s*s + c(den[1])*s + c(den[0]))
}

// prototype returns the coefficients of H(s) = (num0 + num1·s + num2·s²) / (den0 + den1·s + den2·s²), s in units of the
// band's frequency. Source: Audio EQ Cookbook; shelves take Q as given (no slope parameter).
func (b Band) prototype() (num, den [3]float64) {
	a, q := math.Pow(10, b.GainDB/40), b.Q
	r := math.Sqrt(a) / q
	switch b.Shape {
	case Bell:
		return [3]float64{1, a / q, 1}, [3]float64{1, 1 / (a * q), 1}
	case LowShelf:
		return [3]float64{a * a, a * r, a}, [3]float64{1, r, a}
	case HighShelf:
		return [3]float64{a, a * r, a * a}, [3]float64{a, r, 1}
	case LowCut:
		return [3]float64{0, 0, 1}, [3]float64{1, 1 / q, 1}
	case HighCut:
		return [3]float64{1, 0, 0}, [3]float64{1, 1 / q, 1}
	case Notch:
		return [3]float64{1, 0, 1}, [3]float64{1, 1 / q, 1}
	}
	nan := math.NaN()
	return [3]float64{nan, nan, nan}, [3]float64{1, 0, 0}
}

// power returns the square of the prototype's magnitude as a ratio of two polynomials in (freqHz/FreqHz)².
func (b Band) power() (num, den quadratic) {
	square := func(c [3]float64) quadratic {
		return quadratic{c[0] * c[0], c[1]*c[1] - 2*c[0]*c[2], c[2] * c[2]}
	}
	n, d := b.prototype()
	return square(n), square(d)
}

// AnalogDB returns the level of the prototype's response at freqHz in dB.
func (b Band) AnalogDB(freqHz float64) float64 { return DB(cmplx.Abs(b.Analog(freqHz))) }

// DB returns 20·log10(x): the level in dB of an amplitude ratio x ≥ 0; −Inf for 0.
func DB(x float64) float64 { return 20 * math.Log10(x) }

// Ratio returns the amplitude ratio of a level in dB.
func Ratio(db float64) float64 { return math.Pow(10, db/20) }
