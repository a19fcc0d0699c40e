package platform

import "errors"

func errorsAs[T any](err error, target *T) bool { return err != nil && errors.As(err, target) }
