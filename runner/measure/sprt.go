package measure

import (
	"math"

	"gonum.org/v1/gonum/mathext"

	"fullthrow/drivers"
)

// SequentialOptions states what a sequential test of the packet error rate has
// to tell apart, and how surely.
type SequentialOptions struct {
	Good  float64 `unit:"%" range:"(0,100)" help:"lost by a unit that must be accepted"`
	Bad   float64 `unit:"%" range:"(0,100)" help:"lost by a unit that must be rejected"`
	Alpha float64 `unit:"1" default:"0.05" range:"(0,1)" help:"chance of rejecting a good unit"`
	Beta  float64 `unit:"1" default:"0.05" range:"(0,1)" help:"chance of accepting a bad one"`
	// Not given: the least of 1.0, 1.1 ... 3.0 times FixedPackets that keeps Alpha and Beta
	// exactly.
	MostPackets int `range:"[0,300000]" help:"after which it decides in any case; not given: 1 to 3 times fixed_packets"`
	// A packet counts as 1/Inflation of one.
	Inflation float64 `unit:"1" default:"1" range:"[1,1000]" help:"for losses in bursts, as bursts measures it"`
}

// SequentialPlanResult is a truncated sequential probability ratio test (Wald
// 1947; e-Handbook 6.2.3.6): accept when lost <= Slope sent - AcceptIntercept,
// reject when lost >= Slope sent + RejectIntercept, go on between.
type SequentialPlanResult struct {
	Slope           float64 `unit:"1" help:"s: losses per packet"`
	AcceptIntercept float64 `unit:"1" help:"h1: losses"`
	RejectIntercept float64 `unit:"1" help:"h2: losses"`
	FirstAccept     int     `help:"packets after which a unit without loss is accepted"`
	MostPackets     int     `help:"after which it decides in any case"`
	MaxAccept       int     `help:"losses up to which it then accepts, -1: none"`
	FixedPackets    int     `help:"that a test of fixed size needs for the same alpha and beta"`
	FixedAccept     int     `help:"losses that one accepts (exact binomial)"`
	// When it looks after every packet (with an Inflation above 1 approximately); looking
	// less often keeps Wald's bounds alpha/(1-beta), beta/(1-alpha).
	Alpha       float64 `unit:"1" help:"risk that the truncated test really has, summed exactly"`
	Beta        float64 `unit:"1" help:"the other"`
	PacketsGood float64 `unit:"1" help:"packets that it needs on average for a unit at good"`
	PacketsBad  float64 `unit:"1" help:"packets that it needs on average for a unit at bad"`
}

const maxPackets = 300_000

// SequentialPlan works out a test from what it has to tell apart. An error rate
// or risk out of range, Good not below Bad, a MostPackets that comes before any
// acceptance, and a plan of more than 300 000 packets are errors.
func SequentialPlan(o SequentialOptions) (SequentialPlanResult, error) {
	const op = "sequential"
	o, err := complete(op, o)
	if err != nil {
		return SequentialPlanResult{}, err
	}
	p0, p1 := o.Good/100, o.Bad/100
	switch {
	case p0 >= p1:
		return SequentialPlanResult{}, errorf(op, "good %v %%, bad %v %%: good < bad needed", o.Good, o.Bad)
	case o.Alpha+o.Beta >= 1:
		return SequentialPlanResult{}, errorf(op, "alpha %v, beta %v: together below 1 needed", o.Alpha, o.Beta)
	}
	k := math.Log(p1) - math.Log(p0) + math.Log1p(-p0) - math.Log1p(-p1)
	r := SequentialPlanResult{
		Slope:           (math.Log1p(-p0) - math.Log1p(-p1)) / k,
		AcceptIntercept: (math.Log1p(-o.Alpha) - math.Log(o.Beta)) / k,
		RejectIntercept: (math.Log1p(-o.Beta) - math.Log(o.Alpha)) / k,
	}
	for r.acceptUpTo(r.FirstAccept) < 0 {
		r.FirstAccept = max(r.FirstAccept+1, int(r.AcceptIntercept/r.Slope)-1)
	}
	if need := o.Inflation * float64(r.FirstAccept); o.MostPackets > 0 && float64(o.MostPackets) < need {
		return SequentialPlanResult{}, errorf(op, "most_packets is %d: no unit could be accepted before %.0f",
			o.MostPackets, math.Ceil(need))
	}
	var ok bool
	if r.FixedPackets, r.FixedAccept, ok = fixedPlan(p0, p1, o.Alpha, o.Beta); !ok {
		return SequentialPlanResult{}, errorf(op, "good %v %% and bad %v %% are too near: more than %d packets needed",
			o.Good, o.Bad, maxPackets)
	}
	if o.MostPackets > 0 {
		r.truncate(max(1, int(float64(o.MostPackets)/o.Inflation)), p0, p1, o.Beta)
		r.inflate(o)
		return r, nil
	}
	for tenths := 10; tenths <= 30; tenths++ {
		r.truncate((r.FixedPackets*tenths+9)/10, p0, p1, o.Beta)
		if r.Alpha <= o.Alpha && r.Beta <= o.Beta {
			break
		}
	}
	r.inflate(o)
	return r, nil
}

