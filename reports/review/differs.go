package review

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/store"
	"fullthrow/reports/yield"
)

// Differs answers what differs: between two sides, reading by reading; without
// sides, between all lots, stations, ...: by their yield, or by one reading.
type Differs struct {
	Schema     string            `json:"schema"`
	About      About             `json:"about"`
	Reading    string            `json:"reading,omitempty"` // where only one is compared
	Sides      []Side            `json:"sides"`             // A and B; none where groups are compared
	Comparison *yield.Comparison `json:"comparison,omitempty"`

	By     store.By               `json:"by,omitempty"`     // what Yields or Groups are
	Yields *yield.TrendResult     `json:"yields,omitempty"` // each against all others
	Groups *yield.GroupComparison `json:"groups,omitempty"`
	// GroupsOf is how many groups have tested units; Groups are the newest.
	GroupsOf int `json:"groups_of,omitempty"`
}

// Side is one side of a comparison.
type Side struct {
	Kind  string `json:"kind"` // "unit", "lot", "station", ...
	Value string `json:"value"`
	Units int64  `json:"units"` // that were tested; of a unit 1
	// Of a unit: the run it is compared by, its newest judged one that counts or
	// the one that was named, and which readings did not pass in it.
	Run     string            `json:"run,omitempty"`
	Started *time.Time        `json:"started,omitempty"`
	Outcome reports.Outcome   `json:"outcome,omitempty"`
	Broken  []string          `json:"broken,omitempty"`
	Missed  []reports.Reading `json:"-"` // the same

	runs    store.Selection
	product string // of a unit
}

// Kinds of sides that are one unit: by its serial number, or by one of its
// runs.
const (
	SideUnit = "unit"
	SideRun  = "run"
)

// String is what a side is called in a comparison: "lot 24A".
func (s Side) String() string {
	if s.Kind == SideUnit {
		return s.Value
	}
	return s.Kind + " " + s.Value
}

const (
	mostGroups   = 12   // compared at once, the newest
	mostPerGroup = 1000 // newest values of a reading in one of many groups
	// mostCompared is up to how many values of a reading are compared one by
	// one; more go by their moments, which tell means apart as well.
	mostCompared = 2000
)

// Differs answers.
func (r *Review) Differs(ctx context.Context, q Question) (Differs, error) {
	a := Differs{Schema: "fullthrow-differs/1", Reading: q.Reading, Sides: []Side{}}
	var err error
	if a.About, err = r.about(ctx, &q); err != nil {
		return a, err
	}
	if q.Reading != "" {
		names, err := r.Records.Readings(ctx, q.Runs.Product)
		if err == nil && !slices.Contains(names, q.Reading) {
			err = r.readingErr(ctx, &q, q.Reading, store.ErrUnknown)
		}
		if err != nil {
			return a, err
		}
	}
	for _, option := range []string{"a", "b"} {
		if text := q.values[option]; text != "" {
			side, err := r.side(ctx, &q, text)
			if err != nil {
				return a, err
			}
			a.Sides = append(a.Sides, side)
		}
	}
	if len(a.Sides) > 0 {
		return a, r.twoSides(ctx, &q, &a)
	}
	if a.By = q.By; a.By == "" {
		a.By = store.ByLot
	}
	return a, r.allGroups(ctx, &q, &a)
}

func (r *Review) twoSides(ctx context.Context, q *Question, a *Differs) error {
	sides := make([]yield.Side, len(a.Sides))
	for i := range a.Sides {
		var err error
		if sides[i], err = r.sideFigures(ctx, q, &a.Sides[i]); err != nil {
			return err
		}
	}
	if len(a.Sides) < 2 {
		return nil // the other is to be chosen
	}
	x, y := a.Sides[0], a.Sides[1]
	switch {
	case x.Kind == y.Kind && x.Value == y.Value && x.Run == y.Run:
		return problem(BadSame, "a", x, "b", y)
	case x.Kind != y.Kind && x.Kind != SideUnit && y.Kind != SideUnit:
		return problem(BadSides, "a", x, "b", y)
	}
	o := yield.CompareOptions{Confidence: q.Confidence}
	if x.Kind == SideUnit && y.Kind == SideUnit {
		all := q.Runs
		all.Product = x.product
		var err error
		if o.Population, err = r.Records.Moments(ctx, all); err != nil {
			return err
		}
	}
	c := yield.Compare(sides[0], sides[1], o)
	a.Comparison = &c
	return nil
}

