// Package capturefile reads captures that lie in files, so that everything
// package measure can tell is told without a bench: recordings, exports of
// other instruments, tables typed by hand, and the raw data that a station
// keeps beside its reports.
//
// # Sound
//
// WAV, RF64 or BW64: integers of 8, 16, 24 or 32 bits, or floats; any number of
// channels up to 64. Values are fractions of full scale. A file written to a pipe,
// whose header states no length, goes to its end.
//
// # Tables
//
// Text (UTF-8, or UTF-16 with a byte order mark) of one row per line. The first row names each column as
// "quantity / unit"; "quantity_unit", "quantity (unit)" and "quantity [unit]"
// read the same. Units are those of limit files, with prefix: s, ms, uA, mV,
// dB, %. Columns that a measurement does not need may be there.
//
//	samples     time / s, current / A            one value column, or value1, value2, ... for channels
//	frames      time / s, channel1 / us, ...     or in %; with lost, failsafe (true or false); or time and lost alone
//	path        start / s, end / s, axis, from, to     of a stick, -1 to +1 or in %; with takes / s, less
//	            than end - start where a movement began or ended late by the rest, and even / s,
//	            what the way takes at its rate, where it has ramps
//	points      commanded / %, output / us, direction  up or down; cycle may number the cycles
//	releases    release, from, time / s, channel1 / us    from: low or high; one row per frame
//	trials, steps, duty, counts, strengths: see [File.Table]
//	values      one column; "-" is a trial without answer, for latency
//	groups      group, value; or one column per group
//	pairs       x and y: the first two columns of numbers
//
// Columns are separated by commas, semicolons or tabs. Where commas separate
// them the decimal sign is the point; otherwise it may be the comma, the same
// in the whole file. Numbers are never grouped in thousands. Where every number
// of a file could be read either way ("1,234"), it is refused until a line
// says which.
//
// Lines that begin with # before the first row are remarks. These mean
// something:
//
//	# decimal: comma     or point
//	# rate: 10 kHz       of samples; else from their times, which must be even
//	# start: 1.25 s      when time 0 was, on the clock of files kept together
//	# length: 8 s        how long was listened for frames; else until the last one
//	# period: 7 ms       time between frames; else measured from them
//	# format: SBUS       of frames
//	# gain: 0.625 us     and
//	# offset: 880 us     of frames: what a step of the receiver stands for
//	# damaged: 0         frames that failed their check
//
// # Exports of instruments
//
// Settings may stand above the table: it begins where rows of numbers do, below
// the row that names the columns. Units may stand in a row of their own, in the
// settings ("Vertical Units,V"), as "CH1 in V", or be stated beside the file
// ([File.SetUnit]). The time may be called x-axis, Second and the like; rows may be
// counted, with start and increment in the head; a rate does without times. Commas
// at the ends of rows, an empty line above and below the numbers are nothing.
// [File.Notes] says what was found. testdata has a file for each habit.
//
// # What is refused
//
// Whatever is wrong is an [Error] with file and line: text that is no number,
// NaN, infinity and what stands for an overload (9.9E37, OVLD), a row with another number of columns, a column named twice,
// times that go back or are uneven. Files beyond 64 MB, lines beyond 64 kB,
// more than 64 columns or 16 million numbers are refused before they fill the
// memory.
package capturefile
