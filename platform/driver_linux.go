package platform

import (
	"bufio"
	"os"
	"strings"

	"cushwright/engine"
	"cushwright/platform/graph"
	"cushwright/platform/mini"
	"cushwright/platform/pulse"
)

// NewDriver returns the driver for this system. On Linux that is the sound server's own protocol (PulseAudio's, which
// PipeWire serves too) at server, or at the one that ServerString finds if server is ""; ALSA by way of malgo where no
// sound server answers but sound cards are present. It is decided here once: a driver that found a server waits for its
// return rather than change sides. The error is an *engine.Error.
func NewDriver(server string) (engine.Driver, error) {
	server, name, err := pulse.Find(server)
	if err == nil {
		d := pulse.NewDriver(server, name)
		if name == "PipeWire" {
			return graph.New(d, server), nil
		}
		return d, nil
	}
	if soundCards() {
		return mini.OnALSA()
	}
	return nil, err
}

// NewMalgoDriver returns malgo's device layer on the server that NewDriver would choose, or on ALSA: for a server whose
// protocol the other driver fails at. It adds some 50 ms more. The error is an *engine.Error.
func NewMalgoDriver(server string) (engine.Driver, error) {
	server, name, err := pulse.Find(server)
	if err == nil {
		return mini.OnServer(server, name, func() ([]engine.Device, error) { return pulse.Devices(server) })
	}
	if soundCards() {
		return mini.OnALSA()
	}
	return nil, err
}

func soundCards() bool {
	f, err := os.Open("/proc/asound/cards")
	if err != nil {
		return false
	}
	defer f.Close()
	for sc := bufio.NewScanner(f); sc.Scan(); {
		if line := strings.TrimSpace(sc.Text()); line != "" && !strings.HasPrefix(line, "---") {
			return true
		}
	}
	return false
}
