package platform

import "errors"

func errorsAs[T any](err error, target *T) bool { return err != nil && errors.As(err, target) }

func errorsIs(err, target error) bool { return errors.Is(err, target) }
