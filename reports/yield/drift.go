package yield

import (
	"math"
	"slices"
	"time"

	"fullthrow/reports/statistics"
)

// DriftOptions for [FindDrift]. The zero value is usable.
type DriftOptions struct {
	Confidence float64 // 0.95 if not between 0 and 1
	// Reference is the value the golden unit should read; nil: the mean of the
	// first First runs.
	Reference *float64
	First     int // 5 if not given
	// Matters is the share of the width between the limits from which on a
	// shift is worth acting on; 0.1 if not given: a golden unit that is off by
	// more takes too much of the limit away from the units.
	Matters float64
}

// DriftKind is what a golden unit's reading does.
type DriftKind string

// The kinds.
const (
	DriftNone  DriftKind = "steady"
	DriftSlope DriftKind = "drift" // creeps
	DriftStep  DriftKind = "step"  // jumped once
	DriftFew   DriftKind = "few"   // too few runs, or all at one time: below FewestDrift

	FewestDrift = 4
)

// Drift is a golden unit's reading over time.
type Drift struct {
	Name string    `json:"name"`
	Unit string    `json:"unit"`
	Kind DriftKind `json:"kind"`
	// Matters says that it is worth acting on: the shift so far, or that of 30
	// days more, is beyond DriftOptions.Matters of the limits' width, or a limit
	// is reached within 90 days.
	Matters bool      `json:"matters"`
	N       int       `json:"n"`
	Dropped int       `json:"dropped,omitempty"` // values left out, not being finite
	From    time.Time `json:"from,omitzero"`
	To      time.Time `json:"to,omitzero"`
	Days    float64   `json:"days"`

	Reference     float64 `json:"reference"`
	ReferenceRuns int     `json:"reference_runs"` // 0 where it was given
	// Now is the mean of the last runs, as many as First, but never one of the
	// reference's.
	Now     float64 `json:"now"`
	NowRuns int     `json:"now_runs"`
	// Shift is Now less Reference; its interval is NaN below two runs each.
	Shift Estimate `json:"shift"`
	// ShiftShare is Shift of the width between the limits; NaN without both.
	ShiftShare Estimate `json:"shift_share"`

	// Slope is per day, of the line of least squares.
	Slope  Estimate `json:"slope"`
	SlopeP *float64 `json:"slope_p,omitempty"` // chance of one as steep without drift
	// PerMonth is the slope in 30 days as a share of the limits' width; NaN
	// without both limits.
	PerMonth Estimate         `json:"per_month"`
	Line     *statistics.Line `json:"line,omitempty"` // x in days after From
	// LagOne is how alike neighbouring runs are (about the line, or the step);
	// Effective is how many independent runs tell as much: intervals go by it.
	LagOne    float64 `json:"lag_one"`
	Effective float64 `json:"effective"`

	// Reach is when the line meets a limit; nil where it does not drift, or
	// drifts where there is none.
	Reach *Reach `json:"reach,omitempty"`
	// Step is the likeliest single jump; nil below six runs.
	Step *Step `json:"step,omitempty"`

	Cautions []Remark `json:"cautions,omitempty"`
}

// Reach is when a line meets a limit if it goes on as it did.
type Reach struct {
	Limit string `json:"limit"` // "lower", "upper"
	// Days after the last run; 0 where it is there already. The interval is
	// that of the line's crossing (Fieller), not of single runs.
	Days Estimate `json:"days"`
}

// Step is a jump between two runs.
type Step struct {
	Time time.Time `json:"time"` // of the first run after it
	Run  string    `json:"run,omitempty"`
	Size Estimate  `json:"size"`
	// P is corrected for the number of places it could have been at.
	P float64 `json:"p"`
	// ssq is what scatter is left about the two levels.
	ssq float64
}

// Methods of judging drift.
const (
	MethodLine    = "least squares"
	MethodFieller = "Fieller"
)

