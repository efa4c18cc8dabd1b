// Package text drives what speaks lines of text or bytes and is no instrument with
// a language of its own: the console of the unit under test, a tool of the fixture,
// a board of the plant's. What is said is the plan's; how lines and frames look is
// the bench file's.
//
// Lines end with any of \r\n, \n and \r; empty ones, NULs and the colours of
// terminals (ECMA-48 control sequences) count for nothing. Only a whole line is an
// answer, so that of 12.34 never 12.3 is read. A line that does not fit what is
// waited for is kept beside the answers.
//
// A wire may echo what it is sent. Where the bench file says so, the echo must come
// as it was sent, before the answer; where it does not, an echo is an error and
// never an answer. Late answers are not those to the next question: after one that
// had no answer it is waited until the device is quiet.
//
// Bounds: a line of 4 KiB, 256 KiB heard in one call, a frame of 64 KiB. Between
// calls nobody reads: what comes meanwhile waits in the computer's own buffer,
// which of a serial port holds some 4 KiB.
//
// Tried: on peers of a test and on the simulated handset's console; on no hardware
// yet.
package text
