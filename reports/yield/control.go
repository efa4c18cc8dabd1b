package yield

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"fullthrow/reports/statistics"
)

// ChartKind names a control chart.
type ChartKind string

// The control charts. The first five are of values ([NewChart]), the others of
// counts ([NewCountChart]).
const (
	ChartIndividuals ChartKind = "individuals"  // I-MR: single values and their moving range
	ChartMeansRanges ChartKind = "means-ranges" // X-bar and R
	ChartMeansSDs    ChartKind = "means-sds"    // X-bar and s
	ChartEWMA        ChartKind = "ewma"
	ChartCUSUM       ChartKind = "cusum"
	ChartP           ChartKind = "p"
	ChartNP          ChartKind = "np"
	ChartC           ChartKind = "c"
	ChartU           ChartKind = "u"
	ChartPPrime      ChartKind = "p-prime"
	ChartUPrime      ChartKind = "u-prime"
)

// ChartKinds lists the control charts, those of values first.
func ChartKinds() []ChartKind {
	return []ChartKind{ChartIndividuals, ChartMeansRanges, ChartMeansSDs, ChartEWMA, ChartCUSUM, ChartP, ChartNP,
		ChartC, ChartU, ChartPPrime, ChartUPrime}
}

// Counts says that a chart is of counts, not of values.
func (k ChartKind) Counts() bool {
	_, ok := countings()[k]
	return ok
}

// ControlChart is a control chart, whatever its kind: a drawing or a terminal
// shows its panels one below the other and need not know more.
type ControlChart struct {
	Kind     ChartKind `json:"kind"`
	Name     string    `json:"name,omitempty"`
	Unit     string    `json:"unit,omitempty"`
	Panels   []Panel   `json:"panels"`
	RuleSet  RuleSet   `json:"rule_set"`
	Rules    []RuleHit `json:"rules,omitempty"`
	Limits   Limits    `json:"limits"`
	Baseline Baseline  `json:"baseline"` // to judge later points by the same limits

	// Signals is how many points, over all panels, broke a rule; Chance how
	// many would in the long run if nothing but chance were at work.
	Signals  int        `json:"signals"`
	Chance   float64    `json:"chance"`
	State    ChartState `json:"state"`
	First    *RuleHit   `json:"first,omitempty"` // the rule that fired first, if any did
	Cautions []Remark   `json:"cautions,omitempty"`
}

// ChartState is the state of a process, by its control chart.
type ChartState string

// The states.
const (
	StateInControl ChartState = "in_control" // no rule fired
	StateByChance  ChartState = "by_chance"  // rules fired no more often than they would by chance
	StateSignals   ChartState = "signals"    // rules fired
)

// Limits is what control limits are from.
type Limits struct {
	From   LimitsFrom `json:"from"`
	Points int        `json:"points,omitempty"` // 0 not known
	About  string     `json:"about,omitempty"`  // of a baseline, as given
}

// LimitsFrom is where control limits are from.
type LimitsFrom string

// Where from.
const (
	LimitsFromThese LimitsFrom = "these" // points (phase I)
	LimitsFromFirst LimitsFrom = "first" // of these points
	LimitsGiven     LimitsFrom = "given" // by a baseline (phase II)
)

// PanelOf is what a panel shows.
type PanelOf string

// What panels show.
const (
	PanelValue       PanelOf = "value"
	PanelMoving      PanelOf = "moving_range" // the difference from the one before
	PanelMean        PanelOf = "mean"         // of a subgroup
	PanelRange       PanelOf = "range"        // within a subgroup
	PanelSD          PanelOf = "sd"           // within a subgroup
	PanelEWMA        PanelOf = "ewma"
	PanelSumAbove    PanelOf = "sum_above" // of what lies above the target
	PanelSumBelow    PanelOf = "sum_below"
	PanelShareFailed PanelOf = "share_failed"
	PanelFailed      PanelOf = "failed"
	PanelDefects     PanelOf = "defects"
	PanelPerUnit     PanelOf = "defects_per_unit"
)

