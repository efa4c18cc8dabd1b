// Fullthrow tests hand-held radio-control transmitters on the production line.
//
// A bench file says what hardware a station has, a plan what to do with a
// unit, a limits file what its readings may be. `fullthrow test SERIAL` takes
// one unit through the plan and leaves one sealed report; `fullthrow demo`
// does so with a lot of simulated units and needs no hardware. The command's
// own help says the rest.
//
// This package is the only one that knows concrete drivers, flags, terminals
// and exit codes. Its list of drivers is [driverRows].
package main
