package store

import (
	"encoding/json"
	"math"
	"strconv"

	"fullthrow/reports"
)

// group is everything that runs are selected by but time: the rows of grp.
type group struct{ product, revision, lot, station, nest, operator string }

// unitKey names a unit: its product and serial number.
type unitKey struct{ product, serial string }

// record is a report on its way into the tables.
type record struct {
	id, grpID, layoutID, chainID int64

	run            string
	group          group
	serial         string
	golden         bool
	attempt        int
	started, ended int64 // ms
	outcome        reports.Outcome
	reason, why    string // why it did not pass: the code, and as JSON with its arguments
	cut            bool   // it broke a limit and was then cut short: see [reports.Report.WasCutShort]
	clock          string // how the clock was set, as JSON; "" if it was not
	cause          name   // the likeliest, kind "" if there is none
	causeID        int64
	simulated      bool
	cycleTime      float64
	takt           float64
	flag           string // its kind, "" if it counts

	checks   []checkPart
	readings []readingPart
	codes    sample

	first  bool
	totals totals

	item Item
}

// totals is what a unit's runs come to; it stands with its first judged run.
type totals struct {
	final    bool // the newest judged run passed
	retests  int64
	nff      bool
	repaired bool
}

type checkPart struct {
	name, part string
	verdict    byte
}

type readingPart struct {
	check, name, unit string
	kind              byte // 'n' number, 'b' boolean, 't' text, 0 none
	lower, upper      *float64
	verdict           byte
	value             reports.Value
}

// sample is a run's checks and readings in the order of its layout: a letter
// each for the verdict ('-' if it is not there), and the values as a JSON
// array.
type sample struct {
	checks, verdicts string
	readings         string
}

// The letters of verdicts, from good to bad; what is none of the known words
// is an error.
var verdictLetters = map[reports.Verdict]byte{
	reports.Pass: 'p', reports.Unlimited: 'u', reports.Inconclusive: 'i', reports.Fail: 'f', reports.Error: 'e',
}

const noVerdict = '-'

func letterOf(v reports.Verdict) byte {
	if c, ok := verdictLetters[v]; ok {
		return c
	}
	return 'e'
}

func verdictOf(c byte) reports.Verdict {
	for v, l := range verdictLetters {
		if l == c {
			return v
		}
	}
	return reports.Error
}

// missed says of a letter that it speaks against the unit: a verdict that the
// decision rule left open counts like a failure, as it does for the run.
func missed(c byte) bool { return c == 'f' || c == 'i' }

func rankOf(c byte) int {
	switch c {
	case 'p':
		return 1
	case 'u':
		return 2
	case 'i':
		return 3
	case 'f':
		return 4
	case noVerdict:
		return 0
	}
	return 5
}

func worse(a, b byte) byte {
	if rankOf(b) > rankOf(a) {
		return b
	}
	return a
}

// judged says that the run says something of its unit: it passed or failed, or
// it broke a limit before it was cut short.
func (r *record) judged() bool { return ended(r.outcome) || r.cut }

// ended says that a run with this outcome was judged to its end.
func ended(o reports.Outcome) bool { return o == reports.Passed || o == reports.Failed }

func (r *record) unit() unitKey { return unitKey{r.group.product, r.serial} }

