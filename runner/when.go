package main

import (
	"errors"
	"fmt"
	"fullthrow/runner/input"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"time"
)

// period is a stretch of time that people name with one word; of an instant
// both ends are the same.
type period struct{ from, to time.Time }

const whenHint = `write 2026-03-02, "2026-03-02 06:00", 2026-03, 2026-W10, today, yesterday, 24h, 7d or 4w`

var (
	spanText = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`^([0-9]+(?:\.[0-9]+)?) ?(min|h|d|w)$`)
	})
	weekText = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^([0-9]{4})-W([0-9]{2})$`) })
)

// parseWhen reads a date, a month, a week (ISO 8601), a date and time, "today",
// "yesterday", "now", or a span back from now ("24h", "7d"), in now's zone. A
// date is the whole day. The error is for people, without what was read.
func parseWhen(text string, now time.Time) (period, error) {
	zone := now.Location()
	year, month, day := now.Date()
	days := func(y int, m time.Month, d, n int) period {
		return period{time.Date(y, m, d, 0, 0, 0, 0, zone), time.Date(y, m, d+n, 0, 0, 0, 0, zone)}
	}
	text = strings.TrimSpace(text)
	switch strings.ToLower(text) {
	case "now":
		return period{now, now}, nil
	case "today":
		return days(year, month, day, 1), nil
	case "yesterday":
		return days(year, month, day-1, 1), nil
	}
	if m := spanText().FindStringSubmatch(strings.ToLower(text)); m != nil {
		t, err := spanBack(now, m[1], m[2])
		return period{t, t}, err
	}
	if m := weekText().FindStringSubmatch(strings.ToUpper(text)); m != nil {
		y, _ := strconv.Atoi(m[1])
		w, _ := strconv.Atoi(m[2])
		// 4 January lies in week 1.
		first := time.Date(y, 1, 4, 0, 0, 0, 0, zone)
		monday := first.AddDate(0, 0, 7*(w-1)-(int(first.Weekday())+6)%7)
		if gotY, gotW := monday.ISOWeek(); gotY != y || gotW != w {
			return period{}, fmt.Errorf("%d has no week %d", y, w)
		}
		return days(monday.Year(), monday.Month(), monday.Day(), 7), nil
	}
	var wrong error
	for _, layout := range []string{"2006-01-02", "2006-01", "2006", "2006-01-02 15:04", "2006-01-02T15:04", "2006-01-02 15:04:05", "2006-01-02T15:04:05", time.RFC3339} {
		t, err := time.ParseInLocation(layout, text, zone)
		if err != nil {
			var p *time.ParseError
			if errors.As(err, &p) && strings.Contains(p.Message, "out of range") {
				wrong = errors.New("that is not in the calendar")
			}
			continue
		}
		switch layout {
		case "2006-01-02":
			return days(t.Year(), t.Month(), t.Day(), 1), nil
		case "2006-01":
			return period{t, t.AddDate(0, 1, 0)}, nil
		case "2006":
			return period{t, t.AddDate(1, 0, 0)}, nil
		}
		t = t.In(zone)
		return period{t, t}, nil
	}
	if wrong == nil {
		wrong = errors.New("neither a date nor a time nor a span")
	}
	return period{}, wrong
}

func spanBack(now time.Time, number, unit string) (time.Time, error) {
	n, err := strconv.ParseFloat(number, 64)
	if err != nil || n > 1e6 {
		return now, errors.New("that is too long ago")
	}
	if whole := int(n); float64(whole) == n { // days of the calendar, also where clocks change
		switch unit {
		case "d":
			return now.AddDate(0, 0, -whole), nil
		case "w":
			return now.AddDate(0, 0, -7*whole), nil
		}
	}
	one := map[string]time.Duration{"min": time.Minute, "h": time.Hour, "d": 24 * time.Hour, "w": 7 * 24 * time.Hour}[unit]
	if n > 100*365*24*float64(time.Hour)/float64(one) {
		return now, errors.New("that is too long ago")
	}
	return now.Add(-time.Duration(n * float64(one))), nil
}

// halfHour is what everything that counts is kept to.
const halfHour = 30 * time.Minute

// span reads --since and --until: from since's beginning to until's end, kept
// to half hours. Either may be "".
func span(since, until string, now time.Time) (from, to time.Time, err error) {
	read := func(flag, text string) (period, error) {
		p, err := parseWhen(text, now)
		if err != nil {
			return p, input.Usage("--%s %q: %w", flag, text, err).Hint(whenHint + "; times are those of this computer (" + now.Format("MST") + ")")
		}
		return p, nil
	}
	if since != "" {
		p, err := read("since", since)
		if err != nil {
			return from, to, err
		}
		from = p.from.Truncate(halfHour)
	}
	if until != "" {
		p, err := read("until", until)
		if err != nil {
			return from, to, err
		}
		if to = p.to.Truncate(halfHour); to.Before(p.to) {
			to = to.Add(halfHour)
		}
	}
	if since != "" && until != "" && !from.Before(to) {
		return from, to, input.Usage("--since %s is not before --until %s", since, until)
	}
	return from, to, nil
}

// clockTimes reads times of day such as "06:00,14:00,22:00".
func clockTimes(text string) ([]time.Duration, error) {
	var list []time.Duration
	for _, word := range strings.Split(text, ",") {
		t, err := time.Parse("15:04", strings.TrimSpace(word))
		if err != nil {
			return nil, input.Usage("--shifts %q: %q is not a time of day like 06:00", text, word)
		}
		d := time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute
		switch {
		case d%halfHour != 0:
			return nil, input.Usage("--shifts %q: shifts begin at full or half hours", text)
		case len(list) > 0 && d <= list[len(list)-1]:
			return nil, input.Usage("--shifts %q: give the times in the order of the day", text)
		}
		list = append(list, d)
	}
	return list, nil
}
