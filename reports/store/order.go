package store

import (
	"cmp"
	"slices"
)

// How runs are ordered.
//
// A station numbers its reports as it seals them, and nobody can set that back;
// its clock somebody can. So the runs of one station stand in the order of
// their numbers, whatever its clock said. Between stations there is nothing but
// their clocks. Where the clock of one contradicts its numbers, as few of its
// times as can be are disbelieved, and each of these takes the time believed
// before it (or, before the first, that one). By these times the runs of all
// stations are put together; those of one time by their number, then by their
// name. So no station's own order is ever violated, and a run that stands out
// of its time, in 1970 or in 2038, moves no other.
//
// The nests of a simulated station have a clock each, and run days in seconds
// beside each other: in a series each nest stands for a station.
//
// What is ordered so is what is ordered at all: the runs of a unit, the points
// of a series. In which hour or shift a run counts, which runs a question is
// about and which are the newest of a plant, the clock says.

// stand is what a run's place in the order comes from.
type stand struct {
	chain   int64  // of its station's key
	nest    string // where each nest has a clock of its own; else ""
	number  int64  // in the chain
	started int64  // ms, by the station's clock
	run     string
}

func (s stand) inChain(o stand) int {
	return cmp.Or(cmp.Compare(s.number, o.number), cmp.Compare(s.started, o.started), cmp.Compare(s.run, o.run))
}

// arrange puts a list in order, oldest first, and returns when each was, in ms, as
// far as is believed.
func arrange[T any](list []T, of func(*T) stand) (at []int64) {
	type placed struct {
		stand
		at   int64 // ms, when it was as far as is believed
		item T
	}
	all := make([]placed, len(list))
	for i := range list {
		all[i] = placed{stand: of(&list[i]), item: list[i]}
	}
	slices.SortFunc(all, func(a, b placed) int {
		return cmp.Or(cmp.Compare(a.chain, b.chain), cmp.Compare(a.nest, b.nest), a.inChain(b.stand))
	})
	for from := 0; from < len(all); {
		to := from + 1
		for to < len(all) && all[to].chain == all[from].chain && all[to].nest == all[from].nest {
			to++
		}
		times := make([]int64, to-from)
		for i := range times {
			times[i] = all[from+i].started
		}
		for i, at := range believed(times) {
			all[from+i].at = at
		}
		from = to
	}
	slices.SortFunc(all, func(a, b placed) int {
		return cmp.Or(cmp.Compare(a.at, b.at), a.inChain(b.stand))
	})
	for i := range all {
		list[i] = all[i].item
		at = append(at, all[i].at)
	}
	return at
}

// believed are times that never fall, the most of those given (the longest
// sequence that does not fall, by patience sorting), and for each of the others
// the one before it.
func believed(times []int64) []int64 {
	if slices.IsSorted(times) {
		return times
	}
	var tails []int // by length: where the sequence of that length with the smallest end ends
	before := make([]int, len(times))
	for i, at := range times {
		n, _ := slices.BinarySearchFunc(tails, at, func(tail int, at int64) int {
			if times[tail] <= at {
				return -1
			}
			return 1
		})
		before[i] = -1
		if n > 0 {
			before[i] = tails[n-1]
		}
		tails = append(tails[:n], append([]int{i}, tails[min(n+1, len(tails)):]...)...)
	}
	good := make([]bool, len(times))
	first := 0
	for i := tails[len(tails)-1]; i >= 0; i = before[i] {
		good[i], first = true, i
	}
	list := make([]int64, len(times))
	last := times[first]
	for i, at := range times {
		if good[i] {
			last = at
		}
		list[i] = last
	}
	return list
}