// digest takes from a report what the index keeps of it. A check or reading
// that stands twice counts once, with its worst verdict and its last value.
func digest(item Item) *record {
	p := &item.Sealed.Report
	r := &record{
		run: cleanKey(p.Run),
		group: group{
			product: cleanKey(p.Unit.Product), revision: cleanKey(p.Unit.Revision), lot: cleanKey(p.Unit.Lot),
			station: cleanKey(p.Station), nest: cleanKey(p.Nest), operator: cleanKey(p.Operator),
		},
		serial: cleanKey(p.Unit.SerialNumber), golden: p.Unit.Golden, attempt: p.Attempt,
		started: millis(p.Started), ended: millis(p.Ended),
		outcome: outcomeOf(p.Outcome), simulated: p.Simulated, cut: p.WasCutShort(), clock: packClock(p.Clock),
		item: item,
	}
	if p.CycleTime > 0 && !math.IsInf(p.CycleTime, 0) {
		r.cycleTime = p.CycleTime
	}
	if p.Takt > 0 && !math.IsInf(p.Takt, 0) {
		r.takt = p.Takt
	}
	r.reason, r.why = packReason(p.Reason)
	if len(p.Causes) > 0 && r.outcome == reports.Failed {
		c := p.Causes[0]
		r.cause = name{kind: string(ByCause), place: clean(c.Where), name: clean(c.Cause), part: cleanKey(c.Part),
			rule: cleanKey(c.Rule)}
	}
	checkAt := map[string]int{}
	type readingKey struct{ check, name string }
	readingAt := map[readingKey]int{}
	for _, c := range p.Checks {
		cname, part := cleanKey(c.Name), cleanKey(c.Part)
		letter := letterOf(c.Verdict)
		if i, ok := checkAt[cname]; ok {
			r.checks[i].verdict = worse(r.checks[i].verdict, letter)
		} else {
			checkAt[cname] = len(r.checks)
			r.checks = append(r.checks, checkPart{cname, part, letter})
		}
		for _, rd := range c.Readings {
			q := readingPart{check: cname, name: cleanKey(rd.Name), unit: cleanKey(rd.Unit),
				verdict: letterOf(rd.Verdict), value: rd.Value}
			if x, ok := rd.Value.Number(); ok {
				q.kind = 'n'
				if math.IsNaN(x) || math.IsInf(x, 0) {
					q.value = reports.Value{}
				}
			} else if _, ok := rd.Value.Bool(); ok {
				q.kind = 'b'
			} else if _, ok := rd.Value.Text(); ok {
				q.kind = 't'
			}
			if l := rd.Limit; l != nil {
				q.lower, q.upper = l.Lower, l.Upper
			}
			k := readingKey{cname, q.name}
			if i, ok := readingAt[k]; ok {
				q.verdict = worse(r.readings[i].verdict, q.verdict)
				r.readings[i] = q
				continue
			}
			readingAt[k] = len(r.readings)
			r.readings = append(r.readings, q)
		}
	}
	return r
}

// packReason is a reason as the index keeps it: its code, and all of it as JSON
// in which what somebody else said is cut where it is long.
func packReason(r *reports.Reason) (code, why string) {
	if r == nil {
		return "", ""
	}
	packed, err := json.Marshal(brief(*r, 3))
	if err != nil { // a number that JSON cannot hold: no sealed report has one
		packed = []byte("{}")
	}
	return cleanKey(string(r.Code)), string(packed)
}

// packClock is how the clock was set as the index keeps it, as JSON.
func packClock(list []reports.Reason) string {
	if len(list) == 0 {
		return ""
	}
	var kept []reports.Reason
	for _, r := range list[:min(len(list), 8)] {
		kept = append(kept, brief(r, 1))
	}
	packed, err := json.Marshal(kept)
	if err != nil { // a number that JSON cannot hold: no sealed report has one
		return "[]"
	}
	return string(packed)
}

// brief is a reason with texts of keyLength at most, and so many of what it
// comes from.
func brief(r reports.Reason, most int) reports.Reason {
	for _, s := range []*string{&r.Device, &r.Verb, &r.Kind, &r.Nest, &r.Check, &r.File, &r.Unit, &r.LimitUnit} {
		*s = cut(valid(*s), keyLength)
	}
	r.Code = reports.Code(cleanKey(string(r.Code)))
	r.Text, r.Hint = cut(valid(r.Text), longLength/2), cut(valid(r.Hint), longLength/2)
	var names []string
	for _, n := range r.Readings[:min(len(r.Readings), 2*most)] {
		names = append(names, cut(valid(n), keyLength))
	}
	var because []reports.Reason
	for _, b := range r.Because[:min(len(r.Because), most)] {
		because = append(because, brief(b, most-1))
	}
	r.Readings, r.Because = names, because
	return r
}

func outcomeOf(o reports.Outcome) reports.Outcome {
	switch o {
	case reports.Passed, reports.Failed, reports.Aborted:
		return o
	}
	return reports.Errored
}

