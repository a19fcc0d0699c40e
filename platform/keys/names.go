package keys

// keysyms are the X11 keysyms of the named keys, after X11/keysymdef.h of the X.Org project (values from memory; a test
// presses every one on a server under the name that Xlib gives it).
var keysyms = map[string]struct {
	sym  uint32
	name string // as libxkbcommon spells it
}{
	"space": {0x20, "space"}, "tab": {0xff09, "Tab"}, "enter": {0xff0d, "Return"}, "escape": {0xff1b, "Escape"},
	"backspace": {0xff08, "BackSpace"}, "insert": {0xff63, "Insert"}, "delete": {0xffff, "Delete"}, "home": {0xff50, "Home"},
	"end": {0xff57, "End"}, "page-up": {0xff55, "Page_Up"}, "page-down": {0xff56, "Page_Down"}, "up": {0xff52, "Up"},
	"down": {0xff54, "Down"}, "left": {0xff51, "Left"}, "right": {0xff53, "Right"}, "pause": {0xff13, "Pause"},
	"print": {0xff61, "Print"}, "minus": {0x2d, "minus"}, "equal": {0x3d, "equal"}, "comma": {0x2c, "comma"},
	"period": {0x2e, "period"}, "slash": {0x2f, "slash"}, "semicolon": {0x3b, "semicolon"},
}

// keysym returns the keysym of a key and its xkbcommon name; 0 for an unknown key. Letters and digits are their own
// codes, f1 is 0xffbe and the rest follow.
func keysym(key string) (uint32, string) {
	if len(key) == 1 && (key[0] >= 'a' && key[0] <= 'z' || key[0] >= '0' && key[0] <= '9') {
		return uint32(key[0]), key
	}
	if n := functionKey(key); n > 0 {
		return 0xffbe + uint32(n-1), "F" + key[1:]
	}
	k := keysyms[key]
	return k.sym, k.name
}

// functionKey returns the number of f1 to f24, else 0.
func functionKey(key string) int {
	if len(key) < 2 || len(key) > 3 || key[0] != 'f' || key[1] == '0' {
		return 0
	}
	n := 0
	for _, c := range []byte(key[1:]) {
		if c < '0' || c > '9' {
			return 0
		}
		n = 10*n + int(c-'0')
	}
	if n > 24 {
		return 0
	}
	return n
}
