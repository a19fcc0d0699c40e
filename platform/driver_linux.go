package platform

import (
	"bufio"
	"errors"
	"os"
	"strings"

	"cushwright/engine"
)

// NewDriver returns the driver for this system. On Linux that is the sound server's own protocol (PulseAudio's, which
// PipeWire serves too) at server, or at the one that ServerString finds if server is ""; ALSA by way of malgo where no
// sound server answers but sound cards are present. It is decided here once: a driver that found a server waits for its
// return rather than change sides. The error is an *engine.Error.
func NewDriver(server string) (engine.Driver, error) {
	server, name, err := findServer(server)
	if err == nil {
		d := &native{server: server, name: name}
		if name == "PipeWire" {
			return newGraph(d), nil
		}
		return d, nil
	}
	if soundCards() {
		return newALSADriver()
	}
	return nil, err
}

// NewMalgoDriver returns malgo's device layer on the server that NewDriver would choose, or on ALSA: for a server whose
// protocol the other driver fails at. It adds some 50 ms more. The error is an *engine.Error.
func NewMalgoDriver(server string) (engine.Driver, error) {
	server, name, err := findServer(server)
	if err == nil {
		return newServerDriver(server, name)
	}
	if soundCards() {
		return newALSADriver()
	}
	return nil, err
}

// findServer tells the server's address and kind. One that was named need not answer yet.
func findServer(server string) (address, name string, err error) {
	named := server != "" || os.Getenv("PULSE_SERVER") != ""
	if server == "" {
		server = ServerString()
	}
	p, err := dial(server, nil)
	switch {
	case err == nil:
		defer p.close()
		if p.pipewire {
			return server, "PipeWire", nil
		}
		return server, "PulseAudio", nil
	case named:
		return server, "PulseAudio", nil
	}
	return "", "", devErr("find", "sound server", engine.Retry, errors.New("no PulseAudio or PipeWire answers at "+server+", and there is no sound card"))
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