// failed lists the readings that missed their limit, and the checks that
// failed without one, in their order.
func (r *record) failed() []string {
	var list []string
	for _, c := range r.checks {
		n := len(list)
		for _, rd := range r.readings {
			if rd.check == c.name && missed(rd.verdict) {
				list = append(list, rd.check+"."+rd.name)
			}
		}
		if n == len(list) && missed(c.verdict) {
			list = append(list, c.name)
		}
	}
	return list
}

// encode lays the record's checks and readings out in the order of a layout
// that fits it.
func (r *record) encode(l *layout) {
	letters := make([]byte, len(l.Checks))
	i := 0
	for k := range l.Checks {
		letters[k] = noVerdict
		if i < len(r.checks) && r.checks[i].name == l.Checks[k].Name {
			letters[k] = r.checks[i].verdict
			i++
		}
	}
	r.codes.checks = string(letters)
	letters = make([]byte, len(l.Readings))
	text := make([]byte, 0, 16*len(l.Readings)+2)
	text = append(text, '[')
	i = 0
	for k := range l.Readings {
		if k > 0 {
			text = append(text, ',')
		}
		letters[k] = noVerdict
		if i < len(r.readings) && l.Readings[k].fits(&r.readings[i]) {
			letters[k] = r.readings[i].verdict
			text = appendValue(text, r.readings[i].value)
			i++
		} else {
			text = append(text, "null"...)
		}
	}
	r.codes.verdicts = string(letters)
	r.codes.readings = string(append(text, ']'))
}

func appendValue(b []byte, v reports.Value) []byte {
	if x, ok := v.Number(); ok {
		return strconv.AppendFloat(b, x, 'g', -1, 64)
	}
	if x, ok := v.Bool(); ok {
		return strconv.AppendBool(b, x)
	}
	if s, ok := v.Text(); ok {
		if text, err := json.Marshal(clean(s)); err == nil {
			return append(b, text...)
		}
	}
	return append(b, "null"...)
}

// eachNumber hands out the finite numbers of a JSON array of scalars as
// appendValue writes it, by position, until f returns false.
func eachNumber[T string | []byte](text T, f func(pos int, x float64) bool) error {
	if len(text) < 2 || text[0] != '[' || text[len(text)-1] != ']' {
		return errPacked
	}
	text = text[1 : len(text)-1]
	for pos := 0; len(text) > 0; pos++ {
		end, err := scalarEnd(text)
		if err != nil {
			return err
		}
		if c := text[0]; c == '-' || c >= '0' && c <= '9' {
			x, err := strconv.ParseFloat(string(text[:end]), 64)
			if err != nil {
				return errPacked
			}
			if !f(pos, x) {
				return nil
			}
		}
		text = text[min(end+1, len(text)):]
	}
	return nil
}

// numberAt is the number at one position; ok is false if there is none.
func numberAt(text []byte, want int) (x float64, ok bool, err error) {
	if len(text) < 2 || text[0] != '[' || text[len(text)-1] != ']' {
		return 0, false, errPacked
	}
	text = text[1 : len(text)-1]
	for pos := 0; len(text) > 0; pos++ {
		end, err := scalarEnd(text)
		if err != nil {
			return 0, false, err
		}
		if pos == want {
			if c := text[0]; c != '-' && (c < '0' || c > '9') {
				return 0, false, nil
			}
			if x, err = strconv.ParseFloat(string(text[:end]), 64); err != nil {
				return 0, false, errPacked
			}
			return x, true, nil
		}
		text = text[min(end+1, len(text)):]
	}
	return 0, false, nil
}

// scalarEnd is where the first scalar of a list ends.
func scalarEnd[T string | []byte](text T) (int, error) {
	end := 0
	if text[0] == '"' {
		for end = 1; end < len(text) && text[end] != '"'; end++ {
			if text[end] == '\\' {
				end++
			}
		}
		end++
	} else {
		for end < len(text) && text[end] != ',' {
			end++
		}
	}
	if end == 0 || end > len(text) || end < len(text) && text[end] != ',' {
		return 0, errPacked
	}
	return end, nil
}
