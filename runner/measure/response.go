package measure

import (
	"math"

	"gonum.org/v1/gonum/optimize"

	"fullthrow/reports/statistics"
)

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
