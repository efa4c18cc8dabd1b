// Package station takes one unit through a nest: ready, plan, safe, judge,
// seal.
//
// A [Nest] is one place for a unit with the devices around it. [Nest.Run] does
// one passage and returns a sealed report, whatever happens: a unit that keeps
// its limits is passed, one that does not is failed, a bench that could not
// measure is an error, and a run that somebody or the interlock stopped is
// aborted. These are never mixed: a silent meter says nothing about the unit.
//
// Making safe is Go's. It starts the moment a run is cancelled and never waits
// for the script; a script that does not come back is abandoned, and its nest
// is out of service until the program is started again. Software can fail: the
// interlock here stops outputs early and says why, but the guard switch of a
// fixture must cut power by itself.
package station
