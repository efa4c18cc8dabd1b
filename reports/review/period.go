package review

import (
	"regexp"
	"strconv"
	"strings"
	"sync"
	"time"

	"fullthrow/reports/yield"
)

// The periods that have a word of their own beside dates and spans.
const (
	PeriodAll   = "all"
	PeriodShift = "shift" // since the present shift began
	PeriodToday = "today"
)

// halfHour is what everything that counts is kept to.
const halfHour = 30 * time.Minute

// stretch is what a word for a time means; of an instant both ends are the
// same. As a period one that is open goes on from its beginning.
type stretch struct {
	from, to time.Time
	open     bool
}

// What is read by more than a layout.
var (
	spanText = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(
			`^([0-9]+(?:\.[0-9]+)?) ?(min|h|d|w)$`)
	})
	weekText = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^([0-9]{4})-W([0-9]{2})$`) })
)

var layouts = []string{"2006-01-02", "2006-01", "2006", "2006-01-02 15:04", "2006-01-02T15:04",
	"2006-01-02 15:04:05", "2006-01-02T15:04:05", time.RFC3339}

// parseWhen reads a date, a month, a week (ISO 8601), a date and time, "today",
// "yesterday", "now", or a span back from now, in now's zone. A date is the
// whole day. Days and weeks back are those of the calendar, today included:
// "7d" begins at midnight six days ago; "168h" are hours. The code of what is
// wrong is "" where nothing is.
func parseWhen(text string, now time.Time) (s stretch, code string) {
	zone := now.Location()
	year, month, day := now.Date()
	days := func(y int, m time.Month, d, n int) stretch {
		return stretch{from: time.Date(y, m, d, 0, 0, 0, 0, zone), to: time.Date(y, m, d+n, 0, 0, 0, 0, zone)}
	}
	switch strings.ToLower(text) {
	case "now":
		return stretch{from: now, to: now}, ""
	case PeriodToday:
		s = days(year, month, day, 1)
		s.open = true
		return s, ""
	case "yesterday":
		return days(year, month, day-1, 1), ""
	}
	if m := spanText().FindStringSubmatch(strings.ToLower(text)); m != nil {
		from, code := spanBack(now, m[1], m[2])
		return stretch{from: from, to: from, open: true}, code
	}
	if m := weekText().FindStringSubmatch(strings.ToUpper(text)); m != nil {
		y, _ := strconv.Atoi(m[1])
		w, _ := strconv.Atoi(m[2])
		// 4 January lies in week 1.
		first := time.Date(y, 1, 4, 0, 0, 0, 0, zone)
		monday := first.AddDate(0, 0, 7*(w-1)-(int(first.Weekday())+6)%7)
		if gotY, gotW := monday.ISOWeek(); gotY != y || gotW != w {
			return s, BadCalendar
		}
		return days(monday.Year(), monday.Month(), monday.Day(), 7), ""
	}
	code = BadWhen
	for _, layout := range layouts {
		t, err := time.ParseInLocation(layout, text, zone)
		if err != nil {
			if strings.Contains(err.Error(), "out of range") {
				code = BadCalendar
			}
			continue
		}
		if t.Year() < 1980 || t.Year() > 2200 {
			return s, BadWhen
		}
		switch layout {
		case "2006-01-02":
			return days(t.Year(), t.Month(), t.Day(), 1), ""
		case "2006-01":
			return stretch{from: t, to: t.AddDate(0, 1, 0)}, ""
		case "2006":
			return stretch{from: t, to: t.AddDate(1, 0, 0)}, ""
		}
		t = t.In(zone)
		return stretch{from: t, to: t}, ""
	}
	return s, code
}

// spanBack is when a span back from now began.
func spanBack(now time.Time, number, unit string) (time.Time, string) {
	n, err := strconv.ParseFloat(number, 64)
	one := map[string]time.Duration{"min": time.Minute, "h": time.Hour, "d": 24 * time.Hour,
		"w": 7 * 24 * time.Hour}[unit]
	if err != nil || n > float64(100*365*24*time.Hour)/float64(one) {
		return now, BadWhen
	}
	if unit == "min" || unit == "h" {
		return now.Add(-time.Duration(n * float64(one))), ""
	}
	whole := int(n)
	if float64(whole) != n || whole < 1 {
		return now, BadWhen
	}
	y, m, d := now.Date()
	return time.Date(y, m, d+1-whole*int(one/(24*time.Hour)), 0, 0, 0, 0, now.Location()), ""
}

// when reads one of the options that say when.
func (q *Question) when(option string) (stretch, error) {
	text := q.values[option]
	switch {
	case option != "period":
	case text == PeriodAll:
		return stretch{open: true}, nil
	case text == PeriodShift:
		return stretch{from: yield.ShiftStart(q.now, q.Runs.Shifts), open: true}, nil
	}
	s, code := parseWhen(text, q.now)
	if option == "period" && code == "" && !s.open && s.from.Equal(s.to) {
		code = BadWhen // an instant
	}
	if code != "" {
		return s, problem(code, "name", option, "value", brief(text), "zone", q.now.Format("MST"))
	}
	return s, nil
}

// readPeriod turns period, since and until into a span of time; usual is the
// period where none of them is given. It is kept to half hours.
func (q *Question) readPeriod(usual string) error {
	since, until := q.values["since"], q.values["until"]
	q.Period = q.values["period"]
	switch bounded := since != "" || until != ""; {
	case bounded && q.Period != "":
		return problem(BadPeriod)
	case bounded:
	default:
		if q.Period == "" {
			q.Period = usual
			q.values["period"] = usual
			defer delete(q.values, "period")
		}
		s, err := q.when("period")
		if err != nil {
			return err
		}
		q.Runs.Since = s.from.Truncate(halfHour)
		if !s.open {
			q.Runs.Until = upToHalfHour(s.to)
		}
		return nil
	}
	if since != "" {
		s, err := q.when("since")
		if err != nil {
			return err
		}
		q.Runs.Since = s.from.Truncate(halfHour)
	}
	if until != "" {
		s, err := q.when("until")
		if err != nil {
			return err
		}
		q.Runs.Until = upToHalfHour(s.to)
	}
	if since != "" && until != "" && !q.Runs.Since.Before(q.Runs.Until) {
		return problem(BadOrder, "since", brief(since), "until", brief(until))
	}
	return nil
}

func upToHalfHour(t time.Time) time.Time {
	if r := t.Truncate(halfHour); !r.Before(t) {
		return r
	}
	return t.Truncate(halfHour).Add(halfHour)
}

// parseShifts reads times of day such as "06:00,14:00,22:00".
func parseShifts(text string) (list []time.Duration, ok bool) {
	for _, word := range strings.Split(text, ",") {
		t, err := time.Parse("15:04", strings.TrimSpace(word))
		d := time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute
		if err != nil || d%halfHour != 0 || len(list) > 0 && d <= list[len(list)-1] {
			return nil, false
		}
		list = append(list, d)
	}
	return list, true
}