// inflate turns a plan for independent packets into one for packets in bursts.
// Near a boundary the count of losses wanders like a diffusion; with Inflation
// times the variance, boundaries that far further out keep both risks.
func (r *SequentialPlanResult) inflate(o SequentialOptions) {
	if o.Inflation == 1 {
		return
	}
	whole := func(n int) int { return int(math.Ceil(float64(n) * o.Inflation)) }
	r.AcceptIntercept *= o.Inflation
	r.RejectIntercept *= o.Inflation
	r.MostPackets, r.FixedPackets = whole(r.MostPackets), whole(r.FixedPackets)
	if o.MostPackets > 0 {
		r.MostPackets = o.MostPackets
	}
	// A whole number of effective losses stands for as many more real ones.
	r.MaxAccept = max(-1, int(math.Floor(float64(r.MaxAccept)*o.Inflation)))
	r.FixedAccept = int(math.Floor(float64(r.FixedAccept) * o.Inflation))
	r.PacketsGood *= o.Inflation
	r.PacketsBad *= o.Inflation
	r.FirstAccept = int(math.Ceil(r.AcceptIntercept / r.Slope))
}

// acceptUpTo is the largest number of losses that accepts after n packets, -1
// if none does; rejectFrom the smallest that rejects, which may be above n.
func (r *SequentialPlanResult) acceptUpTo(n int) int {
	return max(-1, int(math.Floor(r.Slope*float64(n)-r.AcceptIntercept)))
}

func (r *SequentialPlanResult) rejectFrom(n int) int {
	return int(math.Ceil(r.Slope*float64(n) + r.RejectIntercept))
}

// truncate ends the test after max packets. It then accepts as many losses as
// keep beta: a bad unit accepted costs more than a good one tested again.
func (r *SequentialPlanResult) truncate(max int, p0, p1, beta float64) {
	r.MostPackets = max
	good, bad := r.walk(p0), r.walk(p1)
	r.PacketsGood, r.PacketsBad = good.packets, bad.packets
	r.Alpha, r.Beta = 1-good.accepted, bad.accepted
	// Wald's line alone may accept a little more often than beta.
	r.MaxAccept = r.acceptUpTo(max)
	for i := range bad.open {
		if r.Beta+bad.open[i] > beta {
			break
		}
		r.Beta += bad.open[i]
		r.Alpha -= good.open[i]
		r.MaxAccept = bad.from + i
	}
}

// walked is how the test goes for one true rate.
type walked struct {
	accepted float64   // chance of crossing the line of acceptance
	packets  float64   // needed on average
	open     []float64 // chance of still being undecided at MostPackets, by losses
	from     int       // losses that open begins with
}

