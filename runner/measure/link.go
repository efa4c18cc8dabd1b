package measure

import (
	"math"
	"slices"
	"time"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

// LinkOptions is what is known of a link beforehand.
type LinkOptions struct {
	Period float64 `unit:"s" range:"[0,1]" help:"between frames; 0: of the bench file, else measured"`
}

// LinkResult describes how much of what was sent arrived.
type LinkResult struct {
	_ struct{} `why:"the time between frames is not known"`

	Expected  int     `help:"frames that should have come in the time listened"`
	Received  int     `help:"frames that carried something new"`
	Lost      int     `help:"expected - received"`
	ErrorRate float64 `unit:"%" help:"lost of expected; 100 when nothing came"`
	// The interval to judge by: it allows for losses in bursts, for the ends of the
	// capture, and for losses that lateness may hide.
	Interval Interval `unit:"%" help:"two-sided 95 % interval of the error rate, with bursts, ends and lateness"`
	Least    float64  `unit:"%" help:"so much was lost at least, whatever the time between frames is"`
	// Bursts make the true bound wider. 100 when nothing was heard.
	Upper float64 `unit:"%" help:"one-sided 95 % upper bound of the error rate, for independent losses"`
	// 0 to 100 when nothing was expected.
	Exact        Interval `unit:"%" help:"two-sided 95 % interval for independent losses (Clopper-Pearson)"`
	Wilson       Interval `unit:"%" help:"the same by the score"`
	LongestGap   float64  `unit:"s" help:"without a new frame, ends of the capture included"`
	BurstLength  float64  `unit:"1" help:"mean number of frames lost in a row; 0 without a loss"`
	LongestBurst int      `help:"most frames lost in a row"`
	Failsafe     bool     `help:"the receiver said so at least once"`

	Period   float64    `unit:"s" help:"between two frames when none is lost; of the longest part"`
	Measured bool       `help:"the period was measured from the frames, not given"`
	Unknown  string     `help:"why the time between frames is not known; empty if it is"`
	Parts    []LinkPart `help:"where the frame rate changed: one for each rate"`
}

// LinkPart is a part of a capture with one frame rate.
type LinkPart struct {
	From     float64 `unit:"s" help:"when it begins"`
	Period   float64 `unit:"s" help:"between two frames when none is lost"`
	Expected int     `help:"frames that should have come in it"`
	Lost     int     `help:"of them"`
}

// longestPeriod bounds what is not known: no receiver sends fewer frames.
const longestPeriod = 0.0255 // s

// Link counts frames over time, against the grid on which they are sent; see
// [drivers.Paces] for how that is found where no period is given. A frame that the
// receiver marks as lost counts as not received, and so does a place of the grid
// without a frame. Where the frame rate changes in the capture each part has its
// own grid, and the change itself is no loss.
//
// Special inputs: nothing heard gives Received 0, ErrorRate and Upper 100 and
// LongestGap the capture's length. Where the time between frames cannot be told,
// Unknown says why: ErrorRate is none, only Least is known, and Expected and Lost
// count the frames that came. A capture without length and frames, and frames that
// come at another rate than the one given, are an error.
func Link(f drivers.Frames, o LinkOptions) (LinkResult, error) {
	if o.Period != 0 {
		if !(o.Period > 0 && o.Period <= 1) {
			return LinkResult{}, errorf("link", "period is %v s", o.Period)
		}
		f.Period = time.Duration(math.Round(o.Period * 1e9))
	}
	seen, err := listen("link", f)
	if err != nil {
		return LinkResult{}, err
	}
	r := LinkResult{LongestGap: seen.longestGap, Failsafe: seen.failsafe, Period: nan, Parts: seen.parts}
	bursts := 0
	for _, s := range seen.stretches {
		r.Expected += s.frames
		if s.lost {
			bursts++
			r.Lost += s.frames
			r.LongestBurst = max(r.LongestBurst, s.frames)
		}
	}
	r.Received = r.Expected - r.Lost
	if bursts > 0 {
		r.BurstLength = float64(r.Lost) / float64(bursts)
	}
	longest := 0
	for _, p := range seen.parts {
		if p.Expected >= longest {
			longest, r.Period, r.Measured = p.Expected, p.Period, seen.measured
		}
	}
	r.ErrorRate, r.Upper, r.Least = 100, 100, 100
	r.Exact, r.Wilson, r.Interval = Interval{0, 100}, Interval{0, 100}, Interval{0, 100}
	if seen.unknown != nil {
		due := (seen.length - 2*longestPeriod) / longestPeriod
		r.ErrorRate, r.Unknown = nan, seen.unknown.Error()
		r.Least = 100 * math.Max(0, 1-float64(r.Received)/math.Max(due, 1))
		return r, nil
	}
	if r.Expected > 0 {
		r.Exact, r.Wilson = percent(statistics.ClopperPearson(float64(r.Lost), float64(r.Expected), 0.95)),
			percent(statistics.Wilson(float64(r.Lost), float64(r.Expected), 0.95))
		few, many := float64(max(0, r.Lost-seen.fewer)), float64(r.Lost+seen.more)
		all := float64(r.Received) + many
		share := 1 / burstsOf(seen.stretches).Inflation
		low, _ := statistics.ClopperPearson(few*share, (float64(r.Received)+few)*share, 0.95)
		_, high := statistics.ClopperPearson(many*share, all*share, 0.95)
		r.Interval = percent(low, high)
		r.Least = r.Interval.Low
		if r.Received > 0 {
			r.ErrorRate = 100 * float64(r.Lost) / float64(r.Expected)
			_, upper := statistics.ClopperPearson(float64(r.Lost), float64(r.Expected), 0.90)
			r.Upper = 100 * upper
		}
	}
	return r, nil
}

// stretch is a number of frames in a row that were all lost or all received.
type stretch struct {
	lost   bool
	frames int
}

// listened is a series of frames as received and lost, in order.
type listened struct {
	stretches   []stretch
	parts       []LinkPart
	longestGap  float64 // s
	length      float64 // s
	failsafe    bool
	measured    bool  // the period, from the frames
	unknown     error // why the period is not known
	fewer, more int   // losses that there may be beside those counted
}

func (l *listened) add(lost bool, frames int) {
	if frames <= 0 {
		return
	}
	if n := len(l.stretches); n > 0 && l.stretches[n-1].lost == lost {
		l.stretches[n-1].frames += frames
		return
	}
	l.stretches = append(l.stretches, stretch{lost, frames})
}

// listen makes a capture into received and lost frames; see [Link].
func listen(op string, f drivers.Frames) (listened, error) {
	l := listened{length: f.Length.Seconds()}
	n := len(f.Frames)
	at := make([]time.Duration, n)
	for i := range f.Frames {
		at[i] = f.Frames[i].At
		if i > 0 && at[i] < at[i-1] {
			return listened{}, errorf(op, "frame %d is earlier than the one before", i)
		}
	}
	if n > 0 {
		l.length = math.Max(l.length, at[n-1].Seconds())
	}
	if l.length <= 0 {
		return listened{}, errorf(op, "capture has no length")
	}
	if f.Period < 0 {
		return listened{}, errorf(op, "period is %v", f.Period)
	}
	last := 0.0
	for i, frame := range f.Frames {
		l.failsafe = l.failsafe || frame.Failsafe
		if !isLost(frame) {
			l.longestGap = math.Max(l.longestGap, at[i].Seconds()-last)
			last = at[i].Seconds()
		}
	}
	l.longestGap = math.Max(l.longestGap, l.length-last)
	if n == 0 {
		if f.Period > 0 {
			due := int(math.Floor(l.length/f.Period.Seconds() + 1e-6))
			l.add(true, due)
			l.parts = []LinkPart{{Period: f.Period.Seconds(), Expected: due, Lost: due}}
		}
		return l, nil
	}
	paces, err := drivers.Paces(at, f.Period)
	if err != nil {
		if f.Period > 0 {
			return listened{}, errorf(op, "%v", err)
		}
		l.unknown = err
		for _, frame := range f.Frames {
			l.add(isLost(frame), 1)
		}
		return l, nil
	}
	l.count(f, at, paces)
	return l, nil
}

// isLost says whether the receiver had nothing new to say.
func isLost(f drivers.Frame) bool { return f.Lost || f.Failsafe }

// count counts frames and holes on the grid of each pace.
func (l *listened) count(f drivers.Frames, at []time.Duration, paces []drivers.Pace) {
	before, beforePeriod := 0.0, 0.0 // when the frame before was due
	// A hole ends half a period before what follows it: what is due at an end of the
	// capture may have come a moment outside.
	hole := func(until, period float64) int { return max(0, int(math.Round((until-before)/period))-1) }
	l.more = 2
	for _, p := range paces {
		period := p.Period.Seconds()
		part := LinkPart{From: before, Period: period}
		l.measured = l.measured || !p.Given
		slot, first, lateness := drivers.Slots(at[p.From:p.To], p.Period)
		if p.Hidden > 0 { // none seems to be missing
			for i := range slot {
				slot[i] = i
				first = min(first, at[p.From+i]-time.Duration(i)*p.Period)
			}
		}
		add := func(lost bool, frames int) {
			l.add(lost, frames)
			part.Expected += max(0, frames)
			if lost {
				part.Lost += max(0, frames)
			}
		}
		// At a change of rate nobody knows which of the two a hole belongs to.
		missing := hole(first.Seconds(), math.Max(period, beforePeriod))
		if beforePeriod > 0 {
			part.From = at[p.From].Seconds()
			l.more += hole(first.Seconds(), math.Min(period, beforePeriod)) - missing + 1
			l.fewer++
		}
		add(true, missing)
		for i, s := range slot {
			if i > 0 {
				add(true, s-slot[i-1]-1)
			}
			add(isLost(f.Frames[p.From+i]), 1)
		}
		if late := lateness.Seconds() / period; late > 0.5 {
			l.fewer, l.more = l.fewer+int(math.Ceil(late)), l.more+int(math.Ceil(late))
		}
		l.more += p.Hidden
		before, beforePeriod = first.Seconds()+float64(slot[len(slot)-1])*period, period
		if p.Hidden > 0 { // the last ones may be on their way
			before += lateness.Seconds()
		}
		if p.To == len(at) {
			add(true, hole(l.length, period))
		}
		l.parts = append(l.parts, part)
	}
}

// counted is [Link] for whoever needs its counts: an error where they are not known.
func counted(op string, f drivers.Frames) (LinkResult, error) {
	r, err := Link(f, LinkOptions{})
	if err == nil && r.Unknown != "" {
		err = errorf(op, "%s", r.Unknown)
	}
	return r, err
}

// BurstResult says whether losses come alone or in bursts. A frame here is one
// that was lost or received; lengths are in frames.
type BurstResult struct {
	_ struct{} `why:"too few losses, or nothing received"`

	Expected     int     `help:"frames that should have come in the time listened"`
	Lost         int     `help:"of them"`
	Bursts       int     `help:"runs of lost frames"`
	BurstLength  float64 `unit:"1" help:"mean number of frames lost in a row" why:"nothing was lost"`
	LongestBurst int     `help:"most frames lost in a row"`
	// In Gilbert's model the bad state loses everything: 1/Leave is the mean length.
	Enter float64 `unit:"1" help:"chance that a loss follows a received frame (Gilbert 1960)"`
	Leave float64 `unit:"1" help:"chance that a received frame follows a loss"`
	// By likelihood ratio; below 0.01, say, means bursts.
	Independence float64    `unit:"1" help:"chance of so uneven pairs if losses were independent; small: bursts"`
	Inflation    float64    `unit:"1" help:"by how much bursts widen the variance of the error rate; 1: independent"`
	Upper        float64    `unit:"%" help:"one-sided 95 % upper bound of the error rate, inflation allowed for"`
	Elliott      ElliottFit `help:"a good and a bad state, each with its own loss"`
}

// ElliottFit is the Gilbert-Elliott model (Elliott 1963): a good and a bad
// state, each with its own loss; both are hidden. The states follow each other
// frame by frame with the chances Enter (good to bad) and Leave.
type ElliottFit struct {
	_ struct{} `why:"not fitted: too few losses, or they are independent"`

	// Fitted takes 30 losses, 10 bursts, 30 received frames, an Independence of at most
	// 0.01, and at most 1 000 000 frames.
	Fitted   bool    `help:"there are losses enough to tell the states apart"`
	Enter    float64 `unit:"1" help:"chance from one frame to the next of going from good to bad"`
	Leave    float64 `unit:"1" help:"chance of going back"`
	GoodLoss float64 `unit:"1" help:"chance of a loss in the good state"`
	BadLoss  float64 `unit:"1" help:"chance of a loss in the bad state"`
}

// Bursts tells how losses follow each other. Frames are counted as by [Link],
// with the same special inputs; a capture without losses has Lost 0, Upper for
// independent losses, and NaN where its fields say so.
func Bursts(f drivers.Frames) (BurstResult, error) {
	seen, err := listen("bursts", f)
	if err != nil {
		return BurstResult{}, err
	}
	if seen.unknown != nil {
		return BurstResult{}, errorf("bursts", "%v", seen.unknown)
	}
	return burstsOf(seen.stretches), nil
}

func burstsOf(stretches []stretch) BurstResult {
	r := BurstResult{BurstLength: nan, Independence: nan, Inflation: 1, Upper: nan, Elliott: missing[ElliottFit]()}
	// Pairs of neighbours: received-received, received-lost, lost-received, lost-lost.
	var pairs [2][2]float64
	index := func(lost bool) int {
		if lost {
			return 1
		}
		return 0
	}
	for i, s := range stretches {
		k := index(s.lost)
		r.Expected += s.frames
		pairs[k][k] += float64(s.frames - 1)
		if i > 0 {
			pairs[1-k][k]++
		}
		if s.lost {
			r.Bursts++
			r.Lost += s.frames
			r.LongestBurst = max(r.LongestBurst, s.frames)
		}
	}
	if r.Bursts > 0 {
		r.BurstLength = float64(r.Lost) / float64(r.Bursts)
	}
	r.Enter = pairs[0][1] / (pairs[0][0] + pairs[0][1])
	r.Leave = pairs[1][0] / (pairs[1][0] + pairs[1][1])
	if r.Lost > 0 && r.Lost < r.Expected {
		r.Independence = independence(pairs)
		// The variance of a mean of a Markov chain with this correlation.
		if follow := 1 - r.Enter - r.Leave; follow > 0 {
			r.Inflation = min((1+follow)/(1-follow), float64(r.Expected))
		}
	}
	if r.Expected > 0 && r.Lost < r.Expected {
		_, upper := statistics.ClopperPearson(float64(r.Lost)/r.Inflation, float64(r.Expected)/r.Inflation, 0.90)
		r.Upper = 100 * upper
	}
	if r.Lost >= 30 && r.Bursts >= 10 && r.Expected-r.Lost >= 30 && r.Independence <= 0.01 && r.Expected <= 1_000_000 {
		r.Elliott = elliott(stretches, &r)
	}
	return r
}

// independence is the p value of the likelihood-ratio test that the second
// frame of a pair does not depend on the first (chi-square, 1 degree).
func independence(pairs [2][2]float64) float64 {
	total := pairs[0][0] + pairs[0][1] + pairs[1][0] + pairs[1][1]
	g := 0.0
	for i := range 2 {
		for j := range 2 {
			if n := pairs[i][j]; n > 0 {
				row, column := pairs[i][0]+pairs[i][1], pairs[0][j]+pairs[1][j]
				g += 2 * n * math.Log(n*total/(row*column))
			}
		}
	}
	return statistics.ChiSquareTail(math.Max(0, g), 1)
}

// elliott fits the hidden model by Baum and Welch's iteration from Gilbert's.
func elliott(stretches []stretch, r *BurstResult) ElliottFit {
	lost := make([]bool, 0, r.Expected)
	for _, s := range stretches {
		for range s.frames {
			lost = append(lost, s.lost)
		}
	}
	n := len(lost)
	overall := float64(r.Lost) / float64(n)
	f := ElliottFit{Fitted: true, Enter: r.Enter / 2, Leave: r.Leave / 2, GoodLoss: overall / 4,
		BadLoss: (1 + overall) / 2}
	alpha := make([]float64, n) // chance of the bad state, given the frames so far
	scale := make([]float64, n)
	for range max(20, min(500, 20_000_000/n)) {
		emit := func(lost bool) (good, bad float64) {
			if lost {
				return f.GoodLoss, f.BadLoss
			}
			return 1 - f.GoodLoss, 1 - f.BadLoss
		}
		bad := f.Enter / (f.Enter + f.Leave)
		for i, l := range lost {
			g, b := emit(l)
			if i > 0 {
				p := alpha[i-1]
				bad = (1-p)*f.Enter + p*(1-f.Leave)
			}
			g, b = (1-bad)*g, bad*b
			scale[i] = g + b
			alpha[i] = b / scale[i]
		}
		// Backwards, with the expected counts taken on the way.
		var inGood, inBad, goodLost, badLost, entered, left, fromGood, fromBad float64
		betaGood, betaBad := 1.0, 1.0
		for i := n - 1; i >= 0; i-- {
			good, bad := (1-alpha[i])*betaGood, alpha[i]*betaBad
			sum := good + bad
			good, bad = good/sum, bad/sum
			inGood, inBad = inGood+good, inBad+bad
			if lost[i] {
				goodLost, badLost = goodLost+good, badLost+bad
			}
			if i == 0 {
				break
			}
			g, b := emit(lost[i])
			g, b = g*betaGood/scale[i], b*betaBad/scale[i]
			p := alpha[i-1]
			gg, gb := (1-p)*(1-f.Enter)*g, (1-p)*f.Enter*b
			bg, bb := p*f.Leave*g, p*(1-f.Leave)*b
			sum = gg + gb + bg + bb
			entered, left = entered+gb/sum, left+bg/sum
			fromGood, fromBad = fromGood+(gg+gb)/sum, fromBad+(bg+bb)/sum
			betaGood, betaBad = (1-f.Enter)*g+f.Enter*b, f.Leave*g+(1-f.Leave)*b
		}
		next := ElliottFit{Fitted: true, Enter: entered / fromGood, Leave: left / fromBad,
			GoodLoss: goodLost / inGood, BadLoss: badLost / inBad}
		change := math.Abs(next.Enter-f.Enter) + math.Abs(next.Leave-f.Leave) + math.Abs(next.GoodLoss-f.GoodLoss) +
			math.Abs(next.BadLoss-f.BadLoss)
		if !statistics.Finite(change) {
			return missing[ElliottFit]()
		}
		f = next
		if change < 1e-7 {
			break
		}
	}
	return f
}

// LatencyResult describes the time from a movement to its answer, in s. Trials
// without answer are counted in Missed and are in nothing else: limit both.
type LatencyResult struct {
	_ struct{} `why:"nothing answered"`

	Trials   int
	Answered int
	Missed   int     `help:"trials without answer"`
	Mean     float64 `unit:"s"`
	Median   float64 `unit:"s"`
	SD       float64 `unit:"s" help:"n - 1; 0 for one answer"`
	// As e-Handbook 7.2.6.2 has it.
	P95       float64 `unit:"s" help:"95th percentile, rank p(N+1)" why:"fewer answers than needed_p95"`
	P99       float64 `unit:"s" help:"99th percentile" why:"fewer answers than needed_p99"`
	NeededP95 int     `help:"answers from which on p95 is given"`
	NeededP99 int     `help:"answers from which on p99 is given"`
	Min       float64 `unit:"s"`
	Max       float64 `unit:"s"`
	// Without a miss between. For independent normal times it is 1.128 SD; a drift leaves it
	// small, alternating answers make it large. (Several definitions are in use; this one is
	// common practice.)
	Jitter    float64 `unit:"s" help:"mean difference of answers that followed each other" why:"none did"`
	Histogram []Bin   `help:"of the answers, bins as histogram chooses them"`
}

// Answers are times of which some may be missing (NaN).
type Answers []float64

// Latency sums up trials; NaN is a trial without answer. At least one trial is
// needed. With no answer at all Answered is 0, every time NaN and the histogram
// empty. An infinite or negative time is an error: a timer does not give it.
func Latency(values Answers) (LatencyResult, error) {
	if len(values) == 0 {
		return LatencyResult{}, errorf("latency", "no trials, at least 1 needed")
	}
	r := LatencyResult{Trials: len(values), NeededP95: statistics.QuantileNeeds(0.95),
		NeededP99: statistics.QuantileNeeds(0.99)}
	answered := make([]float64, 0, len(values))
	var steps float64
	pairs := 0
	for i, v := range values {
		switch {
		case math.IsNaN(v):
			r.Missed++
			continue
		case math.IsInf(v, 0) || v < 0:
			return LatencyResult{}, errorf("latency", "trial %d took %v s", i+1, v)
		}
		if i > 0 && !math.IsNaN(values[i-1]) {
			steps += math.Abs(v - values[i-1])
			pairs++
		}
		answered = append(answered, v)
	}
	slices.Sort(answered)
	r.Answered = len(answered)
	r.Mean, r.SD = meanSD(answered)
	r.Median = statistics.Quantile(answered, 0.5)
	r.P95, r.P99 = enough(answered, 0.95), enough(answered, 0.99)
	r.Jitter = nan
	if pairs > 0 {
		r.Jitter = steps / float64(pairs)
	}
	r.Min, r.Max = nan, nan
	if r.Answered > 0 {
		r.Min, r.Max = answered[0], answered[r.Answered-1]
		var err error
		if r.Histogram, err = Histogram(answered, HistogramOptions{}); err != nil {
			return LatencyResult{}, err
		}
	}
	return r, nil
}
