package yield

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"fullthrow/reports/statistics"
)

// Table is several readings over the same runs: a column for each reading, NaN
// where a run lacks it.
type Table struct {
	Runs    []string
	Names   []string // check.reading
	Units   []string
	Columns [][]float64
}

// Align puts series into one table by run, in order of time of the runs. Of two
// points of one run the last counts; values that are not finite are missing.
func Align(series []Series) Table {
	var t Table
	row := map[string]int{}
	var all []Point
	for _, s := range series {
		for _, p := range s.Points {
			if _, ok := row[p.Run]; !ok {
				row[p.Run] = len(all)
				all = append(all, p)
			}
		}
	}
	slices.SortStableFunc(all, func(a, b Point) int { return a.When().Compare(b.When()) })
	for i, p := range all {
		row[p.Run] = i
		t.Runs = append(t.Runs, p.Run)
	}
	for _, s := range series {
		column := make([]float64, len(all))
		for i := range column {
			column[i] = math.NaN()
		}
		for _, p := range s.Points {
			if !math.IsInf(p.Value, 0) {
				column[row[p.Run]] = p.Value
			}
		}
		t.Names, t.Units, t.Columns = append(t.Names, s.Name), append(t.Units, s.Unit), append(t.Columns, column)
	}
	return t
}

// CorrelationOptions for [Correlate]. The zero value is usable.
type CorrelationOptions struct {
	Confidence float64    // 0.95 if not between 0 and 1
	Correction Correction // for many pairs; Holm if not given
}

// Methods of correlation.
const (
	MethodPearson  = "Pearson"
	MethodSpearman = "Spearman"
)

// Correlations is which readings go together.
type Correlations struct {
	// Pairs by the size of their rank correlation, the strongest first.
	Pairs    []Pair   `json:"pairs"`
	Constant []string `json:"constant,omitempty"` // readings that never change: they go with nothing
	Few      []string `json:"few,omitempty"`      // readings with fewer than four values
	Together int      `json:"together"`           // pairs that go together beyond chance
	Runs     int      `json:"runs"`
}

// Pair is two readings over the runs that have both.
type Pair struct {
	A       string `json:"a"`
	B       string `json:"b"`
	N       int    `json:"n"`       // runs with both
	Dropped int    `json:"dropped"` // runs without one or the other
	// Rank is how far one rises (falls, below 0) whenever the other does, on
	// whatever curve: 1 always, 0 no rule (Spearman). It does not mind values
	// far out; the order of pairs and Test go by it. NaN for fewer than four
	// runs, or where one does not change in the runs that have both.
	Rank Estimate `json:"rank"`
	// Straight is how close they lie to a straight line (Pearson).
	Straight Estimate `json:"straight"`
	// Test is nil below ten runs, where its chances would not be right.
	Test *Test `json:"test,omitempty"`
}

// CorrelationInterval is the interval of a correlation r of n pairs by Fisher's
// z: atanh r with a standard deviation of 1/sqrt(n - 3), for Spearman's
// sqrt((1 + r²/2)/(n - 3)) (Bonett and Wright 2000). Fewer than four pairs, or r
// NaN or beyond ±1: NaN. r of exactly 1 or -1: no width.
func CorrelationInterval(r float64, n int, method string, confidence float64) Estimate {
	nan := math.NaN()
	e := Estimate{Value: r, Low: nan, High: nan, Confidence: usualConfidence(confidence), Method: method}
	switch {
	case math.IsNaN(r) || n < 4 || math.Abs(r) > 1:
		return e
	case math.Abs(r) == 1:
		e.Low, e.High = r, r
		return e
	}
	sd := 1 / math.Sqrt(float64(n-3))
	if method == MethodSpearman {
		sd *= math.Sqrt(1 + r*r/2)
	}
	half := statistics.NormalFactor(e.Confidence) * sd
	e.Low, e.High = math.Tanh(math.Atanh(r)-half), math.Tanh(math.Atanh(r)+half)
	return e
}