// side finds what a word means: "lot:24A", "unit:K824A00017M", "run:...", or a
// bare value.
func (r *Review) side(ctx context.Context, q *Question, text string) (Side, error) {
	if kind, value, ok := strings.Cut(text, ":"); ok {
		switch {
		case kind == SideUnit:
			return r.unitSide(ctx, q, value)
		case kind == SideRun:
			return r.runSide(ctx, value)
		case slices.Contains(sideKinds(), kind):
			values, err := r.Records.Values(ctx, store.By(kind))
			if err == nil && !slices.Contains(values, value) {
				err = &Problem{Code: BadNone, Args: []any{"name", kind, "value", brief(value)}, Given: value, Known: values}
			}
			if err != nil {
				return Side{}, err
			}
			return groupSide(q, kind, value)
		}
	}
	var found, all []string
	for _, kind := range sideKinds() {
		values, err := r.Records.Values(ctx, store.By(kind))
		if err != nil {
			return Side{}, err
		}
		if slices.Contains(values, text) {
			found = append(found, kind)
		}
		all = append(all, values...)
	}
	unit, err := r.unitSide(ctx, q, text)
	if no := (*Problem)(nil); err != nil && (!errors.As(err, &no) || no.Code != BadUnit) {
		return unit, err
	}
	switch isUnit := err == nil; {
	case len(found) == 0 && isUnit:
		return unit, nil
	case len(found) == 1 && !isUnit:
		return groupSide(q, found[0], text)
	case len(found) == 0:
		return unit, &Problem{Code: BadSide, Args: []any{"value", brief(text)}, Given: text, Known: all}
	case isUnit:
		found = append(found, SideUnit)
	}
	for i, kind := range found {
		found[i] = kind + ":" + text
	}
	return unit, problem(BadAmbiguous, "value", brief(text), "allowed", strings.Join(found, ", "))
}

// groupSide narrows the question's selection to one lot, station, ...
func groupSide(q *Question, kind, value string) (Side, error) {
	s := Side{Kind: kind, Value: value, runs: q.Runs}
	want := map[string]*string{"product": &s.runs.Product, "revision": &s.runs.Revision, "lot": &s.runs.Lot, "station": &s.runs.Station,
		"operator": &s.runs.Operator}
	narrow := func(field *string, value string) error {
		if *field != "" && *field != value {
			return problem(BadNarrow, "name", kind, "value", brief(*field), "side", s)
		}
		*field = value
		return nil
	}
	if kind != "nest" {
		return s, narrow(want[kind], value)
	}
	station, nest, _ := cutNest(value)
	return s, errors.Join(narrow(&s.runs.Station, station), narrow(&s.runs.Nest, nest))
}

// unitSide is a unit by its newest judged run that counts.
func (r *Review) unitSide(ctx context.Context, q *Question, scan string) (Side, error) {
	h, err := r.history(ctx, q.Runs.Product, scan)
	if err != nil {
		return Side{}, err
	}
	run := newestJudged(h.Runs)
	if run == nil {
		return Side{}, problem(BadNoRuns, "side", h.SerialNumber)
	}
	return sideOfRun(*run), nil
}

// runSide is a unit by one of its runs.
func (r *Review) runSide(ctx context.Context, name string) (Side, error) {
	run, err := r.run(ctx, name)
	if err == nil && !judged(run) {
		err = problem(BadNoRuns, "side", run.Unit.SerialNumber)
	}
	return sideOfRun(run), err
}

func sideOfRun(run store.Run) Side {
	return Side{Kind: SideUnit, Value: run.Unit.SerialNumber, Units: 1, Run: run.Run, Started: moment(run.Started), Outcome: run.Outcome,
		product: run.Unit.Product}
}

