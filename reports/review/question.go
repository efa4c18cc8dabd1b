package review

import (
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"fullthrow/reports"
	"fullthrow/reports/statistics"
	"fullthrow/reports/store"
	"fullthrow/reports/yield"
)

// The questions, and the listings beside them.
const (
	AskToday   = "today"
	AskFails   = "fails"
	AskDrift   = "drift"
	AskHold    = "hold"
	AskDiffers = "differs"
	AskUnit    = "unit"
	AskUnits   = "units"  // the runs behind a figure
	AskExport  = "export" // all of them
)

// Names are the questions, in the order in which they are asked.
func Names() []string { return []string{AskToday, AskFails, AskDrift, AskHold, AskDiffers, AskUnit} }

// Filters are the options that say which runs are meant. All questions but unit
// take them, so they go along from one to the next.
func Filters() []string {
	return []string{"period", "since", "until", "product", "revision", "lot", "station", "nest", "operator"}
}

// own are the options that a question has beside the filters.
var own = map[string][]string{
	AskToday: {"by", "target", "takt", "shifts", "confidence"},
	AskFails: {"by", "confidence"},
	AskDrift: {"reading", "chart", "by", "every", "first", "rules", "retests", "golden", "without-failed", "shifts",
		"confidence"},
	AskHold:    {"reading", "every", "retests", "confidence"},
	AskDiffers: {"a", "b", "by", "reading", "confidence"},
	AskUnit:    {"serial", "run"},
	AskUnits: {"outcome", "check", "reading", "cause", "first-runs", "flagged", "cut-short", "low", "high",
		"serial", "after"},
}

var usualPeriod = map[string]string{AskToday: PeriodToday, AskUnit: PeriodAll, AskExport: PeriodAll}

// UsualPeriod is the period of a question where none is given.
func UsualPeriod(question string) string {
	if usual := usualPeriod[question]; usual != "" {
		return usual
	}
	return "30d"
}

// Options are all that a question takes, its own first.
func Options(question string) []string {
	if question == AskUnit {
		return append(slices.Clone(own[question]), "product")
	}
	return append(slices.Clone(own[question]), Filters()...)
}

// Switches are the options that are on or off: "1", or not given.
func Switches() []string {
	return []string{"retests", "golden", "without-failed", "first-runs", "flagged", "cut-short"}
}

// ofYield is what stands for the yield in the place of a reading.
const ofYield = "yield"

// Question is one that was read and found good.
type Question struct {
	Name string
	Runs store.Selection
	// Period is the word that the span of time comes from, "" where since or
	// until gave it.
	Period     string
	Confidence float64 // as a share of 1

	By           store.By          // what to group by, "" the usual; of drift also "unit"
	Kind         store.FailureKind // of fails
	Target       float64           // a share; NaN not given
	Takt         float64           // s; 0 as the record states it
	Reading      string            // "" for the yield, or for all
	Chart        yield.ChartKind   // "" the usual
	Rules        yield.RuleSet
	Every, First int // 0 not given
	Retests      bool
	Golden       bool
	PassedOnly   bool   // without values that broke their limit
	A, B         string // sides to compare
	Serial, Run  string
	Filter       store.RunFilter
	Low, High    float64 // of a reading: Low <= x < High
	Ranged       bool    // one of them is given
	After        string

	values map[string]string
	now    time.Time
}

// Given are the options as they were given.
func (q *Question) Given() map[string]string { return maps.Clone(q.values) }

// ChartNames are the kinds of charts by their short names.
var ChartNames = []struct {
	Name string
	Kind yield.ChartKind
}{
	{"imr", yield.ChartIndividuals}, {"xbar-r", yield.ChartMeansRanges}, {"xbar-s", yield.ChartMeansSDs},
	{"ewma", yield.ChartEWMA}, {"cusum", yield.ChartCUSUM},
	{"p", yield.ChartP}, {"np", yield.ChartNP}, {"p-prime", yield.ChartPPrime},
	{"u", yield.ChartU}, {"u-prime", yield.ChartUPrime}, {"c", yield.ChartC},
}

// ChartsOf are the charts of counts (of the yield) or of values (of a reading).
func ChartsOf(counts bool) (names []string) {
	for _, c := range ChartNames {
		if c.Kind.Counts() == counts {
			names = append(names, c.Name)
		}
	}
	return names
}

// Periods are what may be grouped by that is time.
func Periods() []string { return []string{"hour", "shift", "day", "week", "month"} }

