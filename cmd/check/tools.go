package main

import (
	"fmt"
	"os"
	"os/exec"
	"strings"
)

// need is a tool that the tests run, and the Debian package that brings it.
type need struct {
	pkg   string
	probe []string // a command that succeeds where the tool works; one word: the program only has to be there
}

var needs = []need{
	{"git", []string{"git"}},
	{"debootstrap", []string{"debootstrap"}},
	{"gcc", []string{"gcc"}},
	{"libc6-dev", []string{"sh", "-c", "printf '#include <pthread.h>\\n' | gcc -E -o /dev/null -"}},
	{"gcc-mingw-w64-x86-64", []string{"x86_64-w64-mingw32-gcc"}},
	{"pulseaudio", []string{"pulseaudio"}},
	{"pulseaudio-utils", []string{"pactl"}},
	{"pipewire", []string{"pipewire"}},
	{"pipewire-bin", []string{"pw-cli"}},
	{"libpipewire-0.3-dev", []string{"test", "-e", "/usr/include/pipewire-0.3/pipewire/stream.h"}},
	{"pipewire-pulse", []string{"pipewire-pulse"}},
	{"wireplumber", []string{"wireplumber"}},
	{"dbus", []string{"dbus-daemon"}},
	{"sox", []string{"sh", "-c", "sox --help | grep -q ' flac '"}},
	{"ffmpeg", []string{"ffmpeg"}},
	{"flac", []string{"flac"}},
	{"espeak-ng", []string{"espeak-ng"}},
	{"python3-scipy", []string{"/usr/bin/python3", "-c", "import scipy.signal, scipy.optimize"}},
	{"xvfb", []string{"Xvfb"}},
	{"xdotool", []string{"xdotool"}},
	{"tmux", []string{"tmux"}},
	{"chromium", []string{"chromium"}},
}

func (n need) there() bool {
	path, err := exec.LookPath(n.probe[0])
	if err != nil {
		return false
	}
	return len(n.probe) == 1 || exec.Command(path, n.probe[1:]...).Run() == nil
}

func missing() (out []need) {
	for _, n := range needs {
		if !n.there() {
			out = append(out, n)
		}
	}
	return out
}

// tools probes every tool and installs the missing ones with apt-get, which takes root.
func (c *checker) tools() {
	lacking := missing()
	why := ""
	if len(lacking) > 0 {
		why = c.install(lacking)
		lacking = missing()
	}
	for range len(needs) - len(lacking) {
		c.pass()
	}
	for _, n := range lacking {
		c.fail(n.pkg, fmt.Sprintf("%s does not work: %s", strings.Join(n.probe, " "), why))
	}
}

// install returns why it could not, or what apt-get said.
func (c *checker) install(lacking []need) string {
	var pkgs []string
	for _, n := range lacking {
		pkgs = append(pkgs, n.pkg)
	}
	line := "apt-get install --no-install-recommends " + strings.Join(pkgs, " ")
	apt, err := exec.LookPath("apt-get")
	if err != nil {
		return "this system has no apt-get; install by its own means what Debian has as " + strings.Join(pkgs, ", ")
	}
	if os.Geteuid() != 0 {
		return "installing takes root; run once: sudo " + line
	}
	fmt.Println("      installing", strings.Join(pkgs, ", "))
	env := []string{"DEBIAN_FRONTEND=noninteractive"}
	var said strings.Builder
	for _, args := range [][]string{{"-q", "update"}, append([]string{"-q", "-y", "--no-install-recommends", "install"}, pkgs...)} {
		out, err := c.command(env, apt, args...).CombinedOutput()
		if err != nil {
			fmt.Fprintf(&said, "apt-get %s: %v\n%s", strings.Join(args, " "), err, out)
		}
	}
	if said.Len() == 0 {
		return "not even after a successful " + line
	}
	return said.String()
}
