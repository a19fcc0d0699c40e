package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
)

// What the step fresh makes and runs.
const (
	freshSuite = "bookworm" // Debian 12
	freshTree  = "/work"    // where the project lies in the root
	freshCerts = "/etc/ssl/certs/ca-certificates.crt"
	quickSteps = "^(format|vet|staticcheck|modules|generate)$" // they need Go, gcc and git alone
)

// fresh makes a Debian root with Go, gcc and git and nothing else, and runs in it what a newcomer runs first, with an
// empty module cache. How modules are got follows the environment of the check. It takes root and some minutes.
func (c *checker) fresh() {
	if runtime.GOOS != "linux" || os.Geteuid() != 0 {
		c.fail("fresh", "making a root takes the superuser on Linux: sudo go run ./cmd/check -run fresh")
		return
	}
	root, err := os.MkdirTemp("", "check-fresh-")
	if err != nil {
		c.fail("fresh", err.Error())
		return
	}
	defer os.RemoveAll(root) // nothing is mounted in it: what is, is so in the namespace of the commands alone
	sources, _ := filepath.Glob("/etc/apt/sources.list.d/*")
	var apt strings.Builder
	for _, f := range append(sources, "/etc/apt/sources.list") {
		b, _ := os.ReadFile(f) // may be missing
		apt.Write(append(b, '\n'))
	}
	args := []string{"--variant=minbase", "--include=gcc,libc6-dev,git,ca-certificates", freshSuite, root}
	if m := mirrorOf(apt.String()); m != "" {
		args = append(args, m)
	}
	if !c.expect("debootstrap "+freshSuite, false, nil, "debootstrap", args...) {
		return
	}
	env, err := c.furnish(root)
	if err != nil {
		c.fail("fresh", err.Error())
		return
	}
	inside := func(what string, quiet bool, command string) bool {
		return c.expect("in a fresh Debian: "+what, quiet, nil, "unshare", append([]string{"--mount", "--pid", "--fork",
			"--kill-child", "sh", "-c", insideScript, root}, append(env, command)...)...)
	}
	if !inside("git init", false, "git init -q && git add -A && git status --porcelain --ignored > /tmp/before") {
		return
	}
	inside("go run ./cmd/cushwright demo", false, "go run ./cmd/cushwright demo")
	inside("the demonstration leaves nothing in the working folder", true,
		"git status --porcelain --ignored | diff /tmp/before -")
	inside("go run ./cmd/check -run '"+quickSteps+"'", false, "go run ./cmd/check -run '"+quickSteps+"'")
	inside("go test ./cmd/check", false, "go test ./cmd/check")
}

// insideScript runs its last argument in the root $0, with the arguments before it as the whole environment.
const insideScript = `set -e
mount -t proc proc "$0/proc"
mkdir -p "$0/dev/pts" "$0/dev/shm"
mount -t devpts devpts "$0/dev/pts"
mount -t tmpfs tmpfs "$0/dev/shm"
exec chroot "$0" /usr/bin/env -i "$@"`

// furnish puts Go, the project and what the network needs into a root. It returns the environment for commands there,
// and their beginning.
func (c *checker) furnish(root string) ([]string, error) {
	fail := func(err error) ([]string, error) { return nil, fmt.Errorf("furnish %q: %w", root, err) }
	out, err := c.command(nil, "go", "env", "GOROOT").Output()
	if err != nil {
		return fail(explain(err))
	}
	goroot := strings.TrimSpace(string(out))
	if out, err := c.command(nil, "cp", "-aL", goroot, filepath.Join(root, "usr/local/go")).CombinedOutput(); err != nil {
		return fail(fmt.Errorf("%w: %s", err, out))
	}
	tree, err := readTree(c.root)
	if err != nil {
		return fail(err)
	}
	delete(tree, ".git") // of a second working tree; it leads out of the root
	certs := os.Getenv("SSL_CERT_FILE")
	if certs == "" {
		certs = freshCerts
	}
	for from, to := range map[string]string{certs: freshCerts, "/etc/resolv.conf": "/etc/resolv.conf", "/etc/hosts": "/etc/hosts"} {
		if b, err := os.ReadFile(from); err == nil { // a system without one needs none
			tree[filepath.Join("..", to)] = b
		}
	}
	for name, b := range tree {
		to := filepath.Join(root, freshTree, name)
		if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil {
			return fail(err)
		}
		if err := os.WriteFile(to, b, 0o644); err != nil {
			return fail(err)
		}
	}
	out, err = c.command(nil, "go", append([]string{"env"}, carriedGo...)...).Output()
	if err != nil {
		return fail(explain(err))
	}
	return append(insideEnv(os.Environ(), strings.Split(strings.TrimRight(string(out), "\n"), "\n")),
		"sh", "-c", `cd "$0" && eval "$1"`, freshTree), nil
}

// carriedGo are the settings of the go command that say how modules are got.
var carriedGo = []string{"GOPROXY", "GONOPROXY", "GOPRIVATE", "GONOSUMDB", "GOSUMDB", "GOINSECURE", "GOVCS", "GOTOOLCHAIN",
	"GOFLAGS"}

// insideEnv is the environment for commands in the root: that of a new user, with the outer one's ways to the network.
// goEnv are the values of carriedGo.
func insideEnv(outer, goEnv []string) []string {
	env := []string{"HOME=/root", "LC_ALL=C.UTF-8", "PATH=/usr/local/go/bin:/usr/bin:/bin:/usr/sbin:/sbin",
		"SSL_CERT_FILE=" + freshCerts}
	for i, v := range goEnv {
		if v != "" {
			env = append(env, carriedGo[i]+"="+v)
		}
	}
	for _, kv := range outer {
		k, _, _ := strings.Cut(kv, "=")
		switch strings.ToLower(k) {
		case "http_proxy", "https_proxy", "no_proxy", "all_proxy":
			env = append(env, kv)
		}
	}
	return env
}

var aptSource = regexp.MustCompile(`(?m)^deb\s+(?:\[[^]]*\]\s+)?(\S+)\s+` + freshSuite + `\s`)

// mirrorOf is where apt's sources say that Debian 12 comes from, "" where they do not say.
func mirrorOf(sources string) string {
	for stanza := range strings.SplitSeq(sources, "\n\n") {
		field := map[string]string{}
		for line := range strings.Lines(stanza) {
			if k, v, ok := strings.Cut(line, ":"); ok && !strings.HasPrefix(line, "#") {
				field[strings.ToLower(k)] = " " + strings.TrimSpace(v) + " "
			}
		}
		if u := strings.Fields(field["uris"]); len(u) > 0 && strings.Contains(field["suites"], " "+freshSuite+" ") {
			return u[0]
		}
	}
	if m := aptSource.FindSubmatch(bytes.ReplaceAll([]byte(sources), []byte("\t"), []byte(" "))); m != nil {
		return string(m[1])
	}
	return ""
}