// groupings are all that may be grouped by.
func groupings() []string {
	return append(Periods(), "lot", "revision", "station", "nest", "operator", "product")
}

// cuttings are what a point of a reading's chart may be.
func cuttings() []string {
	return []string{"unit", "hour", "shift", "day", "week", "lot", "revision", "station", "nest", "operator"}
}

// sideKinds are what a side of a comparison may be beside a unit, in the order
// in which a bare word is looked up.
func sideKinds() []string {
	return []string{"lot", "station", "revision", "product", "nest", "operator"}
}

// maxValue is how long an option's text may be, in characters.
const maxValue = 120

// Parse reads a question's options. Those that are "" are not given; an option
// that it does not take is refused: it must not look as if it had been heard.
// The question is good for telling of an error even with one.
func (r *Review) Parse(name string, options map[string]string) (q Question, err error) {
	q = Question{Name: name, Confidence: yield.DefaultConfidence, Target: math.NaN(), Kind: store.ByCause,
		Rules: yield.WesternElectric,
		Low:   math.Inf(-1), High: math.Inf(1), values: map[string]string{}, now: r.now()}
	q.Runs.Zone, q.Runs.Shifts = q.now.Location(), r.Shifts
	known := Options(name)
	for _, option := range slices.Sorted(maps.Keys(options)) {
		text := strings.TrimSpace(options[option])
		switch {
		case text == "":
			continue
		case !slices.Contains(known, option):
			return q, &Problem{Code: BadOption, Args: []any{"name", brief(option)}, Given: option, Known: known}
		case !printable(text):
			return q, problem(BadCharacters, "name", option)
		}
		most := maxValue
		if option == "cause" || option == "serial" { // a scan may hold more than a number
			most *= 4
		}
		if utf8.RuneCountInString(text) > most {
			return q, problem(BadLong, "name", option, "count", most)
		}
		q.values[option] = text
	}
	for _, option := range known {
		if text := q.values[option]; text != "" {
			if err := q.read(option, text); err != nil {
				return q, err
			}
		}
	}
	if err := q.readPeriod(UsualPeriod(name)); err != nil {
		return q, err
	}
	return q, q.fits()
}

func printable(s string) bool {
	hidden := func(c rune) bool { return !unicode.IsPrint(c) || c == unicode.ReplacementChar }
	return utf8.ValidString(s) && !strings.ContainsFunc(s, hidden)
}

// read takes in one option.
func (q *Question) read(option, text string) (err error) {
	s := &q.Runs
	switch option {
	case "product":
		s.Product = text
	case "revision":
		s.Revision = text
	case "lot":
		s.Lot = text
	case "station":
		s.Station = text
	case "operator":
		s.Operator = text
	case "nest":
		s.Nest = text
		// A nest is known as "LQ-1 A" in lists.
		station, given := s.Station, q.values["station"]
		if i := strings.LastIndexByte(text, ' '); i >= 0 && (given == "" || given == text[:i]) {
			station, s.Nest = text[:i], text[i+1:]
		}
		s.Station = station
	case "shifts":
		var ok bool
		if s.Shifts, ok = parseShifts(text); !ok {
			err = problem(BadShifts, "name", option, "value", brief(text))
		}
	case "confidence":
		q.Confidence, err = percent(option, text, statistics.Confidence)
	case "target":
		q.Target, err = percent(option, text, func(x float64) (float64, error) { return x / 100, nil })
	case "takt":
		q.Takt, err = seconds(option, text)
	case "by":
		err = q.readBy(text)
	case "reading":
		if q.Reading = text; q.Name == AskDrift && text == ofYield {
			q.Reading = ""
		}
		q.Filter.Reading = text
	case "chart":
		i := slices.IndexFunc(ChartNames, func(c struct {
			Name string
			Kind yield.ChartKind
		}) bool {
			return c.Name == text
		})
		if i < 0 {
			return choice(option, text, append(ChartsOf(false), ChartsOf(true)...))
		}
		q.Chart = ChartNames[i].Kind
	case "rules":
		if q.Rules = yield.RuleSet(text); q.Rules.Rules() == nil {
			err = choice(option, text, []string{string(yield.WesternElectric), string(yield.Nelson)})
		}
	case "every":
		q.Every, err = whole(option, text, 1)
	case "first":
		q.First, err = whole(option, text, 1)
	case "retests":
		q.Retests, err = on(option, text)
	case "golden":
		q.Golden, err = on(option, text)
	case "without-failed":
		q.PassedOnly, err = on(option, text)
	case "first-runs":
		q.Filter.First, err = on(option, text)
	case "flagged":
		q.Filter.Flagged, err = on(option, text)
	case "cut-short":
		q.Filter.CutShort, err = on(option, text)
	case "a":
		q.A = text
	case "b":
		q.B = text
	case "serial":
		q.Serial, q.Filter.SerialNumber = text, text
	case "run":
		q.Run = text
	case "outcome":
		q.Filter.Outcome = reports.Outcome(text)
		outcomes := []string{string(reports.Passed), string(reports.Failed), string(reports.Errored),
			string(reports.Aborted)}
		if !slices.Contains(outcomes, text) {
			err = choice(option, text, outcomes)
		}
	case "check":
		q.Filter.Check = text
	case "cause":
		q.Filter.Cause = text
	case "low":
		q.Ranged = true
		q.Low, err = number(option, text)
	case "high":
		q.Ranged = true
		q.High, err = number(option, text)
	case "after":
		q.After = text
	}
	return err
}

