package config

import (
	"fmt"
	"strings"
)

// KeyCombo is a combination of modifiers and one key. The zero value means none.
type KeyCombo struct {
	Ctrl, Alt, Shift, Super bool
	Key                     string // a-z, 0-9, f1-f24 or a name of KeyNames
}

// KeyNames lists the keys that are neither a letter, a digit nor f1 to f24.
var KeyNames = []string{"space", "tab", "enter", "escape", "backspace", "insert", "delete", "home", "end", "page-up", "page-down",
	"up", "down", "left", "right", "pause", "print", "minus", "equal", "comma", "period", "slash", "semicolon"}

const keyAllowed = "modifiers ctrl, alt, shift, super (at least one of ctrl, alt, super, or an f-key), each once, and one key, joined by +, as in ctrl+alt+b"

// String returns the combination as ParseKey reads it, modifiers in a fixed order.
func (k KeyCombo) String() string {
	if k.Key == "" {
		return ""
	}
	var parts []string
	for _, m := range []struct {
		on   bool
		name string
	}{{k.Ctrl, "ctrl"}, {k.Alt, "alt"}, {k.Shift, "shift"}, {k.Super, "super"}} {
		if m.on {
			parts = append(parts, m.name)
		}
	}
	return strings.Join(append(parts, k.Key), "+")
}

// ParseKey reads a combination such as ctrl+alt+b: lower case, no blanks, every modifier at most once and before the key.
// The empty string is no key. A letter, digit or named key needs ctrl, alt or super, so that no typing key is taken away
// from the user; f-keys may stand alone.
func ParseKey(s string) (KeyCombo, error) {
	var k KeyCombo
	if s == "" {
		return k, nil
	}
	bad := func(why string) (KeyCombo, error) {
		return KeyCombo{}, fmt.Errorf("config: parse key %q: %s, allowed: %s", clip(s), why, keyAllowed)
	}
	if len(s) > 64 {
		return bad("too long")
	}
	parts := strings.Split(s, "+")
	for i, p := range parts {
		last := i == len(parts)-1
		var mod *bool
		switch p {
		case "ctrl":
			mod = &k.Ctrl
		case "alt":
			mod = &k.Alt
		case "shift":
			mod = &k.Shift
		case "super":
			mod = &k.Super
		case "":
			return bad("empty part")
		}
		switch {
		case last && mod != nil:
			return bad("no key after the modifiers")
		case last && !knownKey(p):
			return bad(fmt.Sprintf("unknown key %q", clip(p)))
		case last:
			k.Key = p
		case mod == nil:
			return bad(fmt.Sprintf("unknown modifier %q", clip(p)))
		case *mod:
			return bad(p + " twice")
		default:
			*mod = true
		}
	}
	if !k.Ctrl && !k.Alt && !k.Super && !fKey(k.Key) {
		return bad("would take a typing key away")
	}
	return k, nil
}

func knownKey(s string) bool {
	if len(s) == 1 {
		return s[0] >= 'a' && s[0] <= 'z' || s[0] >= '0' && s[0] <= '9'
	}
	for _, n := range KeyNames {
		if s == n {
			return true
		}
	}
	return fKey(s)
}

func fKey(s string) bool {
	switch len(s) {
	case 2:
		return s[0] == 'f' && s[1] >= '1' && s[1] <= '9'
	case 3:
		return s[0] == 'f' && (s[1] == '1' && s[2] >= '0' && s[2] <= '9' || s[1] == '2' && s[2] >= '0' && s[2] <= '4')
	}
	return false
}
