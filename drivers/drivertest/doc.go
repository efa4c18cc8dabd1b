// Package drivertest holds what tests of drivers need: conformance tests that
// say which promise of an interface was broken, wires that exist only in
// memory, and transcripts of conversations.
//
// For driver authors. A driver is handed a [drivers.Port]; a test hands it one
// of these instead of hardware:
//
//   - [Pipe]: the test itself stands at the other end.
//   - [Respond]: a function answers each write.
//   - [Playback]: a [Transcript] answers, and every byte the driver sends that
//     is not in it is an error naming file and line.
//
// All three wait through a [drivers.Clock], so they work on the machine's
// clock, inside a testing/synctest bubble (the machine's clock there is
// virtual) and on a simulated bench's clock.
//
// [Record] wraps a real port and notes the conversation, so that an afternoon
// at the fixture becomes a transcript that tests can replay for ever.
// [TestFaults] takes a good transcript and plays it again and again with one
// fault put into each reply in turn: silent, garbled, partial, gone, slow,
// stuck.
//
// For authors of ports and devices: [TestPort], [TestDevice], [TestLines] and
// [TestRecorder] check the promises written in the doc comments of package
// drivers.
//
// The package imports testing; only tests may import it.
package drivertest
