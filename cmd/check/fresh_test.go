package main

import (
	"slices"
	"testing"
)

func TestMirrorOf(t *testing.T) {
	for sources, want := range map[string]string{
		"": "",
		"Types: deb\n# a comment: here\nURIs: http://mirror.example/debian\nSuites: bookworm bookworm-updates\n":             "http://mirror.example/debian",
		"Types: deb\nURIs: http://tool.example/tool\nSuites: stable\n\nTypes: deb\nURIs: http://a.example\nSuites: bookworm": "http://a.example",
		"Types: deb\nURIs: http://security.example\nSuites: bookworm-security\n":                                             "",
		"deb [signed-by=/k] http://b.example/debian bookworm main\n":                                                         "http://b.example/debian",
		"# deb http://c.example/debian bookworm main\n":                                                                      "",
		"deb http://d.example/debian trixie main\n":                                                                          "",
	} {
		if got := mirrorOf(sources); got != want {
			t.Errorf("%q: %q, want %q", sources, got, want)
		}
	}
}

// The ways to the network go along; what a newcomer does not have stays behind.
func TestInsideEnv(t *testing.T) {
	goEnv := make([]string, len(carriedGo))
	goEnv[slices.Index(carriedGo, "GOPROXY")] = "http://modules.example"
	goEnv[slices.Index(carriedGo, "GOFLAGS")] = "-buildvcs=false"
	env := insideEnv([]string{"HOME=/home/me", "https_proxy=http://gate.example:3128", "NO_PROXY=localhost", "GOMODCACHE=/full",
		"PULSE_SERVER=x", "SSL_CERT_FILE=/mine"}, goEnv)
	want := []string{"HOME=/root", "LC_ALL=C.UTF-8", "PATH=/usr/local/go/bin:/usr/bin:/bin:/usr/sbin:/sbin",
		"SSL_CERT_FILE=" + freshCerts, "GOPROXY=http://modules.example", "GOFLAGS=-buildvcs=false",
		"https_proxy=http://gate.example:3128", "NO_PROXY=localhost"}
	if !slices.Equal(env, want) {
		t.Errorf("%q", env)
	}
}
