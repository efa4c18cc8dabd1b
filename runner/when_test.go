package main

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestSpan(t *testing.T) {
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
	for _, c := range []struct{ name, since, until, from, to string }{
		{"nothing", "", "", "", ""},
		{"a day is whole", "2026-03-02", "2026-03-02", "2026-03-02 00:00", "2026-03-03 00:00"},
		{"today", "today", "", "2026-03-04 00:00", ""},
		{"yesterday", "Yesterday", "yesterday", "2026-03-03 00:00", "2026-03-04 00:00"},
		{"a month", "2026-02", "2026-02", "2026-02-01 00:00", "2026-03-01 00:00"},
		{"a year", "2025", "2025", "2025-01-01 00:00", "2026-01-01 00:00"},
		{"a week", "2026-W10", "2026-w10", "2026-03-02 00:00", "2026-03-09 00:00"},
		{"the first week begins in the old year", "2026-W01", "", "2025-12-29 00:00", ""},
		{"a time", "2026-03-02 06:00", "2026-03-02T14:30", "2026-03-02 06:00", "2026-03-02 14:30"},
		{"a time of another zone", "2026-03-02T06:00:00Z", "", "2026-03-02 07:00", ""},
		{"kept to half hours, outwards", "2026-03-02 06:10", "2026-03-02 06:40", "2026-03-02 06:00", "2026-03-02 07:00"},
		{"hours back", "24h", "", "2026-03-03 15:30", ""},
		{"days back", "7d", "1d", "2026-02-25 15:30", "2026-03-03 16:00"},
		{"weeks back", "2 w", "", "2026-02-18 15:30", ""},
		{"half a day", "0.5d", "", "2026-03-04 03:30", ""},
		{"now", "90min", "now", "2026-03-04 14:00", "2026-03-04 16:00"},
	} {
		t.Run(c.name, func(t *testing.T) {
			from, to, err := span(c.since, c.until, now)
			require.NoError(t, err)
			assert.True(t, from.Equal(at(c.from)), "%v", from)
			assert.True(t, to.Equal(at(c.to)), "%v", to)
		})
	}
	for _, c := range []struct{ name, since, until, want string }{
		{"no word", "soon", "", `--since "soon": neither a date nor a time nor a span`},
		{"no such day", "2026-02-30", "", `--since "2026-02-30": that is not in the calendar`},
		{"no such week", "2026-W54", "", `--since "2026-W54": 2026 has no week 54`},
		{"order", "2026-03-02", "2026-03-01", "--since 2026-03-02 is not before --until 2026-03-01"},
		{"minutes or months", "3m", "", `--since "3m": neither a date nor a time nor a span`},
		{"too long", "99999999999d", "", `--since "99999999999d": that is too long ago`},
		{"day first", "", "02.03.2026", `--until "02.03.2026": neither a date nor a time nor a span`},
		{"empty", " ", "", `--since " ": neither a date nor a time nor a span`},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, _, err := span(c.since, c.until, now)
			assert.EqualError(t, err, c.want)
		})
	}
	// In a zone that changes its clocks, a day back is a day of the calendar.
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Skip("no time zones on this computer:", err)
	}
	from, _, err := span("1d", "", time.Date(2026, 3, 29, 12, 0, 0, 0, berlin))
	require.NoError(t, err)
	assert.Equal(t, "2026-03-28 12:00", from.Format("2006-01-02 15:04"))
}

func TestClockTimes(t *testing.T) {
	got, err := clockTimes("05:30, 13:30")
	require.NoError(t, err)
	assert.Equal(t, []time.Duration{5*time.Hour + 30*time.Minute, 13*time.Hour + 30*time.Minute}, got)
	for _, bad := range []string{"", "6", "06:10", "14:00,06:00", "06:00,06:00", "25:00"} {
		_, err := clockTimes(bad)
		assert.Error(t, err, bad)
	}
}