func (q *Question) readBy(text string) error {
	allowed := groupings()
	switch q.Name {
	case AskFails:
		allowed = []string{string(store.ByCause), string(store.ByCheck), string(store.ByReading)}
		q.Kind = store.FailureKind(text)
	case AskDiffers:
		allowed = sideKinds()
	case AskDrift:
		if q.isReading() {
			allowed = cuttings()
		}
	}
	q.By = store.By(text)
	if !slices.Contains(allowed, text) {
		return choice("by", text, allowed)
	}
	return nil
}

// isReading says whether a reading is asked about, and not the yield.
func (q *Question) isReading() bool {
	return q.values["reading"] != "" && q.values["reading"] != ofYield
}

// fits refuses options that do not go together.
func (q *Question) fits() error {
	switch {
	case q.Every > 0 && q.By != "":
		return problem(BadCutting)
	case q.Name == AskHold && q.Every == 1:
		return problem(BadWhole, "name", "every", "value", "1", "least", 2)
	case q.Ranged && q.Reading == "":
		return problem(BadRange)
	}
	if q.Name != AskDrift {
		return nil
	}
	if q.Chart != "" && q.Chart.Counts() == q.isReading() {
		return problem(BadChart, "name", "chart", "value", q.values["chart"], "allowed",
			strings.Join(ChartsOf(!q.isReading()), ", "))
	}
	if !q.isReading() {
		for _, option := range []string{"every", "retests", "golden", "without-failed"} {
			if q.values[option] != "" {
				return problem(BadYield, "name", option)
			}
		}
	}
	return nil
}

// percent reads "95", "95 %" or "99.7%" as a share of 1, as far as read takes
// it.
func percent(option, text string, read func(percent float64) (float64, error)) (float64, error) {
	x, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(text, "%")), 64)
	if err == nil && x > 0 && x < 1 {
		meant := strconv.FormatFloat(math.Round(x*1e6)/1e4, 'g', -1, 64)
		return 0, problem(BadShare, "name", option, "value", brief(text), "percent", meant)
	}
	share := 0.0
	if err == nil {
		share, err = read(x)
	}
	if err != nil || !(share >= 0 && share <= 1) {
		return 0, problem(BadPercent, "name", option, "value", brief(text))
	}
	return share, nil
}

func number(option, text string) (float64, error) {
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
		return 0, problem(BadNumber, "name", option, "value", brief(text))
	}
	return x, nil
}

func whole(option, text string, least int) (int, error) {
	n, err := strconv.Atoi(text)
	if err != nil || n < least || n > 1e6 {
		return 0, problem(BadWhole, "name", option, "value", brief(text), "least", least)
	}
	return n, nil
}

// on reads a switch.
func on(option, text string) (bool, error) {
	if text != "1" {
		return false, choice(option, text, []string{"1"})
	}
	return true, nil
}

// seconds reads "45", "45 s" or "1m10s".
func seconds(option, text string) (float64, error) {
	word := strings.ReplaceAll(text, " ", "")
	if x, err := strconv.ParseFloat(strings.TrimSuffix(word, "s"), 64); err == nil && x > 0 && x < 1e6 {
		return x, nil
	}
	if d, err := time.ParseDuration(word); err == nil && d > 0 && d.Seconds() < 1e6 {
		return d.Seconds(), nil
	}
	return 0, problem(BadSeconds, "name", option, "value", brief(text))
}
