package measure

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/optimize"

	"fullthrow/reports/statistics"
)

// Tried is how often something was detected at one strength of it.
type Tried struct {
	Strength float64 `unit:"strength" help:"a severity, or its logarithm"`
	Trials   int
	Caught   int `help:"of trials"`
}

func (t Tried) Fault() string {
	if !statistics.Finite(t.Strength) || t.Trials < 0 || t.Caught < 0 || t.Caught > t.Trials {
		return fmt.Sprintf("%d caught of %d trials at strength %v", t.Caught, t.Trials, t.Strength)
	}
	return ""
}

// DetectionResult is how the share detected rises with strength.
type DetectionResult struct {
	Edges    []Edge    `help:"in the order of probabilities"`
	Detected []float64 `unit:"1" help:"probability at each of strengths"`
}

// Edge is the strength at which a Probability of detection is reached, and
// between what it lies at the confidence asked for. An end that lies outside
// the strengths tried is -Inf or +Inf: nothing was tried there.
type Edge struct {
	_ struct{} `why:"nothing was tried there"`

	Probability float64 `unit:"1" help:"of detection"`
	Strength    float64 `unit:"strength" help:"at which it is reached"`
	Low         float64 `unit:"strength" help:"end of its interval"`
	High        float64 `unit:"strength" help:"end of its interval"`
}

// DetectionOptions for [Detection].
type DetectionOptions struct {
	Probabilities []float64 `unit:"1" default:"0.5,0.95" range:"(0,1)" help:"of detection whose strengths are wanted"`
	Confidence    float64   `unit:"%" default:"95" range:"[50,100)" help:"of the intervals"`
	Strengths     []float64 `unit:"strength" help:"at which the probability of detection is wanted, as 0.1,0.2"`
}

// How finely edge and width of the logistic curve are tried.
const (
	edgeSteps  = 96
	widthSteps = 24
)

// logistic is one logistic curve and how well it explains the trials.
type logistic struct{ half, width, weight float64 }

// logisticRange is a range of edges and of logarithms of widths.
type logisticRange struct{ half0, half1, width0, width1 float64 }

// Detection fits a logistic curve, 1/(1+exp(-(x-half)/width)), to what was
// detected. It weighs every pair of edge and width by how well it explains the
// trials, all edges and all orders of width taken for equally likely
// beforehand; edges and their intervals are quantiles of that. So it has an
// answer also where nothing below a strength and everything above it was
// detected, where the most likely curve is a step of no width: the edge then
// lies anywhere in the gap.
//
// Edges are sought half a span beyond the strengths tried, widths from 1/500 of
// the span to all of it.
//
// Errors: fewer than two strengths, a strength that is not finite, counts that
// cannot be, a probability or confidence not between 0 and 1.
func Detection(tried []Tried, o DetectionOptions) (DetectionResult, error) {
	const op = "detection"
	o, err := complete(op, o)
	if err != nil {
		return DetectionResult{}, err
	}
	c := o.Confidence / 100
	var at []Tried // one entry a strength
	for _, t := range tried {
		if fault := t.Fault(); fault != "" {
			return DetectionResult{}, errorf(op, "%s", fault)
		}
		if t.Trials > 0 {
			at = append(at, t)
		}
	}
	slices.SortFunc(at, func(a, b Tried) int { return cmp.Compare(a.Strength, b.Strength) })
	at = merge(at)
	if len(at) < 2 {
		return DetectionResult{}, errorf(op, "%d strengths tried, at least 2 are needed", len(at))
	}

	first, last := at[0].Strength, at[len(at)-1].Strength
	span := last - first
	// A coarse look at everything, then a fine one where the weight is.
	everywhere := logisticRange{first - span/2, last + span/2, math.Log(span / 500), math.Log(span)}
	_, there := weigh(at, everywhere, everywhere)
	curves, _ := weigh(at, there, everywhere)
	total := 0.0
	for _, k := range curves {
		total += k.weight
	}
	curves = slices.DeleteFunc(curves, func(k logistic) bool { return k.weight < 1e-9*total })

	var r DetectionResult
	type place struct{ at, weight float64 }
	for _, l := range o.Probabilities {
		places := make([]place, len(curves))
		sum := 0.0
		for i, k := range curves {
			places[i] = place{k.half + k.width*math.Log(l/(1-l)), k.weight}
			sum += k.weight
		}
		slices.SortFunc(places, func(a, b place) int { return cmp.Compare(a.at, b.at) })
		quantile := func(q float64) float64 {
			seen := 0.0
			for _, p := range places {
				if seen += p.weight; seen >= q*sum {
					return inside(p.at, first, last)
				}
			}
			return inside(places[len(places)-1].at, first, last)
		}
		low, high := quantile((1-c)/2), quantile((1+c)/2)
		r.Edges = append(r.Edges, Edge{Probability: l, Strength: quantile(0.5), Low: low, High: high})
	}
	for _, x := range o.Strengths {
		share, sum := 0.0, 0.0
		for _, k := range curves {
			share += k.weight / (1 + math.Exp(-(x-k.half)/k.width))
			sum += k.weight
		}
		r.Detected = append(r.Detected, share/sum)
	}
	return r, nil
}

