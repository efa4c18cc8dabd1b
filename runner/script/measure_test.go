package script

import "testing"

// The loops that plans write around the functions that decide as they go: a
// sequential test, a search for the shortest reliable time off, a sweep.
func TestMeasuresThatDecide(t *testing.T) {
	s := newStage()
	err := s.run(t, body(`
local lost, sent, state = 0, 0, nil
repeat
  sent = sent + 40
  state = measure.sequential(lost, sent, { good = 1, bad = 5 })
until state.decision ~= "continue"
assert(state.decision == "accept", state.decision)
local plan = measure.sequential_plan { good = 1, bad = 5 }
assert(sent < plan.fixed_packets / 2 + 40, sent)

local o, trials = { shortest = 0.5, longest = 4, most_trials = 60 }, {}
local following = measure.next_off(trials, o)
while not following.done do
  trials[#trials + 1] = { off = following.off, started = following.off >= 2.4 }
  following = measure.next_off(trials, o)
end
assert(following.ending == "found" and following.reliable_off > 2.4 and following.reliable_off < 2.7, following.reliable_off)
local curve = measure.start_curve(trials, { fall_to = 30, capacitance = 100e-6 })
assert(curve.reliable_off == following.reliable_off and curve.needed == 22)
assert(curve.resistance > 18e3 and curve.resistance < 22e3, curve.resistance)

local points = {}
for i, lost in ipairs { 0, 1, 3, 40, 300, 990 } do points[i] = { attenuation = 60 + 2 * i, lost = lost, sent = 1000 } end
local edge = measure.sweep(points)
assert(edge.bound == "" and edge.interval.low < edge.attenuation and edge.attenuation < 68, edge.attenuation)
local away = measure.distance(edge.attenuation, { frequency = 2.44e9, bench_loss = 30, antenna_gain = 2 })
assert(math.abs(measure.attenuation(away.distance, { frequency = 2.44e9, bench_loss = 30, antenna_gain = 2 }) - edge.attenuation) < 1e-6)
assert(measure.compare(40, 1000, 5, 1000).worse)
assert(measure.bursts(bench.receiver:record { over = 1 }).lost >= 0)
`))
	if err != nil {
		t.Fatal(err)
	}
}

func TestMeasuresOfLists(t *testing.T) {
	s := newStage()
	err := s.run(t, body(`
local values = { 1, 2, 3, 4, 5 }
local found = measure.summary(values)
assert(found.mean == 3 and found.median == 3 and found.mean_interval.low < 3)
local p = measure.percentile(values, 99)
assert(p.value ~= p.value and p.needed == 99, "a 99th percentile of 5 values")
assert(#measure.histogram(values, { bin_width = 1 }) == 5)
assert(measure.line({ x = { 0, 1, 2 }, y = { 1, 3, 5 } }).slope == 2)
assert(measure.one_way({ { 1, 2 }, { 11, 12 } }).p < 0.02)
assert(measure.proportion(0, 10).exact.low == 0)
assert(measure.success_run(0.95, 95) == 59)
`))
	if err != nil {
		t.Fatal(err)
	}
}
