package main

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"

	"github.com/spf13/cobra"

	"fullthrow/reports"
	"fullthrow/reports/statistics"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/bench"
	"fullthrow/runner/input"
	"fullthrow/runner/terminal"
)

const capabilitySchema = "fullthrow-capability/2"

// capabilityAnswer is what `capability READING --json` writes.
type capabilityAnswer struct {
	Schema string                `json:"schema"`
	About  about                 `json:"about"`
	Points int64                 `json:"points"` // in all; Study goes by the newest 50,000 at most
	Study  yield.CapabilityStudy `json:"study"`
}

// roomAnswer is what `capability --json` writes: every reading, the least room
// first.
type roomAnswer struct {
	Schema   string        `json:"schema"`
	About    about         `json:"about"`
	Readings []roomReading `json:"readings"`
}

// roomReading is how much room one reading has. Whether it moves is not looked
// at.
type roomReading struct {
	yield.Moments
	SD *float64 `json:"sd,omitempty"` // n - 1
	// Ppk is of all first runs; Bulk as 95 of 100 have it, of the newest 2000:
	// its value is null where these are alike.
	Ppk  *yield.Estimate `json:"ppk,omitempty"`
	Bulk *yield.Estimate `json:"bulk,omitempty"`
	// Nearer is the limit that these go by, "lower" or "upper".
	Nearer  string     `json:"nearer,omitempty"`
	Problem yield.Code `json:"problem,omitempty"` // why there is no Ppk
}

// least is what readings are ranked by.
func (r roomReading) least() float64 {
	if r.Bulk != nil {
		return r.Bulk.Value
	}
	return r.Ppk.Value
}

func (a *app) capabilityCommand() *cobra.Command {
	q := a.question("capability")
	retests, every, most := false, 0, 20
	c := &cobra.Command{
		Use:   "capability [READING]",
		Short: "Whether a reading keeps well within its limits, or which have the least room",
		Long: `Whether a reading keeps well within its limits, or which have the least room.

With READING (check.reading) it studies that one: how far its values lie from
the limits, whether they are spread like a bell curve and hold still, as the
usual indices suppose, and what to go by where they do not. Without, it ranks
all readings.`,
		Example: `  fullthrow capability
  fullthrow capability sticks.left_x_hysteresis --since 7d --lot 24A`,
		Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) > 1 {
				return input.Usage("capability: %q is one argument too many", args[1]).Hint("fullthrow help capability")
			}
			if every < 0 || every == 1 {
				return input.Usage("capability: --every %d: a subgroup has two values or more", every)
			}
			return q.ask(cmd.Context(), func(ctx context.Context) error {
				if len(args) == 0 {
					return q.rooms(ctx, most)
				}
				return q.capability(ctx, args[0], retests, every)
			})
		},
	}
	c.Flags().BoolVar(&retests, "retests", false, "take in runs after a unit's first one too")
	c.Flags().IntVar(&every, "every", 0, "study subgroups of `N` units after one another, instead of single values")
	c.Flags().IntVar(&most, "most", most, "without READING: show the `N` with the least room")
	q.flags(c)
	return c
}

func (q *question) capability(ctx context.Context, reading string, retests bool, every int) error {
	answer := capabilityAnswer{Schema: capabilitySchema}
	var err error
	if answer.About, err = q.about(ctx); err != nil {
		return err
	}
	s, err := q.series(ctx, reading, retests, false)
	if err != nil {
		return err
	}
	format := terminal.Quantities(s.Unit, terminal.SpreadOf(s.Values()))
	o := yield.CapabilityOptions{Name: s.Name, Unit: s.Unit, Confidence: q.level}
	answer.Points = s.Total
	if every > 0 {
		groups, err := yield.Cut(s, yield.Cutting{Every: every})
		if err != nil {
			return err
		}
		answer.Study = yield.CapabilityOf(groups, yield.Spec{Lower: s.Lower, Upper: s.Upper}, o)
	} else {
		answer.Study = s.Capability(o)
	}
	if q.asJSON {
		return q.json(answer)
	}
	q.title(reading, answer.About)
	if len(s.Points) == 0 {
		return q.nothing(ctx, answer.About)
	}
	q.tellCapability(&answer, s, pointsWords(s, retests, false), format)
	return nil
}

