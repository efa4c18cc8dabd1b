//go:build !linux

package gpio

import "errors"

// List returns nothing: GPIO is for Linux only.
func List() ([]ChipInfo, error) { return nil, nil }

func openChip(string) (Chip, error) {
	return nil, errors.New("GPIO lines are for Linux only")
}
