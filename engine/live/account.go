package live

// account is what an output with a buffer of its own has asked for and not been given, in frames. It is the only
// count of that: a driver asks the path instead of keeping a number beside it.
//
// Owner: the playback thread. The zero value is an account of nothing.
type account struct {
	owed  int
	fresh int  // of owed, what was asked for since the fill was read
	asks  bool // the output has asked: it has a buffer, from which it can wait
}

// ask adds frames that the device asks for.
func (a *account) ask(frames int) {
	a.owed += frames
	a.fresh += frames
	a.asks = true
}

// give takes off what the device is given, and reports whether any of it had been asked for.
func (a *account) give(frames int) (owed bool) {
	owed = a.owed > 0
	a.owed = max(0, a.owed-frames)
	return owed
}

// takeFresh is what was asked for since the last call.
func (a *account) takeFresh() (frames int) {
	frames = a.fresh
	a.fresh = 0
	return frames
}