// FindDrift asks whether a golden unit's reading creeps or jumped, how fast,
// and whether that matters against the limits.
//
// Neighbouring runs that are alike (a warm day, one operator) tell less than
// their number: where the lag-1 autocorrelation r of what is left about the
// line is above 0, intervals and chances go by n (1 - r) / (1 + r) runs.
//
// Special inputs: values that are NaN or infinite are left out and counted;
// fewer than four runs, or all at one time, are "few" and nothing is tested;
// values that are all the same are steady; points on a line or on two levels
// exactly have intervals of no width. Points need not be in order of time.
func FindDrift(s Series, o DriftOptions) Drift {
	nan := math.NaN()
	c := usualConfidence(o.Confidence)
	none := Estimate{Value: nan, Low: nan, High: nan, Confidence: c}
	d := Drift{Name: s.Name, Unit: s.Unit, Kind: DriftFew, Now: nan, Reference: nan, Shift: none, ShiftShare: none,
		Slope: none, PerMonth: none}
	points := inTime(s.Points)
	d.N, d.Dropped = len(points), len(s.Points)-len(points)
	if d.Dropped > 0 {
		d.Cautions = append(d.Cautions, remark(Dropped, d.Dropped))
	}
	if d.N == 0 {
		d.Reference, d.Now = 0, 0
		return d
	}
	d.From, d.To = points[0].When(), points[d.N-1].When()
	d.Days = d.To.Sub(d.From).Hours() / 24
	x, y := make([]float64, d.N), make([]float64, d.N)
	for i, p := range points {
		x[i], y[i] = p.When().Sub(d.From).Hours()/24, p.Value
	}
	width := nan
	if s.Lower != nil && s.Upper != nil && *s.Upper > *s.Lower {
		width = *s.Upper - *s.Lower
	}
	d.shift(y, width, o)
	line, err := statistics.FitLine(x, y)
	if err != nil || d.N < FewestDrift {
		return d
	}
	d.Line = &line
	d.slope(line, width)
	if d.N >= 6 {
		d.Step = findStep(points, y, c)
	}
	d.Kind = d.kind(line, 1-c)
	if d.Kind == DriftSlope {
		d.Reach = reach(line, s.Lower, s.Upper, d.Days, d.Slope.Confidence, d.Effective)
	}
	matters := o.Matters
	if !(matters > 0) {
		matters = 0.1
	}
	off := math.Abs(d.ShiftShare.Value)
	if d.Kind == DriftStep {
		off = math.Abs(d.Step.Size.Value / width)
	}
	switch d.Kind {
	case DriftNone:
		d.Matters = d.Shifted() && off >= matters
	case DriftSlope:
		d.Matters = off >= matters || math.Abs(d.PerMonth.Value) >= matters || d.Reach != nil &&
			d.Reach.Days.Value <= 90
	default:
		d.Matters = off >= matters
	}
	d.caution(s)
	return d
}

// shift compares the last runs with the reference.
func (d *Drift) shift(y []float64, width float64, o DriftOptions) {
	first := o.First
	if first < 1 {
		first = 5
	}
	c := d.Shift.Confidence
	rest := y
	var reference Moments
	if o.Reference != nil && statistics.Finite(*o.Reference) {
		d.Reference = *o.Reference
	} else {
		// With few runs the half of them, so that something is left to compare.
		k := max(1, min(first, len(y)/2))
		reference, _ = MomentsOf("", "", y[:k])
		d.Reference, d.ReferenceRuns = reference.Mean, k
		rest = y[k:]
	}
	if len(rest) == 0 {
		d.Now, d.NowRuns = y[len(y)-1], 1
		return
	}
	now, _ := MomentsOf("", "", rest[max(0, len(rest)-first):])
	d.Now, d.NowRuns = now.Mean, int(now.N)
	if d.ReferenceRuns > 0 {
		d.Shift, _, _ = WelchDifference(reference, now, c)
	} else {
		d.Shift = Estimate{Value: now.Mean - d.Reference, Low: math.NaN(), High: math.NaN(), Confidence: c,
			Method: MethodStudent}
		if now.N > 1 {
			half := statistics.StudentFactor(float64(now.N-1), c) * math.Sqrt(now.Variance()/float64(now.N))
			d.Shift.Low, d.Shift.High = d.Shift.Value-half, d.Shift.Value+half
		}
	}
	d.ShiftShare = d.Shift.over(width)
}

// Shifted says that the last runs are off the reference beyond chance.
func (d Drift) Shifted() bool { return d.Shift.Low > 0 || d.Shift.High < 0 }

// effective is how many independent values tell as much as n neighbours of this
// autocorrelation.
func effective(n int, lagOne float64) float64 {
	if lagOne <= 0 {
		return float64(n)
	}
	return float64(n) * (1 - lagOne) / (1 + lagOne)
}

func (d *Drift) slope(l statistics.Line, width float64) {
	c := d.Slope.Confidence
	d.Effective = float64(d.N)
	d.Slope = Estimate{Value: l.Slope, Low: l.Slope, High: l.Slope, Confidence: c, Method: MethodLine}
	if l.F != nil {
		d.LagOne = statistics.LagOne(l.Residuals)
		d.Effective = effective(d.N, d.LagOne)
		se, df := widened(l.SlopeSD, l.Freedom, d.N, d.Effective)
		half := statistics.StudentFactor(df, c) * se
		d.Slope.Low, d.Slope.High = l.Slope-half, l.Slope+half
		p := statistics.StudentTail(l.Slope/se, df)
		d.SlopeP = &p
	}
	d.PerMonth = d.Slope.rising(func(v float64) float64 { return v * (30 / width) })
}

