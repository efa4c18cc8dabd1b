// Package script runs plans: Lua 5.1 files that say what to do with a unit and
// which readings to take. It alone knows the Lua interpreter.
//
// # For script authors
//
// A plan declares itself and its checks; what a check does is a function:
//
//	plan { product = "kittiwake-k8", revision = "C", cycle_time = 45, deadline = 120 }
//
//	check("standby", { about = "Draws next to nothing when off", part = "power", deadline = 10 }, function()
//	  bench.supply:off()
//	  wait(2)
//	  reading("current", bench.meter:current { over = 1.0 }, "A")
//	end)
//
// Seconds, amperes, volts, hertz, dB, without prefix; stick positions are -1
// to +1. Everywhere: wait, together, measure.*, note, require. Inside a check
// only: bench.*, reading, keep, ask. A plan holds no limit: it takes readings,
// limits.toml judges them. scripts/lib/annotations.lua lists every function for
// editors.
//
// A check with when = function() ... end is left out where that returns false or
// nil: an earlier check has shown that it cannot be made. Such a run can fail,
// but the Recorder must not let it pass.
//
// Missing on purpose: os, io, load and its kin, debug, coroutine, package,
// rawset, global variables (use local). Lua's string, table and math are there;
// math.random gives the same numbers in every run. All names of the language
// and of this package are read-only.
//
// together(f, g, ...) runs functions side by side and returns the first result
// of each, in order. They take turns: one goes on while the others wait, so
// two lines of Lua never run at once. The first error ends the others (at their
// next wait) and is raised where together was called.
//
// pcall works across waits. It catches errors of the script and of devices (as
// a value with the fields device, kind, message and hint), but not what must
// end the run: an abort, a deadline, the bounds below, a reading taken twice,
// a failure to record, a fault of the program itself.
//
// # Bounds
//
// Nothing a plan does can hang or exhaust the station, with one exception: a
// device whose driver ignores its context. Then Run does not return; the caller
// must make the fixture safe without waiting for it, and must not use the
// Recorder it handed in for anything else.
//
//   - Time: the deadlines of plan and check, in time of the bench's clock. A
//     wait never goes past one: it goes up to it and then ends the run.
//   - Processor time: [Host].Wall per check, counted only while Lua runs.
//   - Calls: 200 of Lua under way at once in each task. This holds for calls in
//     a return too: "return f()" takes a level of the stack, as any call does.
//   - Memory: strings up to 1 MiB, array indexes up to 100,000, 64 tasks, 65,536
//     values in locals, arguments and results; and [Host].Memory. Go cannot say how much memory one
//     interpreter holds, so two things must be true before a run is ended for
//     memory: by a generous count of its instructions, strings and captures it
//     can itself have taken that much, and the whole process has grown by that
//     much (since the count reached a quarter) after a garbage collection. Where
//     several runs are under way a third must be true: what it holds, as far as
//     it can be reached from its locals, is a quarter of the bound or more. So a
//     plan that holds little is never ended for what another nest does.
//     The bound is on what lives on the heap: garbage not yet collected comes on
//     top, as much as the caller's process allows (a station: half the bound).
//   - Pictures: PNG or JPEG, 32 MB and 24 million pixels, looked at before they are
//     decoded, one at a time; 100 reference pictures beside a plan, 128 MB of files.
//   - String patterns: refused where the worst case could take longer than
//     about two seconds, by the length of the text and the number of
//     repetitions in the pattern. The matcher cannot be stopped, so a check's
//     processor time may be passed by that much.
//
// # For callers
//
// [Load] compiles and checks a plan; a [Plan] may be run in any number of nests
// at once. See [Plan.Run], [Host], [Recorder].
package script
