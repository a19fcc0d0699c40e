// Package fit turns a wanted response into settings: bands for the engine, bands for a described equaliser on that
// equaliser's own steps, and positions of sliders.
//
// All fitting works on the grid of package curve, weighted by 1/(spread² + floor²): what reseating scatters is not
// chased. Everything is deterministic; the same input gives the same output.
package fit
