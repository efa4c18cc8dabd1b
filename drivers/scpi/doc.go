// Package scpi drives instruments and fixture boards that speak SCPI, over
// whatever port it is handed (serial, TCP, simulated).
//
// Every instrument is a row of a table ([Models]): its function, the words for
// each action, its ranges, its usual rate, its time-outs. A new instrument of a
// known function is a new row and nothing else.
//
// Rows come from files too (fullthrow help models), so whatever differs between
// makers is a key of the row and no if.
//
// # The conversation
//
// A command goes out as "INIT;:SYST:ERR?", a query as "SENS:DIG? (@1);:SYST:ERR?"
// with the reply 1;0,"No error", and so each costs one round trip; where a
// model's answers do not come joined (Model.Compound), where a block is fetched,
// and for *IDN?, "SYST:ERR?" follows by itself; where it takes one command a line
// each goes alone, and where it has no error queue nothing asks for it. Whatever
// the instrument has in its error
// queue is read until 0,"No error" and returned as one error of kind Refused
// with the instrument's numbers and texts ([InstrumentError]); a queue that does
// not empty within 32 entries is left and said so. Nothing is ever sent for a
// value outside the row's range: that is an OutOfRange error.
//
// Echo, prompt, greeting, NUL behind a line and the units of numbers are expected
// where the row says so, and are an error (Garbled, with what was received) where it
// does not; so is whatever stands behind an answer.
//
// # Nothing is taken on trust
//
// What is set is asked back in the same message ("VOLT 3.7;:VOLT?;:SYST:ERR?"),
// and an answer more than half a step off is a Fault: "asked for 60 dB, it says
// 0 dB". So is a capture in which every sample is exactly the same value
// (Model.Dead): a converter has noise. The meter is held to that as well, since
// a sampling ammeter's noise is well above the resolution of its REAL,32; the
// row of one that repeats its last digit says 0. Safe asks back too. Whether the output's terminals
// carry what the instrument believes no driver can know.
//
// # After trouble
//
// After a time-out, a reply that makes no sense, or a call that was cancelled,
// the instrument may still owe an answer. The next conversation first drops
// what comes until the line has been quiet for a moment, asks *IDN? and then
// SYST:ERR?, passes over every line that is not the kind of answer asked for,
// and makes sure that nothing follows. Answers come in the order of the
// questions, so a late one cannot be taken for a new one. The first
// conversation begins with the same two questions, and errors left in the queue
// by somebody else are dropped then.
//
// # Values
//
// V, A, s, dB. A capture from INIT to block is timed by the middle of INIT's
// round trip; its start may be off by half of that. The rate is the rate asked
// for. A sample of 9.9E37 (SCPI infinity) is an overload and an OutOfRange
// error; 9.91E37 is SCPI's "not a number": for a time interval it means that
// the answer never came, as a sample it is a Garbled error.
//
// A calibration corrects what is measured (gain*x + offset) and, the other way
// round, what is set: a supply calibrated with gain 1.01 is asked for 1/1.01 of
// the volts wanted. The gain of a digitiser is pascals per full scale, that of
// the microphone before it; without one, samples are fractions of full scale.
//
// # Who may call what
//
// Any method from anywhere; a device holds one conversation at a time and
// others wait. Safe does not wait: it ends the call under way and those that wait
// (they return an error that is context.Canceled) and is done, one way or the
// other, within the row's safe time ([drivers.SafeTimer]): by default three of its
// time-outs, at most 10 s. A silent instrument takes one time-out. Several channels
// of an instrument are devices of their own on one port ([Share]).
package scpi
