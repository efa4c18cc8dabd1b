// Package wording turns codes, names and numbers into words: the messages of
// the language files, numbers and times as a reader's language writes them, and
// the translations of a plan's own sentences ([Texts]). It is the only place
// with prose; whoever shows something asks it for the sentence.
package wording
