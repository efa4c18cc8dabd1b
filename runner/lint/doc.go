// Package lint holds all files of a product against each other: plan, limits,
// causes, drawing, translations and benches.
package lint
