// Package records finds, opens and begins what commands read and keep: a
// station's archive and its index, or the plant's database.
package records