// widened is a standard error and its degrees of freedom by the effective
// number of values.
func widened(se float64, freedom, n int, effective float64) (float64, float64) {
	return se * math.Sqrt(float64(n)/effective), max(1, float64(freedom)-(float64(n)-effective))
}

// findStep is the split that leaves the least scatter about two levels, at
// least two runs on each side.
func findStep(points []Point, y []float64, confidence float64) *Step {
	best, at := math.Inf(1), 0
	for k := 2; k <= len(y)-2; k++ {
		a, _ := MomentsOf("", "", y[:k])
		b, _ := MomentsOf("", "", y[k:])
		if m2 := a.M2 + b.M2; m2 < best {
			best, at = m2, k
		}
	}
	a, _ := MomentsOf("", "", y[:at])
	b, _ := MomentsOf("", "", y[at:])
	s := &Step{Time: points[at].Time, Run: points[at].Run, ssq: best}
	size := b.Mean - a.Mean
	s.Size = Estimate{Value: size, Low: size, High: size, Confidence: confidence, Method: MethodStudent}
	left := make([]float64, len(y))
	for i, v := range y {
		left[i] = v - a.Mean
		if i >= at {
			left[i] = v - b.Mean
		}
	}
	freedom := len(y) - 2
	se := math.Sqrt(best / float64(freedom) * (1/float64(a.N) + 1/float64(b.N)))
	if !(se > 0) {
		if size == 0 {
			s.P = 1
		}
		return s
	}
	se, df := widened(se, freedom, len(y), effective(len(y), statistics.LagOne(left)))
	half := statistics.StudentFactor(df, confidence) * se
	s.Size.Low, s.Size.High = size-half, size+half
	s.P = min(1, float64(len(y)-3)*statistics.StudentTail(size/se, df))
	return s
}

// kind decides between creeping and a jump by what is left about each: a line
// has two parameters, a step three.
func (d Drift) kind(l statistics.Line, alpha float64) DriftKind {
	creeps := d.SlopeP != nil && *d.SlopeP <= alpha || l.F == nil && l.Slope != 0
	jumps := d.Step != nil && d.Step.P <= alpha
	n := float64(d.N)
	switch {
	case creeps && jumps && n*math.Log(d.Step.ssq)+math.Log(n) < n*math.Log(l.ResidualSS):
		return DriftStep
	case creeps:
		return DriftSlope
	case jumps:
		return DriftStep
	}
	return DriftNone
}

// reach solves where the line, and its confidence band, meet the limit it goes
// to: (c - b u)² = k² (1/n + u²/Sxx), u in days from the mean time, c the limit
// less the mean.
func reach(l statistics.Line, lower, upper *float64, last, confidence, effective float64) *Reach {
	r := &Reach{Limit: "upper"}
	limit := upper
	if l.Slope < 0 {
		r.Limit, limit = "lower", lower
	}
	if limit == nil || l.Slope == 0 {
		return nil
	}
	c := *limit - l.MeanY
	sd, df := widened(l.ResidualSD, l.Freedom, l.N, effective)
	k := statistics.StudentFactor(df, confidence) * sd
	days := func(u float64) float64 { return max(0, u+l.MeanX-last) }
	r.Days = Estimate{Value: days(c / l.Slope), Low: math.NaN(), High: math.NaN(), Confidence: confidence,
		Method: MethodFieller}
	q := l.Slope*l.Slope - k*k/l.SXX
	root := c*c*l.Slope*l.Slope - q*(c*c-k*k/float64(l.N))
	if q > 0 && root >= 0 {
		a, b := (c*l.Slope-math.Sqrt(root))/q, (c*l.Slope+math.Sqrt(root))/q
		r.Days.Low, r.Days.High = days(min(a, b)), days(max(a, b))
	}
	return r
}

// inTime leaves out values that are not finite and puts the rest in order.
func inTime(points []Point) []Point {
	var out []Point
	for _, p := range points {
		if statistics.Finite(p.Value) {
			out = append(out, p)
		}
	}
	slices.SortStableFunc(out, func(a, b Point) int { return a.When().Compare(b.When()) })
	return out
}

func (d *Drift) caution(s Series) {
	add := func(code Code, args ...any) { d.Cautions = append(d.Cautions, remark(code, args...)) }
	if d.N < 10 {
		add(FewRuns, d.N)
	}
	if d.LagOne > 2/math.Sqrt(float64(d.N)) {
		add(RunsAlike, d.LagOne, d.N, max(1, math.Round(d.Effective)))
	}
	if d.Reach != nil && d.Reach.Days.Value > d.Days {
		add(FarAhead)
	}
	if s.LimitChanged {
		add(LimitChanged)
	}
	if s.Total > int64(len(s.Points)) {
		add(Newest, len(s.Points), s.Total)
	}
}