// Panel is one diagram of a chart.
type Panel struct {
	Of     PanelOf        `json:"of"`
	Unit   string         `json:"unit,omitempty"`  // of its values
	Share  bool           `json:"share,omitempty"` // values are shares of 1, for people in %
	Centre float64        `json:"centre"`
	Sigma  float64        `json:"sigma,omitempty"` // of a point, where all have the same; 0 where not
	Zones  bool           `json:"zones,omitempty"` // lines at 1 and 2 thirds of the limits mean something
	Points []ControlPoint `json:"points"`
}

// ControlPoint is one point. All its numbers are finite.
type ControlPoint struct {
	X       string    `json:"x"` // label of its subgroup
	Time    time.Time `json:"time,omitzero"`
	N       int       `json:"n"` // values, or units, behind it
	Value   float64   `json:"value"`
	Lower   float64   `json:"lower"` // control limits: no limits of the product
	Upper   float64   `json:"upper"`
	Centre  float64   `json:"centre"`
	Rules   []int     `json:"rules,omitempty"`   // numbers of the rules that fired here
	Members []int     `json:"members,omitempty"` // indices in the series, as in its subgroup
}

// Baseline is what limits are made of. Points are judged by the baseline of an
// earlier chart in phase II: when it has been agreed how the process is.
type Baseline struct {
	Centre float64 `json:"centre"` // mean of single values; share; defects per unit (per group for c)
	// Sigma is the short-term standard deviation of single values; for p' and
	// u' the spread of standardised points (1 is what chance gives), for other
	// charts of counts 0, since the centre says it.
	Sigma  float64 `json:"sigma,omitempty"`
	Points int     `json:"points,omitempty"` // it was made from; 0 not known
	About  string  `json:"about,omitempty"`  // for people: "lot 24A"
}

// ChartOptions are what a chart may be told. The zero value is usual.
type ChartOptions struct {
	Name, Unit string  // of the reading
	Rules      RuleSet // WesternElectric if empty
	// Baseline gives the limits (phase II); nil takes them from the points
	// (phase I), from the First ones only if that is not 0.
	Baseline *Baseline
	First    int
	// Target is the middle of EWMA and CUSUM where it is not the baseline's.
	Target *float64
	// PrintedConstants rounds the constants to three decimals as printed
	// tables do, to compare with figures worked out with those.
	PrintedConstants bool
	EWMA             EWMAOptions
	CUSUM            CUSUMOptions
}

// NewChart makes a control chart of values: individuals, means-ranges,
// means-sds, ewma or cusum.
//
// Empty subgroups are left out, with a caution. It is an error where no chart
// is possible: a value that is not finite, fewer than 2 points, subgroups that
// do not suit the kind, or no spread at all to set limits from (all values the
// same, no baseline).
//
// The rules of the set are applied to single values and means. Ranges, standard
// deviations and moving ranges are skewed, and moving ranges and EWMA hang
// together: to those rule 1 alone.
func NewChart(kind ChartKind, groups []Subgroup, o ChartOptions) (ControlChart, error) {
	b, err := begin(kind, o)
	if err != nil {
		return ControlChart{}, err
	}
	if err := b.take(groups); err != nil {
		return ControlChart{}, b.fail(err)
	}
	switch kind {
	case ChartIndividuals:
		err = b.individuals()
	case ChartMeansRanges:
		err = b.means(rangeSpread{printed: o.PrintedConstants, constants: map[int]Constants{}})
	case ChartMeansSDs:
		err = b.means(sdSpread{printed: o.PrintedConstants})
	case ChartEWMA:
		err = b.ewma()
	case ChartCUSUM:
		err = b.cusum()
	default:
		err = fmt.Errorf("there is no such chart of values")
	}
	if err != nil {
		return ControlChart{}, b.fail(err)
	}
	return b.finish(), nil
}