// tellCapability shows a study.
func (q *question) tellCapability(x *capabilityAnswer, s yield.Series, from string, format func(float64) string) {
	c := x.Study
	q.out.Say("")
	q.out.Tell(0, q.out.Strong(wording.CapabilityVerdict(q.words, &c)))
	for _, text := range wording.CapabilityMeans(q.words, &c) {
		q.out.Tell(0, text)
	}
	q.out.Say("")
	g := terminal.Grid{Right: "ll"}
	g.Add("values", from)
	g.Add("limit", wording.Limits(q.words, c.Spec, format))
	g.Add("values lie", fmt.Sprintf("from %s to %s, on average at %s", format(slices.Min(s.Values())), format(slices.Max(s.Values())), format(statistics.Mean(s.Values()))))
	if c.Overall > 0 {
		spread := "standard deviation " + reports.FormatQuantity(c.Overall, s.Unit)
		if c.Within > 0 {
			spread += ", of neighbours " + reports.FormatQuantity(c.Within, s.Unit)
		}
		g.Add("spread", spread)
	}
	if o := c.Observed; o != nil && c.State != yield.CapabilityByPercent {
		g.Add("outside", fmt.Sprintf("%d of %d seen: %s", o.Count, o.Of, terminal.PlainSpaces(wording.Share(q.words, *o, wording.OfValues))))
	}
	if e := c.Expected; e != nil && c.State != yield.CapabilityByPercent {
		g.Add("", "expected in the long run: "+terminal.PlainSpaces(q.words.PerMillion(e.Value)+", "+q.words.T("figures.between", "low", q.words.PerMillion(e.Low), "high", q.words.PerMillion(e.High))))
	}
	g.Show(q.out)
	q.out.Say("")
	terminal.DrawHistogram(q.out, s.Values(), c.Spec, s.Unit)
	terms := q.tellIndices(&c)
	q.out.Say("")
	for _, text := range wording.CapabilityBasis(q.words, &c) {
		q.out.Tell(0, text)
	}
	q.remarks(c.Cautions)
	q.notCounted(x.About)
	if !q.brief && len(terms) > 0 {
		terminal.Glossary(q.out, q.words, append(terms, "standard_deviation", "normality", "interval")...)
	}
}

// tellIndices shows the indices that mean something here.
func (q *question) tellIndices(c *yield.CapabilityStudy) (terms []string) {
	g := terminal.Grid{Right: "lrll"}
	add := func(term, name string, e *yield.Estimate, about string) {
		if e == nil {
			return
		}
		two := func(v float64) string { return q.words.Fixed(v, 2) }
		between := wording.Range(q.words, e.Low, e.High, two)
		g.Add(name, two(e.Value), between, about)
		terms = append(terms, term)
	}
	if p := c.Percentile; p != nil && c.State == yield.CapabilityByPercent {
		add("ppk", "Ppk", p.Ppk, "by percentiles: the nearer limit")
		add("pp", "Pp", p.Pp, "by percentiles: both limits")
	} else {
		add("ppk", "Ppk", c.Ppk, "all values, the nearer limit")
		add("pp", "Pp", c.Pp, "all values, both limits")
		add("cpk", "Cpk", c.Cpk, "neighbours, the nearer limit: if nothing moved")
		add("cp", "Cp", c.Cp, "neighbours, both limits: if centred as well")
		add("cpm", "Cpm", c.Cpm, "with a penalty for being off the middle")
	}
	if len(terms) > 0 {
		q.out.Say("")
		g.Show(q.out)
	}
	return terms
}

// rooms ranks all readings by the room they have.
func (q *question) rooms(ctx context.Context, most int) error {
	answer := roomAnswer{Schema: capabilitySchema, Readings: []roomReading{}}
	var err error
	if answer.About, err = q.about(ctx); err != nil {
		return err
	}
	list, err := q.store.Moments(ctx, q.sel)
	if err != nil {
		return err
	}
	live := terminal.NewScreen(q.app.errs)
	for i, m := range list {
		live.Now("reading %d of %d", i+1, len(list))
		r := newRoom(m, q.level)
		if r.Ppk != nil {
			s, err := q.store.Series(ctx, q.sel, m.Name, true, mostBulk)
			if err != nil {
				return err
			}
			if e, nearer := bulk(s, q.level); e != nil {
				r.Bulk, r.Nearer = e, nearer
			}
		}
		answer.Readings = append(answer.Readings, r)
	}
	live.Now("")
	slices.SortStableFunc(answer.Readings, func(a, b roomReading) int {
		switch {
		case (a.Ppk == nil) != (b.Ppk == nil):
			if a.Ppk == nil {
				return 1
			}
			return -1
		case a.Ppk == nil:
			return 0
		}
		return cmp.Compare(a.least(), b.least())
	})
	if q.asJSON {
		return q.json(answer)
	}
	q.title("Readings by the room to their limits, the least first", answer.About)
	if len(list) == 0 {
		return q.nothing(ctx, answer.About)
	}
	q.tellRooms(&answer, most)
	return nil
}

// fewestValues is how many values an index is made of at least, as in a study.
const fewestValues = 8

func newRoom(m yield.Moments, level float64) roomReading {
	r := roomReading{Moments: m}
	if sd := m.SD(); bench.Finite(sd) {
		r.SD = &sd
	}
	switch {
	case m.Lower == nil && m.Upper == nil:
		r.Problem = yield.NoLimits
	case m.N < fewestValues:
		r.Problem = yield.TooFewValues
	case r.SD == nil || *r.SD == 0:
		r.Problem = yield.Constant
	default:
		i := yield.NewIndices(m.Mean, *r.SD, yield.Spec{Lower: m.Lower, Upper: m.Upper})
		if math.IsNaN(i.Cpk) {
			r.Problem = yield.LimitsSwapped
			break
		}
		low, high := yield.CpkInterval(i.Cpk, float64(m.N), float64(m.N-1), level)
		r.Ppk = &yield.Estimate{Value: i.Cpk, Low: low, High: high, Confidence: level, Method: "Bissell"}
		r.Nearer = "upper"
		if m.Upper == nil || m.Lower != nil && i.Cpl < i.Cpu {
			r.Nearer = "lower"
		}
	}
	return r
}