// walk follows the chances of all counts of losses packet by packet.
func (r *SequentialPlanResult) walk(p float64) walked {
	w := walked{open: []float64{1}}
	next := []float64{}
	for n := 1; n <= r.MostPackets; n++ {
		undecided := 0.0
		next = append(next[:0], make([]float64, len(w.open)+1)...)
		for i, q := range w.open {
			undecided += q
			next[i] += q * (1 - p)
			next[i+1] += q * p
		}
		w.packets += undecided
		low, high := max(0, r.acceptUpTo(n)+1-w.from), min(len(next), r.rejectFrom(n)-w.from)
		for _, q := range next[:min(low, len(next))] {
			w.accepted += q
		}
		w.from += low
		w.open, next = next[min(low, len(next)):max(high, min(low, len(next)))], append([]float64(nil), w.open...)
	}
	return w
}

// fixedPlan is the smallest number of packets n and of losses c to accept for
// which a unit at p0 is rejected with at most alpha, one at p1 accepted with at
// most beta.
func fixedPlan(p0, p1, alpha, beta float64) (n, c int, ok bool) {
	atMost := func(c, n int, p float64) float64 { // binomial distribution function
		if c >= n {
			return 1
		}
		return mathext.RegIncBeta(float64(n-c), float64(c+1), 1-p)
	}
	for c = 0; ; c++ {
		low, high := max(n, c+1)-1, maxPackets // beta not kept, kept
		if atMost(c, high, p1) > beta {
			return 0, 0, false
		}
		for high-low > 1 {
			if m := (low + high) / 2; atMost(c, m, p1) > beta {
				low = m
			} else {
				high = m
			}
		}
		n = high
		if 1-atMost(c, n, p0) <= alpha {
			return n, c, true
		}
	}
}

// SequentialResult is where a sequential test stands.
type SequentialResult struct {
	Decision    string `help:"accept, reject or continue"`
	Truncated   bool   `help:"decided because most_packets was reached, not by crossing a line"`
	AcceptUpTo  int    `help:"losses that accept at this number of packets, -1: none does yet"`
	RejectFrom  int    `help:"losses that reject"`
	MorePackets int    `help:"until it can accept at the earliest, if none is lost; 0 once decided"`
	MostPackets int    `help:"after which it decides in any case"`
}

// Sequential decides whether lost of sent packets are enough to accept or
// reject a unit, or whether to send more. A plan that sends in pieces asks
// after each piece, with the counts of all pieces so far, and stops at the
// first decision; asking less often than after every packet costs packets, not
// certainty.
//
// Losses are taken for independent unless Inflation is given: with bursts (see
// [Bursts]) the risks are several times larger than stated. At MostPackets or
// more the test accepts up to MaxAccept losses and rejects above; it never ends
// without a decision. Counts that cannot be, and what [SequentialPlan] refuses,
// are errors; no packet at all is "continue".
func Sequential(lost, sent int, o SequentialOptions) (SequentialResult, error) {
	if sent < 0 || lost < 0 || lost > sent {
		return SequentialResult{}, errorf("sequential", "%d of %d packets lost", lost, sent)
	}
	plan, err := SequentialPlan(o)
	if err != nil {
		return SequentialResult{}, err
	}
	r := SequentialResult{Decision: "continue", AcceptUpTo: plan.acceptUpTo(sent), RejectFrom: plan.rejectFrom(sent),
		MostPackets: plan.MostPackets}
	if sent >= plan.MostPackets {
		r.AcceptUpTo, r.RejectFrom = plan.MaxAccept, plan.MaxAccept+1
		r.Truncated = sent > plan.MostPackets || lost > plan.acceptUpTo(sent) && lost < plan.rejectFrom(sent)
	}
	switch {
	case sent > 0 && lost <= r.AcceptUpTo:
		r.Decision = "accept"
	case sent > 0 && lost >= r.RejectFrom:
		r.Decision = "reject"
	default:
		at := int(math.Ceil((float64(lost) + plan.AcceptIntercept) / plan.Slope))
		r.MorePackets = max(1, min(at, plan.MostPackets)-sent)
	}
	return r, nil
}

// SequentialFrames is [Sequential] of one capture, counted by [Link].
func SequentialFrames(f drivers.Frames, o SequentialOptions) (SequentialResult, error) {
	l, err := counted("sequential_frames", f)
	if err != nil {
		return SequentialResult{}, err
	}
	return Sequential(l.Lost, l.Expected, o)
}