// weigh tries the curves of a range and returns them with their weights, and
// the range, within whole, outside of which hardly any weight lies.
func weigh(at []Tried, in, whole logisticRange) ([]logistic, logisticRange) {
	curves := make([]logistic, 0, edgeSteps*widthSteps)
	halfStep, widthStep := (in.half1-in.half0)/edgeSteps, (in.width1-in.width0)/widthSteps
	best := math.Inf(-1)
	for j := range widthSteps {
		width := math.Exp(in.width0 + (float64(j)+0.5)*widthStep)
		for i := range edgeSteps {
			half := in.half0 + (float64(i)+0.5)*halfStep
			fit := 0.0
			for _, t := range at {
				z := (t.Strength - half) / width
				// ln(1-p) = -softplus(z), ln p = z - softplus(z)
				fit -= float64(t.Trials)*softplus(z) - float64(t.Caught)*z
			}
			best = max(best, fit)
			curves = append(curves, logistic{half, width, fit})
		}
	}
	// e^-12 of the best and less, all of them together, hardly count; two steps
	// more, since the best may lie between those tried.
	there := logisticRange{math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)}
	for i, k := range curves {
		if k.weight > best-12 {
			there.half0, there.half1 = min(there.half0, k.half-2*halfStep), max(there.half1, k.half+2*halfStep)
			w := math.Log(k.width)
			there.width0, there.width1 = min(there.width0, w-2*widthStep), max(there.width1, w+2*widthStep)
		}
		curves[i].weight = math.Exp(k.weight - best)
	}
	there.half0, there.half1 = max(there.half0, whole.half0), min(there.half1, whole.half1)
	there.width0, there.width1 = max(there.width0, whole.width0), min(there.width1, whole.width1)
	return curves, there
}

// merge adds up neighbours of one strength.
func merge(sorted []Tried) []Tried {
	var out []Tried
	for _, t := range sorted {
		if n := len(out); n > 0 && out[n-1].Strength == t.Strength {
			out[n-1].Trials += t.Trials
			out[n-1].Caught += t.Caught
		} else {
			out = append(out, t)
		}
	}
	return out
}

// softplus is ln(1 + e^z), for any z.
func softplus(z float64) float64 { return max(z, 0) + math.Log1p(math.Exp(-math.Abs(z))) }

// inside is x, infinite where it lies outside of low to high.
func inside(x, low, high float64) float64 {
	switch {
	case x < low:
		return math.Inf(-1)
	case x > high:
		return math.Inf(1)
	}
	return x
}

// response is how often something happens at each setting: packets lost at an
// attenuation, starts after a time off. It is taken to grow with x.
type response struct {
	x              []float64 // ascending
	events, trials []float64
	probit         bool    // normal curve instead of the logistic one
	target         float64 // share of events whose x is wanted, 0..1
	// floor: a share of events below target that happens at every x may be
	// fitted too ("natural mortality", Abbott 1925).
	floor bool
}

// fitted is the curve through a response: at x the share is
// floor + (1 - floor) F(slope (x - at) + F^-1 of the target).
type fitted struct {
	at, slope, floor float64
	loss             float64 // negative log likelihood
	dispersion       float64 // Pearson's chi-square over its degrees of freedom, at least 1
	interval         Interval
}

const (
	steepest    = 1e3 // slopes, in ranges of x: steeper is a step
	maxSettings = 500 // more make a fit slow and say no more
)

func (r *response) curve(z float64) float64 {
	if r.probit {
		return statistics.NormalLower(z)
	}
	return 1 / (1 + math.Exp(-z))
}

func (r *response) inverse(p float64) float64 {
	if r.probit {
		return statistics.NormalQuantile(p)
	}
	return math.Log(p) - math.Log1p(-p)
}

// share of events at x.
func (r *response) share(f *fitted, x float64) float64 {
	z := r.inverse((r.target-f.floor)/(1-f.floor)) + f.slope*(x-f.at)
	return f.floor + (1-f.floor)*r.curve(z)
}

// deviate is the negative log likelihood, without its constant part.
func (r *response) deviate(f *fitted) float64 {
	sum := 0.0
	for i, x := range r.x {
		p := min(max(r.share(f, x), 1e-15), 1-1e-15)
		if k := r.events[i]; k > 0 {
			sum -= k * math.Log(p)
		}
		if k := r.trials[i] - r.events[i]; k > 0 {
			sum -= k * math.Log1p(-p)
		}
	}
	return sum
}

// scale is the spread of x: slopes are searched in its inverse.
func (r *response) scale() float64 { return r.x[len(r.x)-1] - r.x[0] }

