// Package motion drives a machine that moves sticks, by G-code (the words of
// ISO 6983) over a serial line: a line goes out, "ok" or "error ..." comes back.
// How controllers differ is a row of [Models].
//
// # Positions
//
// Callers speak of axes by name ("left_x") and of positions in throws: 0 is the
// centre, -1 and +1 the ends of the stick's mechanical travel. The bench file
// says for each axis its letter on the machine, how many mm one throw is and how
// far it may go; beyond that nothing is sent and the error is OutOfRange. A rate
// is in throws per second of the axis that has the furthest to go.
//
// # Homing
//
// The machine does not know where it is until Home has found the reference of
// every axis and the machine has proved it (Model.Proof); one that cannot is
// Refused, unless Options.Home says that it is trusted. After Safe, after the
// banner of a controller that restarted, and after any failure or cancelled movement, it may
// stand anywhere: Move is Refused until Home has been called again.
//
// # Time
//
// Move sends the movement and then asks for the end of it, and returns the
// segment between the two acknowledgements. Both come late by the same delay of
// the line (some milliseconds), so its length is better known than its place.
// What a movement takes longer than its way at the rate (Segment.Even) are its ramps:
// the machine gathers speed and slows down at constant acceleration, which need not be
// known. A machine that says it has arrived clearly before it can
// have is not believed.
//
// Where a line or the computer is held up, a segment looks longer than the
// movement was. Movements that are planned to take the same time take the same:
// what one takes longer than the shortest of them so far the segment says
// (Segment.Takes). Where that is more than 20 ms, or 60 ms of a movement of up to
// 0.3 s, it is a Late error, and so is the first of its kind when this process
// stood still for that long in it, or when its ramps (Model.Ramps) cannot explain
// it. After a Late error the machine stands where it was sent to.
//
// # Who may call what
//
// Any method from anywhere; one call at a time holds the line and others wait.
// Safe does not wait: it ends the call under way and those that wait (they return an
// error that is context.Canceled) and stops the machine, if its model can be stopped,
// within Model.StopTime. That it stands is the machine's own word, given after the
// stop; without it Safe is an error.
package motion
