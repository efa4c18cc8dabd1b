// Package demo is the invented plant Lantern Quay: its units, which have the
// same defects each time, its fixtures, its lots and its history.
package demo
