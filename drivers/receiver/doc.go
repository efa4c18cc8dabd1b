// Package receiver hears what a bound radio receiver says: SBUS, CRSF, iBUS and
// SUMD frames on a serial line, PPM pulses on a GPIO input.
//
// The decoders ([SBUSDecoder], [CRSFDecoder], [IBUSDecoder], [SUMDDecoder], [PPM]) are apart from ports: bytes
// or edges in, frames out, at any cut of the stream. They find their place
// again after garbage and count what they lost. [Open] and [OpenPPM] put a
// decoder behind a port or an input and implement drivers.Receiver.
//
// # Values
//
// A frame carries raw values, channel 1 first, and the capture says how a raw
// value becomes a pulse width: microseconds = raw*Gain + Offset.
//
//   - SBUS and CRSF: 11 bits, 0.625 us each, raw 992 = 1500 us, so
//     us = 0.625*raw + 880; 172 is 987.5 us and 1811 is 2011.875 us. This is the
//     convention of the CRSF specification (TICKS_TO_US). For SBUS, which has no
//     public specification, some firmware uses + 875 instead (992 = 1495 us):
//     whoever compares with such a receiver will see 5 us on every channel.
//     Nothing here depends on the choice but Frames.Offset.
//   - iBUS: microseconds. SUMD: eighths of a microsecond.
//   - PPM: pulse widths in steps of 0.1 us (us = 0.1*raw).
//   - +-100 % of stick travel is +-512 us from 1500 us.
//
// # Time
//
// A frame's time is when its last byte was read (PPM: when its last pulse
// began, or ended where falling edges count, by the kernel's stamp). A frame of
// bytes is late by what the adapter and the system hold bytes back
// (commonly 1 to 16 ms with USB), and an SBUS frame takes another 3.0 ms on the
// wire. Frames that arrive in one read are placed one period apart (as given, or
// measured from the whole capture by [drivers.Paces]), the last at the end of the
// read: their times may be off by as much as the read was late, and one period more
// where frames were missing in between. Where the period is not known they are
// placed as close as the wire allows.
//
// PPM needs an input that records edges while nobody waits (drivers.EdgeRecorder;
// of the drivers here gpio, by the kernel's own interface): its edges are 0.3 to
// 2 ms apart, and a computer that is held up for longer would lose some, which
// makes the frames of a sound handset look damaged. [OpenPPM] takes no other.
// Edges that are known to be lost are an error and no capture.
//
// # Silence
//
// An SBUS receiver sends always, a CRSF receiver sends link statistics always:
// a line without a byte, or bytes without one whole frame, is a fault of the
// bench and an error. So is a capture in which not a byte came for longer than
// such a receiver may be silent (SBUS 100 ms, CRSF 250 ms), at its end as well:
// the receiver or its adapter stood still, and what it did not hear then was
// not lost by the handset. A receiver that sends but hears no handset gives frames
// marked lost (SBUS) or failsafe (SBUS, SUMD), or no channel frames at all (CRSF,
// iBUS, SUMD, PPM): a capture, no error. iBUS and SUMD receivers may send nothing
// then, so their silence is no error either.
//
// SBUS is inverted on the wire (idle low, 100000 baud, 8E2); the adapter has to
// turn it round, unless the receiver does ("non-inverted SBUS"). A line that is
// upside down, of any format, shows by the byte a port then hears first of a frame,
// and is told as such. One capture at a time: a second call waits for the first.
package receiver
