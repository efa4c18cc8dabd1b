package web

import (
	"context"
	"math"
	"time"

	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
)

// today is what the station has made since midnight.
type today struct {
	known bool
	units int64
	yield yield.Share
}

// todayJSON is the day in words.
type todayJSON struct {
	Known bool   `json:"known"`
	Units string `json:"units"`
	Yield string `json:"yield"` // "" while no unit was judged
	Range string `json:"range"` // what the yield may be as well
}

func todayIn(t *wording.Translator, d today) todayJSON {
	if !d.known {
		return todayJSON{}
	}
	j := todayJSON{Known: true, Units: t.T("operator.today.units", "count", d.units)}
	if d.yield.Known() {
		j.Yield = t.Percent(d.yield.Value)
		j.Range = t.T("operator.today.range", "low", t.Percent(round(d.yield.Low)), "high",
			t.Percent(round(d.yield.High)))
	}
	return j
}

// round keeps a tenth of a percent.
func round(share float64) float64 { return math.Round(share*1000) / 1000 }

// countDays asks the store for the counts of the day whenever something was
// taken in, and at least each minute (midnight passes).
func (s *Server) countDays(ctx context.Context) {
	if s.c.Store == nil {
		return
	}
	tick := time.NewTicker(time.Minute)
	defer tick.Stop()
	for {
		s.countDay(ctx)
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		case <-s.count:
		}
	}
}

// countDay asks for the counts of the day once.
func (s *Server) countDay(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	now := time.Now()
	midnight := time.Date(now.Year(), now.Month(), now.Day(), 0, 0, 0, 0, now.Location())
	c, err := s.c.Store.Counts(ctx, store.Selection{Since: midnight, Product: s.c.Product.Name, Station: s.c.Station,
		Zone: now.Location()})
	if err != nil {
		if ctx.Err() == nil {
			s.c.Log.Warn("the day cannot be counted", "error", err)
		}
		return
	}
	d := today{known: true, units: c.Units, yield: yield.NewShare(c.FirstPassed, c.Units, 0)}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.today.known && s.today.units == d.units && s.today.yield.Count == d.yield.Count {
		return
	}
	s.today = d
	s.tellStation()
}
