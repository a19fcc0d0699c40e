//go:build !windows && !darwin

package keys

import (
	"context"
	"os"
)

// open picks the desktop: under Wayland the portal, since grabs of an X11 client see only what X11 windows see there.
func open(ctx context.Context, f func(Action), ended func()) (desktop, error) {
	switch {
	case os.Getenv("WAYLAND_DISPLAY") != "":
		return openPortal(ctx, "", f, ended)
	case os.Getenv("DISPLAY") != "":
		return openX11(os.Getenv("DISPLAY"), f, ended)
	}
	return nil, ErrNoDisplay
}
