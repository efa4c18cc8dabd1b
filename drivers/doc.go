// Package drivers says what the hardware of a test fixture can do, in
// interfaces small enough to have a real and a simulated implementation each.
//
// It holds no hardware access itself. A driver package (scpi, motion,
// receiver, ...) is handed a [Port] and a [Clock] and turns bytes into the
// values defined here; the simulated bench (drivers/sim) stands at the other
// end of the same ports and speaks the same bytes.
//
// For driver authors: every wait goes through the Clock or a Port, so that a
// plan that takes 40 s on hardware takes milliseconds on the simulated bench.
// Every method that waits takes a context first and returns context.Cause(ctx)
// (wrapped) when it is cancelled. Every failure is an [*Error] with a [Kind].
// Never report a value that was not read.
//
// For callers: values are SI without prefix (A, V, s, Hz, dB, dBm); stick
// positions are -1..+1 of mechanical travel; channel values are in the units
// of the wire format named by the capture.
package drivers
