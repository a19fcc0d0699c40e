//go:build race

package engine_test

// raced: the race detector slows the simulated time down tenfold. It sees all it can in a fraction of it.
const raced = true
