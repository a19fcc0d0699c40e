package pulse

import (
	"os"
	"testing"
)

func TestServerAddress(t *testing.T) {
	host, err := os.Hostname()
	if err != nil {
		t.Fatal(err)
	}
	// PulseAudio's documentation, "Server Strings"; 4713 is its port.
	for _, c := range []struct{ in, network, addr string }{
		{"/run/pulse/native", "unix", "/run/pulse/native"},
		{"unix:/run/pulse/native", "unix", "/run/pulse/native"},
		{"{" + host + "}unix:/x", "unix", "/x"},
		{"{of-another-host-entirely}unix:/x", "unix", ""},
		{"tcp:booth:1234", "tcp", "booth:1234"},
		{"tcp4:booth", "tcp4", "booth:4713"},
		{"tcp6:[::1]:99", "tcp6", "[::1]:99"},
		{"booth", "tcp", "booth:4713"},
		{"[::1]", "tcp", "[::1]:4713"},
	} {
		network, addr, err := serverAddress(c.in)
		if network != c.network || addr != c.addr || err != nil {
			t.Errorf("%q: %q %q %v, want %q %q", c.in, network, addr, err, c.network, c.addr)
		}
	}
	if _, _, err := serverAddress("{unclosed"); err == nil {
		t.Error("an unclosed brace passed")
	}
}

func FuzzServerAddress(f *testing.F) {
	for _, s := range []string{"", "{", "{}", "{a}", "unix:", "tcp:", "[", "[]:", "tcp6:[::1]:99", "/a b"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		network, _, err := serverAddress(s)
		if err == nil && network != "unix" && network != "tcp" && network != "tcp4" && network != "tcp6" {
			t.Errorf("%q: network %q", s, network)
		}
	})
}

func TestServerString(t *testing.T) {
	for _, k := range []string{"PULSE_SERVER", "PULSE_RUNTIME_PATH", "XDG_RUNTIME_DIR"} {
		t.Setenv(k, "")
	}
	want := func(s string) {
		t.Helper()
		if got := ServerString(); got != s {
			t.Errorf("%q, want %q", got, s)
		}
	}
	t.Setenv("XDG_RUNTIME_DIR", "/r")
	want("unix:/r/pulse/native")
	t.Setenv("PULSE_RUNTIME_PATH", "/p")
	want("unix:/p/native")
	t.Setenv("PULSE_SERVER", "tcp:booth")
	want("tcp:booth")
}
