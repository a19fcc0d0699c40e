package service

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"cushwright/config"
	"cushwright/engine/control"
)

// Socket is where the running engine of this user listens.
func Socket() (string, error) {
	dir, err := config.RuntimeDir()
	if err != nil {
		return "", err
	}
	return filepath.Join(dir, "engine.sock"), nil
}

// Client is a client of this user's engine, whether one is running or not.
func Client() (*control.Client, error) {
	s, err := Socket()
	if err != nil {
		return nil, err
	}
	return control.NewClient(s), nil
}

// Open is a client of this user's running engine, and what the engine is doing. Without an engine the error is
// control.ErrNoEngine.
func Open(ctx context.Context) (*control.Client, control.Status, error) {
	cl, err := Client()
	if err != nil {
		return nil, control.Status{}, err
	}
	st, err := cl.Status(ctx)
	if err != nil {
		return nil, control.Status{}, err
	}
	return cl, st, nil
}

// OpenFor is Open where the caller names a bench folder: an engine that plays another one is an error, which names both.
// "" names none, and any engine will do.
func OpenFor(ctx context.Context, bench string) (*control.Client, control.Status, error) {
	cl, st, err := Open(ctx)
	if err == nil {
		err = sameBench(bench, st.Bench)
	}
	if err != nil {
		return nil, control.Status{}, err
	}
	return cl, st, nil
}

// sameBench is nil if the named folder, "" for none, is the one that the engine plays.
func sameBench(named, plays string) error {
	if named == "" {
		return nil
	}
	abs, err := filepath.Abs(named)
	if err != nil {
		return fmt.Errorf("cushwright: find the bench %q: %w", named, err)
	}
	if abs == filepath.Clean(plays) { // also where the folder is gone
		return nil
	}
	if a, err := os.Stat(abs); err == nil {
		if b, err := os.Stat(plays); err == nil && os.SameFile(a, b) {
			return nil
		}
	}
	return fmt.Errorf("cushwright: the running engine plays the bench %q, and --bench names %q: leave --bench out, or "+
		"stop the engine and start one for that bench", plays, abs)
}

// Fit makes a cushion the fitted one: the running engine switches and playing is true, or the next engine starts with
// it. bench is as for OpenFor; open reads the bench folder where there is no engine to ask. The text says what holds then.
func Fit(ctx context.Context, bench, name string, open func() (*config.Snapshot, error)) (text string, playing bool,
	err error) {
	cl, st, err := OpenFor(ctx, bench)
	if err == nil {
		st, err = cl.Wear(ctx, name)
	}
	if err == nil {
		return st.Summary, true, nil
	}
	if !errors.Is(err, control.ErrNoEngine) {
		return "", false, err
	}
	snap, err := open()
	if err != nil {
		return "", false, err
	}
	if n, ok := snap.Called(name); ok {
		name = n
	}
	if err := wearable(snap, name); err != nil {
		return "", false, err
	}
	if err := config.SaveFitted(name); err != nil {
		return "", false, err
	}
	return fittedText(name) + "; no engine is running, the next one starts with it", false, nil
}

// Asker is what a view of the engine needs of it: what it is doing, another cushion, and bypass.
type Asker interface {
	Status(context.Context) (control.Status, error)
	Wear(context.Context, string) (control.Status, error)
	Bypass(ctx context.Context, mode, with string) (bool, error)
}
