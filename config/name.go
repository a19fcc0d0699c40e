package config

import "fmt"

// MaxNameLen is the length of the longest name.
const MaxNameLen = 64

// nameAllowed describes a name in messages.
const nameAllowed = "1 to 64 of a-z, 0-9 and -, beginning with a letter or digit"

// CheckName returns an error unless the name fits a cushion, correction or equaliser. Names become file names, so they hold
// nothing that a path could: 1 to 64 of a-z, 0-9 and -, beginning with a letter or digit.
func CheckName(name string) error {
	ok := len(name) >= 1 && len(name) <= MaxNameLen && name[0] != '-' && !reservedName(name)
	for i := 0; ok && i < len(name); i++ {
		c := name[i]
		ok = c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || c == '-'
	}
	if !ok {
		return fmt.Errorf("config: use name %q: not a name, allowed: %s", clip(name), nameAllowed)
	}
	return nil
}

// reservedName reports whether Windows takes the name for a device, with or without an extension.
func reservedName(name string) bool {
	switch name {
	case "con", "prn", "aux", "nul":
		return true
	}
	return len(name) == 4 && (name[:3] == "com" || name[:3] == "lpt") && name[3] >= '1' && name[3] <= '9'
}
