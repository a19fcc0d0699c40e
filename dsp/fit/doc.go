// Package fit turns a wanted response into settings: bands for the engine, bands for a described equaliser on that
// equaliser's own steps, and positions of sliders.
//
// All fitting works on the grid of package curve, weighted by 1/(spread² + floor²): what reseating scatters is not
// chased. Everything is deterministic; the same input gives the same output.
//
// The boost limit is held between the points of the fit as well. Where nothing else keeps it, all gains are lowered to
// the largest part that does (boost.go). Where a target looks exactly reachable, the fit takes bands out two at a time,
// within a counted budget (pairBudget).
//
// Positions of sliders are found on three kinds of bells at once: analog, and bilinear at 44.1 and 48 kHz. The worst of
// the three is made best (row.go). The naive reading, which sets each slider to the difference at its frequency, is
// held to the same limits.
//
// Corrections and sliders for the ears apart share one level (DeriveApart, SlidersApart): balance and level are left to
// the listener.
package fit