// sideFigures reads what is compared of a side.
func (r *Review) sideFigures(ctx context.Context, q *Question, s *Side) (yield.Side, error) {
	side := yield.Side{Name: s.String()}
	if s.Kind == SideUnit {
		sealed, err := r.Records.Report(ctx, s.Run)
		if err != nil {
			return side, err
		}
		s.Missed = Broken(sealed.Report)
		for _, x := range s.Missed {
			s.Broken = append(s.Broken, x.Check+"."+x.Name)
		}
		for _, c := range sealed.Report.Checks {
			for _, x := range c.Readings {
				name := c.Name + "." + x.Name
				if v, ok := x.Value.Number(); ok && x.Bound == "" && (q.Reading == "" || q.Reading == name) {
					side.Readings = append(side.Readings, sampleOf(name, x, v))
				}
			}
		}
		return side, nil
	}
	counts, err := r.Records.Counts(ctx, s.runs)
	if err != nil {
		return side, err
	}
	if counts.Runs == 0 {
		return side, problem(BadNoRuns, "side", s)
	}
	side.Counts, s.Units = &counts, counts.Units
	moments, err := r.Records.Moments(ctx, s.runs)
	if err != nil {
		return side, err
	}
	if q.Reading != "" {
		moments = slices.DeleteFunc(moments, func(m yield.Moments) bool { return m.Name != q.Reading })
	}
	side.Readings = make([]yield.Sample, len(moments))
	var ask []func() error
	for i, m := range moments {
		side.Readings[i] = yield.Sample{Moments: m}
		if m.N > mostCompared {
			continue
		}
		ask = append(ask, func() error {
			r.progress(s.String(), i+1, len(moments))
			series, err := r.Records.Series(ctx, s.runs, m.Name, true, mostCompared)
			if err == nil {
				side.Readings[i] = yield.SampleOf(series)
			}
			return err
		})
	}
	return side, together(ask...)
}

// sampleOf is one reading of one unit.
func sampleOf(name string, r reports.Reading, x float64) yield.Sample {
	s := yield.Series{Name: name, Unit: r.Unit, Points: []yield.Point{{Value: x, Verdict: string(r.Verdict)}}}
	if r.Limit != nil {
		s.Lower, s.Upper = r.Limit.Lower, r.Limit.Upper
	}
	return yield.SampleOf(s)
}

// Broken are the readings that keep a run from passing.
func Broken(r reports.Report) (list []reports.Reading) {
	for _, c := range r.Checks {
		for _, x := range c.Readings {
			if x.Verdict == reports.Fail || x.Verdict == reports.Error || x.Verdict == reports.Inconclusive {
				list = append(list, x)
			}
		}
	}
	return list
}

// allGroups sets every lot, station, ... against all others.
func (r *Review) allGroups(ctx context.Context, q *Question, a *Differs) error {
	groups, err := r.Records.Trend(ctx, q.Runs, a.By)
	if err != nil {
		return err
	}
	groups = slices.DeleteFunc(groups, func(g yield.Group) bool { return g.Counts.Units == 0 })
	a.GroupsOf = len(groups)
	if q.Reading == "" {
		t := yield.Trend(groups, yield.TrendOptions{Confidence: q.Confidence})
		a.Yields = &t
		return nil
	}
	if len(groups) > mostGroups {
		groups = groups[len(groups)-mostGroups:]
	}
	found := make([]yield.Series, len(groups))
	var ask []func() error
	for i, g := range groups {
		side, err := groupSide(q, string(a.By), g.Key)
		if err != nil {
			return err
		}
		ask = append(ask, func() (err error) {
			found[i], err = r.Records.Series(ctx, side.runs, q.Reading, true, mostPerGroup)
			return err
		})
	}
	if err := together(ask...); err != nil {
		return err
	}
	var keyed []yield.Keyed
	for i, s := range found {
		if len(s.Points) > 0 {
			keyed = append(keyed, yield.Keyed{Key: groups[i].Key, Sample: yield.SampleOf(s)})
		}
	}
	c := yield.CompareGroups(keyed, yield.CompareOptions{Confidence: q.Confidence})
	if len(keyed) > 0 {
		c.Name, c.Unit = q.Reading, keyed[0].Unit
	}
	a.Groups = &c
	return nil
}
