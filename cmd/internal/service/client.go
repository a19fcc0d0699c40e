package service

import (
	"context"
	"errors"
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

// Fit makes a cushion the fitted one: the running engine switches and playing is true, or the next engine starts with
// it. open reads the bench folder where there is no engine to ask. The text says what holds then.
func Fit(ctx context.Context, name string, open func() (*config.Snapshot, error)) (text string, playing bool,
	err error) {
	cl, err := Client()
	if err != nil {
		return "", false, err
	}
	st, err := cl.Wear(ctx, name)
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
	if err := Known(snap, "wear", name); err != nil {
		return "", false, err
	}
	if err := config.SaveFitted(name); err != nil {
		return "", false, err
	}
	return name + " is fitted; no engine is running, the next one starts with it", false, nil
}

// Asker is what a view of the engine needs of it: what it is doing, another cushion, and bypass.
type Asker interface {
	Status(context.Context) (control.Status, error)
	Wear(context.Context, string) (control.Status, error)
	Bypass(ctx context.Context, mode, with string) (bool, error)
}
