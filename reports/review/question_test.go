package review

import (
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports/yield"
)

// at parses options at a moment.
func parseAt(t *testing.T, now time.Time, name string, options ...string) (Question, error) {
	t.Helper()
	r := Review{Now: func() time.Time { return now }}
	given := map[string]string{}
	for i := 0; i+1 < len(options); i += 2 {
		given[options[i]] = options[i+1]
	}
	return r.Parse(name, given)
}

// codeOf is the code of a problem, "" for none.
func codeOf(t *testing.T, err error) string {
	t.Helper()
	if err == nil {
		return ""
	}
	var p *Problem
	require.True(t, errors.As(err, &p), "%v", err)
	return p.Code
}

func TestPeriods(t *testing.T) {
	zone := time.FixedZone("LQT", 3600)
	now := time.Date(2026, 3, 4, 15, 47, 12, 0, zone) // a Wednesday
	at := func(text string) time.Time {
		if text == "" {
			return time.Time{}
		}
		x, err := time.ParseInLocation("2006-01-02 15:04", text, zone)
		require.NoError(t, err)
		return x
	}
	for _, c := range []struct{ name, period, since, until, from, to string }{
		{"nothing is 30 days", "", "", "", "2026-02-03 00:00", ""},
		{"all", "all", "", "", "", ""},
		{"a day is whole", "", "2026-03-02", "2026-03-02", "2026-03-02 00:00", "2026-03-03 00:00"},
		{"a day as a period", "2026-03-02", "", "", "2026-03-02 00:00", "2026-03-03 00:00"},
		{"today", "today", "", "", "2026-03-04 00:00", ""},
		{"since today", "", "today", "", "2026-03-04 00:00", ""},
		{"until today", "", "", "today", "", "2026-03-05 00:00"},
		{"yesterday", "", "Yesterday", "yesterday", "2026-03-03 00:00", "2026-03-04 00:00"},
		{"yesterday as a period", "yesterday", "", "", "2026-03-03 00:00", "2026-03-04 00:00"},
		{"a month", "2026-02", "", "", "2026-02-01 00:00", "2026-03-01 00:00"},
		{"a year", "", "2025", "2025", "2025-01-01 00:00", "2026-01-01 00:00"},
		{"a week", "", "2026-W10", "2026-w10", "2026-03-02 00:00", "2026-03-09 00:00"},
		{"the first week begins in the old year", "", "2026-W01", "", "2025-12-29 00:00", ""},
		{"a time", "", "2026-03-02 06:00", "2026-03-02T14:30", "2026-03-02 06:00", "2026-03-02 14:30"},
		{"a time of another zone", "", "2026-03-02T06:00:00Z", "", "2026-03-02 07:00", ""},
		{"kept to half hours, outwards", "", "2026-03-02 06:10", "2026-03-02 06:40", "2026-03-02 06:00", "2026-03-02 07:00"},
		{"hours back", "24h", "", "", "2026-03-03 15:30", ""},
		{"168 hours are hours", "168h", "", "", "2026-02-25 15:30", ""},
		{"7 days are those of the calendar, today included", "7d", "", "", "2026-02-26 00:00", ""},
		{"since 7 days the same", "", "7d", "", "2026-02-26 00:00", ""},
		{"a day is today", "1d", "", "", "2026-03-04 00:00", ""},
		{"weeks back", "", "2 w", "", "2026-02-19 00:00", ""},
		{"now", "", "90min", "now", "2026-03-04 14:00", "2026-03-04 16:00"},
		{"the shift", "shift", "", "", "2026-03-04 14:00", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			q, err := parseAt(t, now, AskFails, "period", c.period, "since", c.since, "until", c.until)
			require.NoError(t, err)
			assert.True(t, q.Runs.Since.Equal(at(c.from)), "%v", q.Runs.Since)
			assert.True(t, q.Runs.Until.Equal(at(c.to)), "%v", q.Runs.Until)
		})
	}
	for _, c := range []struct{ name, period, since, until, want string }{
		{"no word", "", "soon", "", BadWhen},
		{"no such day", "", "2026-02-30", "", BadCalendar},
		{"no such week", "2026-W54", "", "", BadCalendar},
		{"order", "", "2026-03-02", "2026-03-01", BadOrder},
		{"minutes or months", "", "3m", "", BadWhen},
		{"too long", "", "99999999999d", "", BadWhen},
		{"half a day", "0.5d", "", "", BadWhen},
		{"no days", "0d", "", "", BadWhen},
		{"day first", "", "", "02.03.2026", BadWhen},
		{"an instant is no period", "now", "", "", BadWhen},
		{"both", "7d", "2026-03-02", "", BadPeriod},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := parseAt(t, now, AskFails, "period", c.period, "since", c.since, "until", c.until)
			assert.Equal(t, c.want, codeOf(t, err))
		})
	}
	for name, want := range map[string]string{AskToday: "2026-03-04 00:00", AskHold: "2026-02-03 00:00", AskExport: "", AskUnit: ""} {
		q, err := parseAt(t, now, name)
		require.NoError(t, err)
		assert.True(t, q.Runs.Since.Equal(at(want)), "%s: %v", name, q.Runs.Since)
	}
	// In a zone that changes its clocks, a day back is a day of the calendar.
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Skip("no time zones on this computer:", err)
	}
	q, err := parseAt(t, time.Date(2026, 3, 29, 12, 0, 0, 0, berlin), AskFails, "since", "2d")
	require.NoError(t, err)
	assert.Equal(t, "2026-03-28 00:00", q.Runs.Since.Format("2006-01-02 15:04"))
}

