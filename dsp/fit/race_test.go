//go:build race

package fit

// The race detector makes a fit ten times slower and looks at the same goroutines in each: few cases do.
const racing = true
