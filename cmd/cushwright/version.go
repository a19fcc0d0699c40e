package main

import (
	"runtime"
	"runtime/debug"
)

// version says what this program was built from and with what.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		info = &debug.BuildInfo{}
	}
	return versionOf(info)
}

// versionOf is the module's version or, where the build has none, "development" with the revision it was built from.
func versionOf(info *debug.BuildInfo) string {
	v := info.Main.Version
	if v == "" || v == "(devel)" {
		v = "development"
		for _, s := range info.Settings {
			switch {
			case s.Key == "vcs.revision":
				v += " " + s.Value[:min(12, len(s.Value))]
			case s.Key == "vcs.modified" && s.Value == "true":
				v += " with changes"
			}
		}
	}
	return v + ", " + runtime.Version() + ", " + runtime.GOOS + "/" + runtime.GOARCH
}
