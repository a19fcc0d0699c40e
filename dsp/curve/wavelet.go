package curve

// The undecimated wavelet transform: a curve is split into details of ever longer scales and one mean, every detail at
// every point, so that nothing depends on where the grid begins. The energy of the parts adds up to that of the curve.
// Sources: D. B. Percival, A. T. Walden, "Wavelet Methods for Time Series Analysis", Cambridge 2000, chapter 5 (maximal
// overlap transform); the filter is the least asymmetric one of length 8 of I. Daubechies, "Ten Lectures on Wavelets",
// SIAM 1992, table 6.3 (values from memory; TestWaveletFilter checks what defines them).
var scaling = [8]float64{-0.07576571478927333, -0.02963552764599851, 0.49761866763201545, 0.8037387518059161,
	0.29785779560527736, -0.09921954357684722, -0.012603967262037833, 0.0322231006040427}

const (
	padded      = 1024 // points of a curve mirrored at both ends, closed to a ring
	padLeft     = (padded - Points) / 2
	levels      = 10  // the rest is then a constant
	filterDelay = 3.5 // points by which the filter is centred late, per step of the scale
)

// details is a transformed curve: [level][point of the ring], and the mean that no detail has.
type details struct {
	d    [levels][]float64
	rest []float64
}

// mirror returns the ring on which a curve of Points values continues smoothly beyond its ends.
func mirror(v []float64) []float64 {
	out := make([]float64, padded)
	for i := range out {
		k := i - padLeft
		if k < 0 {
			k = -k
		}
		if k > Points-1 {
			k = 2*(Points-1) - k
		}
		out[i] = v[k]
	}
	return out
}

// transform splits a curve of Points values.
func transform(v []float64) details {
	var t details
	a := mirror(v)
	for j := range levels {
		low, high := make([]float64, padded), make([]float64, padded)
		for i, c := range scaling {
			// Half the energy of the orthonormal filters, since every point is kept.
			h, g := c/sqrt2, scaling[7-i]/sqrt2
			if i%2 == 1 {
				g = -g
			}
			back := i << j
			for k := range padded {
				x := a[(k-back)&(padded-1)]
				low[k] += h * x
				high[k] += g * x
			}
		}
		t.d[j], a = high, low
	}
	t.rest = a
	return t
}

// restore is the way back.
func (t details) restore() []float64 {
	a := t.rest
	for j := levels - 1; j >= 0; j-- {
		out := make([]float64, padded)
		for i, c := range scaling {
			h, g := c/sqrt2, scaling[7-i]/sqrt2
			if i%2 == 1 {
				g = -g
			}
			on := i << j
			for k := range padded {
				x := (k + on) & (padded - 1)
				out[k] += h*a[x] + g*t.d[j][x]
			}
		}
		a = out
	}
	return a[padLeft : padLeft+Points]
}

// place is the ring's point at which a detail of that level belongs to point k of the curve.
func place(level, k int) int {
	delay := int(filterDelay*float64(int(2)<<level-1) + 0.5)
	return (padLeft + k + delay) & (padded - 1)
}

const sqrt2 = 1.4142135623730951
