package measure

import (
	"math"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

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
