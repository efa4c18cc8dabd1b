// Package review answers questions about many runs: today, fails, drift, hold,
// differs, unit. It owns what an answer depends on: which runs are meant, which
// run of a unit counts, how things are ranked, of how many values figures are
// made. Whoever shows an answer (a command, a page) shows what is in it.
//
// A question is put as a name and a flat map of options to texts, the same for
// flags and addresses: see [Review.Parse]. An answer holds codes, names and
// numbers, in SI units without prefix, and is JSON as it stands. What cannot be
// answered as it was put is a [*Problem], also without words.
//
// A group counts each unit once, by its first judged run, unless retests are
// asked for; a unit alone goes by its newest judged run that counts, or by the
// run that was named.
package review