// chartBuilder is a chart on its way.
type chartBuilder struct {
	ControlChart
	o      ChartOptions
	groups []Subgroup // with values
	base   []Subgroup // those that limits are from
}

func begin(kind ChartKind, o ChartOptions) (*chartBuilder, error) {
	if o.Rules == "" {
		o.Rules = WesternElectric
	}
	b := &chartBuilder{o: o, ControlChart: ControlChart{Kind: kind, Name: o.Name, Unit: o.Unit, RuleSet: o.Rules}}
	if o.Rules.Rules() == nil {
		return nil, b.fail(fmt.Errorf("there is no rule set %q", o.Rules))
	}
	if o.First < 0 || o.First == 1 || o.First > 0 && o.Baseline != nil {
		return nil, b.fail(fmt.Errorf("limits come from 2 first points at least, or from a baseline"))
	}
	if p := o.Baseline; p != nil && (!statistics.Finite(p.Centre) || !statistics.Finite(p.Sigma) || p.Sigma < 0) {
		return nil, b.fail(fmt.Errorf("the baseline's centre and sigma must be numbers, and sigma not below 0"))
	}
	if o.Target != nil && !statistics.Finite(*o.Target) {
		return nil, b.fail(fmt.Errorf("the target is not a number"))
	}
	return b, nil
}

// ChartError is why values allow no chart.
type ChartError struct {
	Kind ChartKind
	Name string // of the reading
	Why  Remark
}

func (e *ChartError) Error() string {
	text := strings.TrimSuffix(string(e.Kind)+" chart of "+e.Name, " of ") + ": " +
		strings.ReplaceAll(string(e.Why.Code), "_", " ")
	for _, name := range strings.Fields(remarkArgs[e.Why.Code]) {
		text += fmt.Sprintf(", %s %v", name, e.Why.Args[name])
	}
	return text
}

func because(code Code, args ...any) error { return &ChartError{Why: remark(code, args...)} }

// fail says which chart cannot be.
func (b *chartBuilder) fail(err error) error {
	if e := (*ChartError)(nil); errors.As(err, &e) {
		e.Kind, e.Name = b.Kind, b.Name
		return e
	}
	what := string(b.Kind) + " chart"
	if b.Name != "" {
		what += " of " + b.Name
	}
	return fmt.Errorf("%s: %w", what, err)
}

func (b *chartBuilder) take(groups []Subgroup) error {
	empty, wrong, n := 0, 0, 0
	b.groups = make([]Subgroup, 0, len(groups))
	for _, g := range groups {
		n += len(g.Values)
		for _, v := range g.Values {
			if !statistics.Finite(v) {
				wrong++
			}
		}
		if len(g.Values) == 0 {
			empty++
			continue
		}
		b.groups = append(b.groups, g)
	}
	if wrong > 0 {
		return because(NotFinite, wrong, n)
	}
	if empty > 0 {
		b.caution(EmptySubgroups, empty)
	}
	if len(b.groups) < 2 && (b.o.Baseline == nil || len(b.groups) == 0) {
		return because(TooFewPoints, len(b.groups))
	}
	b.base = b.groups
	if f := b.o.First; f > 0 {
		if f > len(b.groups) {
			return because(FirstBeyond, f, len(b.groups))
		}
		b.base = b.groups[:f]
	}
	return nil
}

func (b *chartBuilder) caution(code Code, args ...any) {
	b.Cautions = append(b.Cautions, remark(code, args...))
}

// usualBase is how many points limits should come from; common practice.
const usualBase = 20

// limitsFrom notes what the limits are from.
func (b *chartBuilder) limitsFrom(base Baseline, points int) {
	if given := b.o.Baseline; given != nil {
		b.Baseline = *given
		b.Limits = Limits{From: LimitsGiven, Points: given.Points, About: given.About}
		return
	}
	base.Points = points
	b.Baseline = base
	b.Limits = Limits{From: LimitsFromThese, Points: points}
	if b.o.First > 0 {
		b.Limits.From = LimitsFromFirst
	}
	if points < usualBase {
		b.caution(RoughLimits, points, usualBase)
	}
}

