// Package engine is the live loop: capture -> ring -> drift resampler -> headroom and chain -> guard -> meters ->
// playback, and the supervisor that opens, watches and repairs it. It knows no device library and no files: devices
// come through Driver and Router, corrections through Session.
package engine
