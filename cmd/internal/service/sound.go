package service

import (
	"context"
	"errors"
	"log/slog"

	"cushwright/config"
	"cushwright/engine"
	"cushwright/platform"
)

// Sound opens the driver and, unless the settings name the devices, the router with its guardian. The caller calls
// released when the route is let go.
func Sound(ctx context.Context, snap *config.Snapshot, runtimeDir string, log *slog.Logger) (
	driver engine.Driver, router engine.Router, released func(), err error) {
	opts := platform.RouterOptions{RuntimeDir: runtimeDir, Log: func(m string) { log.Info(m) }}
	newDriver := platform.NewDriver
	if snap.Settings.Sound.Driver == "malgo" {
		newDriver = platform.NewMalgoDriver
	}
	if driver, err = newDriver(platform.ServerString()); err != nil {
		return nil, nil, nil, err
	}
	if snap.Settings.Sound.Capture != "" {
		return driver, nil, func() {}, nil
	}
	if router, err = platform.NewRouter(opts); err != nil {
		return nil, nil, nil, err
	}
	if swept, err := platform.Sweep(ctx, opts); errors.Is(err, engine.ErrNoServer) {
		return nil, nil, nil, err
	} else if err != nil {
		log.Warn("looking for leftovers of an engine that died", "error", err)
	} else {
		for _, s := range swept {
			log.Info("put back", "what", s)
		}
	}
	guardian, err := platform.StartGuardian(opts)
	if err != nil {
		return nil, nil, nil, err
	}
	return driver, router, func() { guardian.Released() }, nil
}