// whyNoRoom says in a list why a reading has no index.
var whyNoRoom = map[yield.Code]string{
	yield.NoLimits: "no limit", yield.TooFewValues: "too few values", yield.Constant: "all values are the same", yield.LimitsSwapped: "limits without room",
}

func roomWords(x float64) string {
	if math.Abs(x) >= 10 {
		return strconv.FormatFloat(x, 'f', 0, 64)
	}
	return strconv.FormatFloat(x, 'f', 2, 64)
}

// mostBulk is of how many values median and quartiles are taken.
const mostBulk = 2000

// bulk is Ppk as 95 of 100 units have it, whatever the other 5 do: with the
// median for the mean, and for the spread the distance from there to the 5th
// or 95th percentile, the one on the side of the limit, as in a normal
// distribution (1.645 standard deviations). For normal values, median and
// percentile make use of 64 % and 28 % of what the values tell (asymptotic
// variances), which widens the interval. It is +Inf where the 95 are alike.
func bulk(s yield.Series, level float64) (e *yield.Estimate, nearer string) {
	v := slices.Sorted(slices.Values(s.Values()))
	n := float64(len(v))
	if len(v) < fewestValues {
		return nil, ""
	}
	at := func(share float64) float64 { return statistics.Quantile(v, share) }
	middle, least := at(0.5), math.Inf(1)
	side := func(room, spread float64, name string) {
		k := room / (3 * spread / 1.645)
		if math.IsNaN(k) { // all on the limit, and so within it
			k = math.Inf(1)
		}
		if nearer == "" || k < least {
			least, nearer = k, name
		}
	}
	if s.Upper != nil {
		side(*s.Upper-middle, at(0.95)-middle, "upper")
	}
	if s.Lower != nil {
		side(middle-*s.Lower, middle-at(0.05), "lower")
	}
	e = &yield.Estimate{Value: least, Low: least, High: least, Confidence: level, Method: "Bissell, median and 95th percentile"}
	if bench.Finite(least) {
		e.Low, e.High = yield.CpkInterval(least, 0.64*n, 0.28*(n-1), level)
	}
	return e, nearer
}

func (q *question) tellRooms(x *roomAnswer, most int) {
	q.out.Say("")
	g := terminal.Grid{Right: "lrlrrrl", Head: []string{"reading", "room", "between", "of all", "mean", "limit", ""}}
	var without []string
	more := 0
	for i, r := range x.Readings {
		if r.Ppk == nil {
			without = append(without, r.Name+" ("+whyNoRoom[r.Problem]+")")
			continue
		}
		if i >= most {
			more++
			continue
		}
		limit, sign := r.Upper, "≤ "
		if r.Nearer == "lower" {
			limit, sign = r.Lower, "≥ "
		}
		word := ""
		if r.Failed > 0 {
			word = fmt.Sprintf("%d bad", r.Failed)
		}
		room, between := "", ""
		if b := r.Bulk; b != nil && math.IsInf(b.Value, 1) {
			room, between = "any", "95 of 100 are alike"
		} else if b != nil {
			room, between = roomWords(b.Value), roomWords(b.Low)+" to "+roomWords(b.High)
		}
		g.Add(r.Name, room, between, roomWords(r.Ppk.Value),
			reports.FormatQuantity(r.Mean, r.Unit), sign+reports.FormatQuantity(*limit, r.Unit), word)
	}
	g.Show(q.out)
	if more > 0 {
		q.out.Tell(2, fmt.Sprintf("and %d with more room; --most shows more", more))
	}
	if len(without) > 0 {
		q.out.Say("")
		const most = 4
		text := "Without an index: "
		for i, w := range without[:min(len(without), most)] {
			if i > 0 {
				text += ", "
			}
			text += w
		}
		if n := len(without) - most; n > 0 {
			text += fmt.Sprintf(", and %d more", n)
		}
		q.out.Tell(0, text+".")
	}
	q.out.Say("")
	q.out.Tell(0, "Room is Ppk as 95 of 100 units have it, \"of all\" is Ppk of every unit. Below 1 a limit is broken as a matter of course; 1.33 and more is usually asked for. Where room is large and that of all small, a few defective units break the limit, not the process.")
	q.hint("fullthrow capability READING studies one of them: its shape, and whether it holds still")
	q.notCounted(x.About)
	if !q.brief {
		terminal.Glossary(q.out, q.words, "ppk", "limit", "interval")
	}
}
