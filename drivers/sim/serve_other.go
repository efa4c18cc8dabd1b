//go:build !linux

package sim

import (
	"context"
	"errors"
)

// Serve needs Linux pseudo-terminals.
func Serve(context.Context, *Bench, Options) ([]Endpoint, error) {
	return nil, errors.New("serve: pseudo-terminals are served on Linux only")
}
