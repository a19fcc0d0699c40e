package curve

import (
	"fmt"
	"slices"

	"cushwright/dsp/interval"
)

// Average is what several seats of one cushion and one ear say together. A seat is the truth, plus a level of its own, plus
// scatter that is smooth over frequency. Slices have Points values.
type Average struct {
	Curve              // mean of the seats' dB values, as measured: the seats' levels are in it
	Seats    []Curve   // as given
	OffsetDB []float64 // how far each seat's level is above their mean
	SpreadDB []float64 // seat-to-seat standard deviation (n − 1), each seat's own level taken out; zeros for a single seat
	LevelSD  float64   // standard deviation of the seats' levels in dB; 0 for a single seat
	Half95DB []float64 // half-width of the 95 % interval of the mean as measured, levels included; nil for a single seat
}

// Mean averages the dB values of seats. The average covers the range that all seats cover.
// It fails for no seats, seats that are not on the grid, and seats without a range in common.
func Mean(seats []Curve) (Average, error) {
	if len(seats) == 0 {
		return Average{}, fmt.Errorf("curve: average seats: there are none")
	}
	a := Average{Curve: Curve{make([]float64, Points), LowHz, HighHz}, Seats: slices.Clone(seats), SpreadDB: make([]float64, Points)}
	for i, s := range seats {
		if len(s.LevelDB) != Points {
			return Average{}, fmt.Errorf("curve: average seat %d: it has %d points, not %d", i+1, len(s.LevelDB), Points)
		}
		a.LowHz, a.HighHz = max(a.LowHz, s.LowHz), min(a.HighHz, s.HighHz)
	}
	if a.LowHz >= a.HighHz {
		return Average{}, fmt.Errorf("curve: average %d seats: they have no range of frequencies in common", len(seats))
	}
	levels := a.values(levelOver(a.LowHz, a.HighHz))
	mean := interval.MeanOf(levels)
	a.OffsetDB = make([]float64, len(seats))
	for i, l := range levels {
		a.OffsetDB[i] = l - mean.Value
	}
	if len(seats) > 1 {
		a.LevelSD = mean.SD()
		a.Half95DB = make([]float64, Points)
	}
	raw, shape := make([]float64, len(seats)), make([]float64, len(seats))
	for k := range Points {
		for i, s := range seats {
			raw[i], shape[i] = s.LevelDB[k], s.LevelDB[k]-a.OffsetDB[i]
		}
		m := interval.MeanOf(raw)
		a.LevelDB[k] = m.Value
		if len(seats) > 1 {
			a.SpreadDB[k] = interval.MeanOf(shape).SD()
			a.Half95DB[k] = interval.Sum(m).Half95()
		}
	}
	return a, nil
}

// values is what a functional gives for each seat.
func (a Average) values(f functional) []float64 {
	out := make([]float64, len(a.Seats))
	for i, c := range a.Seats {
		out[i] = f.of(c.LevelDB)
	}
	return out
}

// mean is the mean over the seats of what a functional gives.
func (a Average) mean(f functional) interval.Mean { return interval.MeanOf(a.values(f)) }

// levelled returns the average of the same seats, each shifted so that the functional gives dB.
func (a Average) levelled(f functional, dB float64) Average {
	seats := make([]Curve, len(a.Seats))
	for i, l := range a.values(f) {
		seats[i] = a.Seats[i].Shift(dB - l)
	}
	out, err := Mean(seats)
	if err != nil { // the seats were averaged before, and a shift changes neither their points nor their range
		return a
	}
	return out
}

// functional is a weighted mean of a curve's points. No weight is negative and their sum is 1, so that it moves by no more
// than its input does anywhere.
type functional struct {
	from   int // grid position of the first weight
	weight []float64
}

func (f functional) of(v []float64) float64 {
	sum := 0.0
	for i, w := range f.weight {
		sum += w * v[f.from+i]
	}
	return sum
}

// meanFrom is the mean from one grid position to another, both included: a mean over log frequency.
func meanFrom(from, to int) functional {
	f := functional{from, make([]float64, to-from+1)}
	for i := range f.weight {
		f.weight[i] = 1 / float64(len(f.weight))
	}
	return f
}

// levelOver is how levels are taken of what was measured from lowHz to highHz: by interval.LevelWeight over what was measured
// between 200 Hz and 4 kHz, or over the whole measured range where that is less than a quarter octave.
func levelOver(lowHz, highHz float64) functional {
	lo, hi := max(interval.LevelLowHz, lowHz), min(interval.LevelHighHz, highHz)
	if hi < lo*1.2 {
		lo, hi = lowHz, highHz
	}
	if Index(hi)-Index(lo) < 3 {
		return meanFrom(min(Index(lo), Index(hi)), max(Index(lo), Index(hi)))
	}
	f := functional{Index(lo), make([]float64, Index(hi)-Index(lo)+1)}
	sum := 0.0
	for i := range f.weight {
		f.weight[i] = interval.LevelWeight(grid[f.from+i], lo, hi)
		sum += f.weight[i]
	}
	for i := range f.weight {
		f.weight[i] /= sum
	}
	return f
}

// Level is the level of a curve in dB: the mean over log frequency between 200 Hz and 4 kHz that weighs the ends least, or
// over what of that was measured. It moves by no more than the curve does anywhere.
func Level(c Curve) float64 { return levelOver(c.LowHz, c.HighHz).of(c.LevelDB) }
