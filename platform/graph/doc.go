// Package graph is the driver that takes part in PipeWire's own graph, by its library. Its two streams run on the
// graph's clock, in its cycles. The library is found at run time: neither a header nor a link-time library is needed.
// It exists on Linux, with cgo.
//
// By the server protocol that PipeWire serves as well, three of its smallest requests (16 ms in version 0.3.65) lie in
// the output's buffer whatever is asked for; here it is one cycle. Where the library is missing, or its streams never
// run, that protocol's driver takes over.
//
// Both callbacks belong to one cycle. The capture's triggers the output's, so that nothing waits for the next cycle and
// none is missing where the cycle changes. This holds from version 0.3.65 on. In older versions the output's turn comes
// first, which costs a cycle.
//
// A cycle of 256 frames gives the delay of PipeWire's loopback at 10 ms, one of 128 frames that at 5 ms. At `low` the
// driver takes 128. Of its delay (package platform has the figures) 2.7 ms are that cycle, 1.7 ms the signal processing
// and 0.25 ms are kept in the ring; the delay is measured by a driving sink's monitor, which is a cycle late. At 64
// frames the delay is 3.3 ms, for 1.6 times the server's processor time and half the slack. A cycle of 128 frames
// leaves no room for a machine that stands still for 3 ms.
package graph
