// Package measure turns captures into numbers: current, sound, stick travel,
// centring, switches, radio link, latency, restart.
//
// Every function takes one or more captures, and options where it has any, and
// gives a result and an error. They are pure, keep nothing between calls and
// may be called from several goroutines at once. [Measurements] is the list of
// them, and the tags of their options and results say unit, meaning, default and
// range of each field ([Fields]): shares and errors in % as in limits,
// probabilities and confidences from 0 to 1.
//
// Two kinds of "nothing there" are kept apart. A capture that cannot be
// measured at all (empty, too short, NaN in it, a channel that does not exist)
// is a mistake of the plan or the bench and an error:
//
//	measure: tune: capture has 3 samples, at least 2400 needed
//
// Silence of the unit (no note, no frame, no answer) is a result: Right 0, a
// very low level, Heard 0. Figures that then have no meaning are NaN, which no
// limit passes, unless the field says otherwise.
//
// Stick positions and channel values are in % of throw: 100 % is 512 µs from
// 1500 µs. Hysteresis, non-linearity and repeatability (IEC 61298-2) are in %
// of span, the whole way from end to end, which for a full sweep is 200 % of
// throw.
package measure
