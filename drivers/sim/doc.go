// Package sim is a simulated bench with simulated handsets: the far end of
// every wire a fixture has, with the physics behind it.
//
// A [Bench] hands out a [drivers.Port] per role ("supply", "meter", "board",
// "attenuator", "microphone", "sticks", "receiver"). What is written to a port
// is the text or the bytes that real hardware would get (SCPI, G-code, SBUS,
// CRSF, iBUS or SUMD frames), and the answers are computed from the state of the handset that
// lies on the bench: nothing in a driver knows that it talks to a simulation.
// [Serve] puts the same bench on pseudo-terminals and TCP sockets.
//
// Time is the [drivers.Clock] given to [NewBench]. On a [Clock] of this package
// waiting costs nothing and a plan of 40 s takes milliseconds; on
// [drivers.System] the same bench runs in real time. Replies and captures are
// computed when they are read, at or after the moment they are due, from the
// history of power, relays and movements.
//
// Everything random is drawn from the bench's seed and the handset's own seed,
// and counted from the moment of [Bench.Load]: the same handset, handled the
// same way, gives the same bytes.
//
// Units are SI without prefix (V, A, ohm, F, s, Hz, dB, dBm). Stick positions
// are -1..+1 of the mechanical throw, and stick errors fractions of that
// half throw: 0.01 is 1 %. Sound is a fraction of full scale of the digitiser.
//
// What is invented and what is not: the wire formats are those of the open
// texts named beside them. Channel scale (992 = centre, 819.2 raw = 100 %),
// frame rates and the fail-safe flag are common practice of hobby radio. The
// RC restart node, the two-state burst channel (Gilbert 1960, Elliott 1963) and
// the play operator (a backlash, or Prandtl-Ishlinskii play) are textbook
// models. All amounts - currents, tolerances, tune, path loss, shares and
// severities of defects - are invented for the demonstration product.
//
// A Bench may be used by several goroutines. A Port belongs to one caller at a
// time, as [drivers.Port] says, except Close.
package sim