// best finds slope and floor for a given at: the least loss of several starts.
func (r *response) best(at float64, starts []fitted) fitted {
	best := fitted{loss: math.Inf(1)}
	for _, s := range starts {
		from := []float64{math.Log(s.slope * r.scale())}
		if r.floor {
			from = append(from, r.inverseFloor(s.floor))
		}
		f := r.search(from, 8, func(v []float64) fitted { return r.parameters(at, v) })
		if f.loss < best.loss {
			best = f
		}
	}
	return best
}

// parameters turns what is searched over into a curve: log of the slope in
// ranges of x, and the floor as a logistic share of the target.
func (r *response) parameters(at float64, v []float64) fitted {
	f := fitted{at: at, slope: math.Exp(min(max(v[0], math.Log(1e-3)), math.Log(steepest))) / r.scale()}
	if r.floor {
		f.floor = 0.95 * r.target / (1 + math.Exp(-v[1]))
	}
	return f
}

func (r *response) inverseFloor(floor float64) float64 {
	q := min(max(floor/(0.95*r.target), 1e-4), 1-1e-4)
	return math.Log(q / (1 - q))
}

func (r *response) search(from []float64, patience int, curve func([]float64) fitted) fitted {
	problem := optimize.Problem{Func: func(v []float64) float64 {
		f := curve(v)
		loss := r.deviate(&f)
		for _, x := range v { // hold the search where the curve still changes
			if excess := math.Abs(x) - 12; excess > 0 {
				loss += 1e-3 * excess * excess
			}
		}
		return loss
	}}
	result, err := optimize.Minimize(problem, from, &optimize.Settings{
		FuncEvaluations: 2000, Converger: &optimize.FunctionConverge{Absolute: 1e-12, Iterations: patience},
	}, &optimize.NelderMead{SimplexSize: 0.5})
	if err != nil || result == nil {
		return fitted{loss: math.Inf(1)}
	}
	f := curve(result.X)
	f.loss = r.deviate(&f)
	return f
}

// fit finds the most likely curve and the profile-likelihood interval of its x
// at the target, widened by the dispersion where shares scatter more than
// independent events would (bursts).
func (r *response) fit(confidence float64) fitted {
	first, last := r.x[0], r.x[len(r.x)-1]
	width := r.scale()
	starts := []fitted{{slope: 4 / width}, {slope: 30 / width}, {slope: 200 / width, floor: r.target / 4}}
	best := fitted{loss: math.Inf(1)}
	for i := range 4*len(r.x) + 1 { // the likelihood may have plateaus: begin from a grid
		at := first + width*float64(i)/float64(4*len(r.x))
		for _, s := range starts {
			f := s
			f.at = at
			if f.loss = r.deviate(&f); f.loss < best.loss {
				best = f
			}
		}
	}
	from := []float64{(best.at - first) / width, math.Log(best.slope * width)}
	if r.floor {
		from = append(from, r.inverseFloor(best.floor))
	}
	for range 3 { // another simplex escapes where the first got stuck
		f := r.search(from, 60, func(v []float64) fitted {
			return r.parameters(first+min(max(v[0], -1), 2)*width, v[1:])
		})
		if f.loss <= best.loss {
			best = f
		}
		from[0], from[1] = (best.at-first)/width, math.Log(best.slope*width)
	}
	best.dispersion = r.dispersion(&best)

	cut := best.loss + best.dispersion*statistics.ChiSquareQuantile(confidence, 1)/2
	inside := func(at float64) bool {
		f := r.best(at, []fitted{best, {slope: 100 / width}})
		if f.loss < best.loss { // the profile found a better curve than the fit
			best.at, best.slope, best.floor = f.at, f.slope, f.floor
		}
		return f.loss <= cut
	}
	// Far outside the settings there is nothing to tell attenuations apart.
	lowest, highest := first-width, last+width
	best.interval = Interval{edge(best.at, lowest, inside), edge(best.at, highest, inside)}
	return best
}

// edge is how far from at towards limit the predicate holds; infinite where it
// holds all the way.
func edge(at, limit float64, inside func(float64) bool) float64 {
	if inside(limit) {
		return math.Inf(int(math.Copysign(1, limit-at)))
	}
	for range 16 {
		m := (at + limit) / 2
		if inside(m) {
			at = m
		} else {
			limit = m
		}
	}
	return (at + limit) / 2
}

// dispersion is Pearson's chi-square over its degrees of freedom, of the
// settings where at least one event of either kind is expected; at least 1.
func (r *response) dispersion(f *fitted) float64 {
	sum, n := 0.0, 0
	for i, x := range r.x {
		p := r.share(f, x)
		expected := r.trials[i] * p * (1 - p)
		if expected < 1 {
			continue
		}
		d := r.events[i] - r.trials[i]*p
		sum += d * d / expected
		n++
	}
	free := n - 2
	if r.floor {
		free--
	}
	if free < 1 {
		return 1
	}
	return max(1, sum/float64(free))
}