func TestOptions(t *testing.T) {
	now := time.Date(2026, 3, 4, 15, 47, 12, 0, time.UTC)
	for _, c := range []struct {
		name    string
		options []string
		want    string
	}{
		{AskToday, []string{"confidence", "95"}, ""},
		{AskToday, []string{"confidence", "99.7 %"}, ""},
		{AskToday, []string{"confidence", "0.95"}, BadShare},
		{AskToday, []string{"target", "0.9"}, BadShare},
		{AskToday, []string{"confidence", "40"}, BadPercent},
		{AskToday, []string{"confidence", "NaN"}, BadPercent},
		{AskToday, []string{"confidence", "100"}, BadPercent},
		{AskToday, []string{"takt", "45 s"}, ""},
		{AskToday, []string{"takt", "1m10s"}, ""},
		{AskToday, []string{"takt", "soon"}, BadSeconds},
		{AskToday, []string{"takt", "-1"}, BadSeconds},
		{AskToday, []string{"by", "shfit"}, BadChoice},
		{AskToday, []string{"by", "cause"}, BadChoice},
		{AskFails, []string{"by", "cause"}, ""},
		{AskFails, []string{"by", "lot"}, BadChoice},
		{AskToday, []string{"shifts", "05:30, 13:30"}, ""},
		{AskToday, []string{"shifts", "06:10"}, BadShifts},
		{AskToday, []string{"shifts", "14:00,06:00"}, BadShifts},
		{AskToday, []string{"shifts", "25:00"}, BadShifts},
		{AskToday, []string{"lto", "24A"}, BadOption},
		{AskToday, []string{"lot", "24A\x00"}, BadCharacters},
		{AskToday, []string{"lot", "24A\u202e"}, BadCharacters},
		{AskToday, []string{"lot", string(make([]rune, 121))}, BadCharacters},
		{AskDrift, []string{"reading", "a.b", "chart", "imr"}, ""},
		{AskDrift, []string{"reading", "a.b", "chart", "p"}, BadChart},
		{AskDrift, []string{"reading", "yield", "chart", "imr"}, BadChart},
		{AskDrift, []string{"reading", "yield", "chart", "u-prime"}, ""},
		{AskDrift, []string{"reading", "yield", "golden", "1"}, BadYield},
		{AskDrift, []string{"reading", "a.b", "golden", "yes"}, BadChoice},
		{AskDrift, []string{"reading", "a.b", "chart", "pie"}, BadChoice},
		{AskDrift, []string{"reading", "a.b", "by", "unit"}, ""},
		{AskDrift, []string{"reading", "yield", "by", "unit"}, BadChoice},
		{AskDrift, []string{"reading", "a.b", "by", "day", "every", "5"}, BadCutting},
		{AskDrift, []string{"reading", "a.b", "every", "0"}, BadWhole},
		{AskDrift, []string{"reading", "a.b", "rules", "none"}, BadChoice},
		{AskHold, []string{"reading", "a.b", "every", "1"}, BadWhole},
		{AskUnits, []string{"low", "1"}, BadRange},
		{AskUnits, []string{"low", "1e400", "reading", "a.b"}, BadNumber},
		{AskUnits, []string{"outcome", "bad"}, BadChoice},
	} {
		q, err := parseAt(t, now, c.name, c.options...)
		assert.Equal(t, c.want, codeOf(t, err), "%s %q", c.name, c.options)
		assert.NotEmpty(t, q.Name)
	}
	q, err := parseAt(t, now, AskToday, "nest", "LQ-1 A", "confidence", "90")
	require.NoError(t, err)
	assert.Equal(t, []string{"LQ-1", "A"}, []string{q.Runs.Station, q.Runs.Nest})
	assert.InDelta(t, 0.9, q.Confidence, 1e-12)
	q, err = parseAt(t, now, AskDrift, "reading", "a.b", "chart", "xbar-r")
	require.NoError(t, err)
	assert.Equal(t, yield.ChartMeansRanges, q.Chart)
}

// Every option of every question is read: one that is only in the list would be
// taken and do nothing.
func TestEveryOptionIsRead(t *testing.T) {
	now := time.Date(2026, 3, 4, 15, 47, 12, 0, time.UTC)
	values := map[string]string{"by": "lot", "target": "95", "takt": "45", "shifts": "06:00", "confidence": "90", "reading": "a.b", "chart": "imr",
		"every": "5", "first": "7", "rules": "nelson", "outcome": "failed", "low": "1", "high": "2", "period": "7d", "since": "2026-03-01", "until": "2026-03-02"}
	for _, s := range Switches() {
		values[s] = "1"
	}
	for _, name := range append(Names(), AskUnits, AskExport) {
		if name == AskFails {
			values["by"] = "reading"
		} else {
			values["by"] = "lot"
		}
		plain, err := parseAt(t, now, name, "reading", map[bool]string{true: "a.b"}[name == AskDrift || name == AskUnits])
		require.NoError(t, err)
		for _, option := range Options(name) {
			value := values[option]
			if value == "" {
				value = "x y"
			}
			given := []string{option, value}
			if name == AskDrift || name == AskUnits {
				if given = append([]string{"reading", "a.b"}, given...); option == "reading" {
					given[3] = "c.d"
				}
			}
			q, err := parseAt(t, now, name, given...)
			require.NoError(t, err, "%s %s", name, option)
			q.values, plain.values = nil, nil
			assert.NotEqual(t, withoutNaN(plain), withoutNaN(q), "%s: option %s changes nothing", name, option)
		}
	}
}

// withoutNaN is a question in which what is not a number equals itself.
func withoutNaN(q Question) Question {
	if q.Target != q.Target {
		q.Target = -1
	}
	return q
}