// Correlate looks at all pairs of columns. Each pair is taken over the runs
// that have both; p by Student's t, near for ranks, and corrected for the
// number of pairs.
//
// Special inputs: fewer than two columns give no pair; columns with fewer than
// four values, and those that are constant, are listed and make no pair; pairs
// with fewer than four runs in common are listed last, without figures; pairs
// with fewer than ten have figures but are not told from chance. Columns
// must be of one length; shorter ones lack the last runs. Infinite values count
// as missing.
func Correlate(t Table, o CorrelationOptions) Correlations {
	confidence := usualConfidence(o.Confidence)
	var r Correlations
	for _, c := range t.Columns {
		r.Runs = max(r.Runs, len(c))
	}
	var columns []*column
	for i, values := range t.Columns {
		c := newColumn(t.Names[i], values, r.Runs)
		switch {
		case c.n < 4:
			r.Few = append(r.Few, c.name)
		case c.constant:
			r.Constant = append(r.Constant, c.name)
		default:
			// Whose runs are the same as those of an earlier column shares its mask.
			c.mask = len(columns)
			for _, earlier := range columns {
				if earlier.sameRuns(c) {
					c.mask = earlier.mask
					break
				}
			}
			columns = append(columns, c)
		}
	}
	sameRuns := byMask(columns)
	for i, a := range columns {
		for j, b := range columns[i+1:] {
			var rank, straight float64
			n := a.n
			if a.mask == b.mask {
				straight, rank = sameRuns(i, i+1+j)
			} else {
				straight, rank, n = apart(a, b)
			}
			p := Pair{A: a.name, B: b.name, N: n, Dropped: r.Runs - n}
			p.Rank = CorrelationInterval(rank, n, MethodSpearman, confidence)
			p.Straight = CorrelationInterval(straight, n, MethodPearson, confidence)
			if p.Rank.Known() {
				p.Test = &Test{P: correlationTail(rank, n)}
			}
			r.Pairs = append(r.Pairs, p)
		}
	}
	tests := make([]*Test, len(r.Pairs))
	for i := range r.Pairs {
		tests[i] = r.Pairs[i].Test
	}
	correct(tests, o.Correction)
	for i := range r.Pairs {
		p := &r.Pairs[i]
		if p.Test != nil && p.Test.Adjusted <= 1-confidence {
			r.Together++
		}
	}
	slices.SortStableFunc(r.Pairs, func(a, b Pair) int {
		return cmp.Or(cmp.Compare(strength(b.Rank.Value), strength(a.Rank.Value)),
			cmp.Compare(strength(b.Straight.Value), strength(a.Straight.Value)))
	})
	return r
}

// strength puts what is not known last.
func strength(r float64) float64 {
	if math.IsNaN(r) {
		return -1
	}
	return math.Abs(r)
}

// correlationTail is the chance of a correlation at least as strong without
// any.
func correlationTail(r float64, n int) float64 {
	rest := (1 - r) * (1 + r)
	if rest <= 0 {
		return 0
	}
	df := float64(n - 2)
	return statistics.StudentTail(r*math.Sqrt(df/rest), df)
}

// column is one reading, prepared once for all its pairs.
type column struct {
	name     string
	values   []float64 // NaN where missing
	order    []int32   // rows with a value, by value
	ranks    []float64 // among those with a value; 0 where missing
	n        int
	constant bool
	mask     int // the same for columns that have the same rows
}

func newColumn(name string, values []float64, rows int) *column {
	c := &column{name: name, values: make([]float64, rows), ranks: make([]float64, rows)}
	type place struct {
		value float64
		row   int32
	}
	order := make([]place, 0, rows)
	for i := range c.values {
		v := math.NaN()
		if i < len(values) && !math.IsInf(values[i], 0) {
			v = values[i]
		}
		c.values[i] = v
		if !math.IsNaN(v) {
			order = append(order, place{v, int32(i)})
		}
	}
	slices.SortFunc(order, func(a, b place) int {
		switch {
		case a.value < b.value:
			return -1
		case a.value > b.value:
			return 1
		}
		return 0
	})
	c.n = len(order)
	c.order = make([]int32, c.n)
	for i, p := range order {
		c.order[i] = p.row
	}
	c.constant = c.n == 0 || c.values[c.order[0]] == c.values[c.order[c.n-1]]
	c.rank(c.ranks, nil)
	return c
}

func (c *column) sameRuns(d *column) bool {
	if c.n != d.n {
		return false
	}
	for i, v := range c.values {
		if math.IsNaN(v) != math.IsNaN(d.values[i]) {
			return false
		}
	}
	return true
}

