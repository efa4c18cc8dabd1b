package web

import (
	"context"
	"net/http"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/wording"
)

// nestHealth is one nest in GET /healthz.
type nestHealth struct {
	Nest      string       `json:"nest"`
	InService bool         `json:"in_service"`
	Code      reports.Code `json:"code,omitempty"` // why it is not
	Why       string       `json:"why,omitempty"`  // the same in English
	Running   bool         `json:"running"`
	Waiting   string       `json:"waiting,omitempty"` // "guard", "load"
}

// health is GET /healthz: 200 while at least one nest takes units, 503 if none
// does or the station is stopping.
func (s *Server) health(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), 2*time.Second)
	defer cancel()
	out := map[string]any{}
	if s.c.Health != nil {
		for k, v := range s.c.Health(ctx) {
			out[k] = v
		}
	}
	var nests []nestHealth
	some := false
	s.mu.Lock()
	for _, n := range s.nests {
		why := n.runner.InService()
		some = some || why == nil
		h := nestHealth{Nest: n.Name, InService: why == nil, Why: wording.English().Reason(why),
			Running: n.phase == phaseRunning}
		if why != nil {
			h.Code = why.Code
		}
		if n.phase == phaseHeld {
			h.Waiting = n.held
		}
		nests = append(nests, h)
	}
	queue, stopping := len(s.queue), s.stopping
	s.mu.Unlock()
	problems := []string{}
	for _, p := range s.c.Archive.Problems() {
		problems = append(problems, p.Error())
	}
	status, code := "ok", http.StatusOK
	switch {
	case stopping:
		status, code = "stopping", http.StatusServiceUnavailable
	case !some:
		status, code = "no nest in service", http.StatusServiceUnavailable
	case len(problems) > 0:
		status = "look at the problems"
	}
	out["status"], out["station"], out["product"] = status, s.c.Station, s.c.Product.Name
	out["nests"], out["waiting_units"], out["followers"] = nests, queue, s.followers.count()
	out["connections"] = s.connections.count()
	out["archive"] = map[string]any{"problems": problems}
	writeJSON(w, code, out)
}
