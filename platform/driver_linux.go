//go:build linux && cgo

package platform

import (
	"bufio"
	"errors"
	"os"
	"strings"

	"github.com/gen2brain/malgo"

	"cushwright/engine"
)

func newLinuxDriver(server string) (engine.Driver, error) {
	named := server != "" || os.Getenv("PULSE_SERVER") != ""
	if server == "" {
		server = ServerString()
	}
	pulse := &driver{backend: malgo.Backend(malgo.BackendPulseaudio), name: "PulseAudio", server: server}
	p, err := dial(server, nil)
	if err == nil {
		if p.pipewire {
			pulse.name = "PipeWire"
		}
		p.close()
		return pulse, nil
	}
	if named {
		return pulse, nil
	}
	if soundCards() {
		return &driver{backend: malgo.Backend(malgo.BackendAlsa), name: "ALSA"}, nil
	}
	return nil, devErr("find", "sound server", engine.Retry, errors.New("no PulseAudio or PipeWire answers at "+server+", and there is no sound card"))
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
