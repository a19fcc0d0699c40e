package main

import (
	"context"
	"fmt"

	"cushwright/cmd/internal/service"
	"cushwright/config"
	"cushwright/engine"
	"cushwright/engine/control"
)

// engine is a client of the running engine, and what that is doing. Where --bench names another bench than the engine
// plays, it is an error.
func (a *app) engine(ctx context.Context) (*control.Client, control.Status, error) {
	return service.OpenFor(ctx, a.bench)
}

// open reads and checks the bench folder. What is wrong with a record is said, and what is good is taken.
func (a *app) open() (*config.Snapshot, error) {
	dir, err := a.dir()
	if err != nil {
		return nil, err
	}
	snap, err := config.LoadGood(dir)
	if err != nil {
		return nil, err
	}
	for _, p := range snap.Bad {
		fmt.Fprintln(a.messages, "left out:", p)
	}
	return snap, nil
}

// played reads the bench folder and returns what the engine plays for a cushion. action is the verb of the message.
func (a *app) played(action, name string) (*config.Snapshot, engine.Selection, error) {
	snap, err := a.open()
	if err != nil {
		return nil, engine.Selection{}, err
	}
	call(snap, &name)
	if err := service.Known(snap, action, name); err != nil {
		return nil, engine.Selection{}, err
	}
	sel, err := service.Selection(snap, nil, name, "")
	return snap, sel, err
}
