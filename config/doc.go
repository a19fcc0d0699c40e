// Package config reads, checks, writes and watches the bench folder:
//
//	settings.toml              sound, guard, loudness match, keys, rig; every key optional
//	cushions/NAME.toml         what a cushion is
//	corrections/NAME.toml      reference, headroom_db, [[band]]
//	seats/NAME/left-01.csv     freq_hz,level_db[,phase_deg]: one placement on the rig, one ear
//	wanted/NAME.csv            a wanted response, usable in place of a reference cushion
//	equalisers/NAME.toml       what a listener's equaliser can do
//
// Load builds and checks the whole of it (seats and wanted responses are listed, and read only on demand) and returns an
// immutable Snapshot, or Problems that name file, line, key, value and what is allowed. Watcher does so after every change
// and hands over only what differs. Frequencies are in Hz, levels in dB, phases in degrees, lengths in mm, masses in g.
package config
