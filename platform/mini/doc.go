// Package mini is the driver over malgo: ALSA where no sound server answers, WASAPI and Core Audio, and a sound server
// whose protocol the other drivers fail at (`sound.driver = "malgo"`). It is reached by cgo alone.
//
// malgo makes the playback period the server's whole buffer. That is 40 ms of its delay on PulseAudio (package platform
// has the figures). The back end is always named, because an open choice can end in a silent one.
package mini