// rank writes the ranks of the rows that with has too (all for nil).
func (c *column) rank(out []float64, with *column) (n int) {
	rows := c.order
	if with != nil {
		rows = make([]int32, 0, c.n)
		for _, r := range c.order {
			if !math.IsNaN(with.values[r]) {
				rows = append(rows, r)
			}
		}
	}
	for i := 0; i < len(rows); {
		j := i + 1
		for j < len(rows) && c.values[rows[j]] == c.values[rows[i]] {
			j++
		}
		for _, r := range rows[i:j] {
			out[r] = float64(i+j+1) / 2
		}
		i = j
	}
	return len(rows)
}

// byMask correlates all columns that have the same runs at once, as products of
// matrices of standardised values and of standardised ranks.
func byMask(columns []*column) func(i, j int) (straight, rank float64) {
	type place struct{ group, at int }
	type products struct{ straight, rank *mat.SymDense }
	places := make([]place, len(columns))
	var members [][]*column
	seen := map[int]int{}
	for i, c := range columns {
		g, ok := seen[c.mask]
		if !ok {
			g = len(members)
			seen[c.mask] = g
			members = append(members, nil)
		}
		places[i] = place{g, len(members[g])}
		members[g] = append(members[g], c)
	}
	groups := make([]products, len(members))
	for g, list := range members {
		if len(list) < 2 {
			continue
		}
		n := list[0].n
		product := func(of func(*column) []float64) *mat.SymDense {
			data := mat.NewDense(len(list), n, nil)
			for k, c := range list {
				standardise(data.RawRowView(k), of(c), c.values)
			}
			var s mat.SymDense
			s.SymOuterK(1, data)
			return &s
		}
		groups[g] = products{
			product(func(c *column) []float64 { return c.values }),
			product(func(c *column) []float64 { return c.ranks }),
		}
	}
	return func(i, j int) (float64, float64) {
		g := groups[places[i].group]
		return held(g.straight.At(places[i].at, places[j].at)), held(g.rank.At(places[i].at, places[j].at))
	}
}

// held keeps a correlation within -1 and 1, which rounding does not.
func held(r float64) float64 {
	if math.Abs(r) > 1-1e-15 {
		return math.Copysign(1, r)
	}
	return r
}

// standardise writes those of x that are not missing, less their mean, with a
// sum of squares of 1.
func standardise(out, x, missing []float64) {
	k := 0
	for i, v := range x {
		if !math.IsNaN(missing[i]) {
			out[k] = v
			k++
		}
	}
	origin := out[0]
	for i := range out {
		out[i] -= origin
	}
	mean := statistics.Mean(out)
	var ss float64
	for i := range out {
		out[i] -= mean
		ss += out[i] * out[i]
	}
	scale := 1 / math.Sqrt(ss)
	for i := range out {
		out[i] *= scale
	}
}

// apart correlates two columns that do not have the same runs.
func apart(a, b *column) (straight, rank float64, n int) {
	both := make([]float64, len(a.values))
	ra, rb := make([]float64, len(a.values)), make([]float64, len(a.values))
	for i := range both {
		if math.IsNaN(a.values[i]) || math.IsNaN(b.values[i]) {
			both[i] = math.NaN()
		}
	}
	n = a.rank(ra, b)
	b.rank(rb, a)
	if n < 4 {
		return math.NaN(), math.NaN(), n
	}
	of := func(x, y []float64) float64 {
		sx, sy := make([]float64, n), make([]float64, n)
		standardise(sx, x, both)
		standardise(sy, y, both)
		var sum float64
		for i := range sx {
			sum += sx[i] * sy[i]
		}
		if math.IsNaN(sum) || math.IsInf(sum, 0) { // one does not change in these runs
			return math.NaN()
		}
		return held(sum)
	}
	if unchanging(ra, both) || unchanging(rb, both) {
		return math.NaN(), math.NaN(), n
	}
	return of(a.values, b.values), of(ra, rb), n
}

func unchanging(ranks, missing []float64) bool {
	first := math.NaN()
	for i, r := range ranks {
		switch {
		case math.IsNaN(missing[i]):
		case math.IsNaN(first):
			first = r
		case r != first:
			return false
		}
	}
	return true
}