// panel adds a diagram and applies rules to it: those numbered in only, all if
// there are none, with sigma of each point.
func (b *chartBuilder) panel(p Panel, sigma []float64, only ...int) {
	z := make([]float64, len(p.Points))
	same := true
	for i, q := range p.Points {
		z[i] = math.NaN()
		if sigma[i] > 0 {
			z[i] = (q.Value - q.Centre) / sigma[i]
			if math.Abs(math.Abs(z[i])-3) < 1e-9 { // on the limit is not beyond it, whatever rounding says
				z[i] = math.Copysign(3, z[i])
			}
		}
		same = same && sigma[i] == sigma[0]
	}
	if same && len(sigma) > 0 {
		p.Sigma = sigma[0]
	}
	p.Zones = len(only) == 0
	hits := b.o.Rules.Apply(z, only...)
	b.addPanel(p, hits)
	b.Chance += float64(len(p.Points)) * b.o.Rules.falseSignals(len(only) > 0)
}

// beyondLimits adds a diagram of which rule 1 alone is asked, by its limits.
// chance is how many points lie beyond them by chance, code what a hit means.
func (b *chartBuilder) beyondLimits(p Panel, chance float64, code func(RuleHit) RuleCode) {
	b.Chance += chance
	rule1 := b.o.Rules.Rules()[0]
	var hits []RuleHit
	for i, q := range p.Points {
		var side HitSide
		switch {
		case q.Value > q.Upper:
			side = SideAbove
		case q.Value < q.Lower:
			side = SideBelow
		default:
			continue
		}
		if n := len(hits); n > 0 && hits[n-1].To == i-1 && hits[n-1].Side == side {
			hits[n-1].To = i
			continue
		}
		hits = append(hits, RuleHit{Rule: rule1.Number, Side: side, From: i, First: i, To: i})
	}
	for i, h := range hits {
		hits[i].Code = code(h)
	}
	b.addPanel(p, hits)
}

func (b *chartBuilder) addPanel(p Panel, hits []RuleHit) {
	for _, h := range hits {
		h.Panel = len(b.Panels)
		for i := h.First; i <= h.To; i++ {
			p.Points[i].Rules = append(p.Points[i].Rules, h.Rule)
		}
		b.ControlChart.Rules = append(b.ControlChart.Rules, h)
	}
	for i := range p.Points {
		slices.Sort(p.Points[i].Rules)
	}
	b.Panels = append(b.Panels, p)
}

// count is how many subgroups broke a rule in any panel. Panels end together,
// whatever they begin with.
func (b *chartBuilder) count() int {
	broke := map[int]bool{}
	for _, p := range b.Panels {
		for i, q := range p.Points {
			if len(q.Rules) > 0 {
				broke[len(p.Points)-i] = true
			}
		}
	}
	return len(broke)
}

// finish says what state the process is in.
func (b *chartBuilder) finish() ControlChart {
	b.Signals = b.count()
	b.State = StateSignals
	switch {
	case b.Signals == 0:
		b.State = StateInControl
		return b.ControlChart
	case b.Chance >= 1 && float64(b.Signals) <= chanceLimit(b.Chance):
		b.State = StateByChance
	}
	first := b.earliest()
	b.First = &first
	return b.ControlChart
}

// earliest is the hit that fired first, counting the panels' points from the
// end, since a panel may begin later than another.
func (b *chartBuilder) earliest() RuleHit {
	return slices.MinFunc(b.ControlChart.Rules, func(x, y RuleHit) int {
		return (x.First - len(b.Panels[x.Panel].Points)) - (y.First - len(b.Panels[y.Panel].Points))
	})
}

// chanceLimit is how many signals chance alone exceeds about once in a hundred
// series where it gives mean of them: signals come in clusters, so that their
// number varies two to three times as much as a Poisson count.
func chanceLimit(mean float64) float64 { return mean + 3*math.Sqrt(3*mean) }
