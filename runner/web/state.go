package web

import (
	"net/http"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/wording"
)

// What follows is what a browser gets, in JSON, with every word in its
// language.

// stateJSON is the whole state of the station.
type stateJSON struct {
	Boot    string      `json:"boot"`
	Now     int64       `json:"now"` // ms since 1970, by the server's clock
	Pace    float64     `json:"pace"`
	Station stationJSON `json:"station"`
	Nests   []nestJSON  `json:"nests"`
	// Followed is how the run ended that the browser followed before the
	// server was started again.
	Followed *followedJSON `json:"followed,omitempty"`
}

type followedJSON struct {
	Run     string          `json:"run"`
	Outcome reports.Outcome `json:"outcome"`
	Text    string          `json:"text"`
}

// stationJSON is what belongs to no nest.
type stationJSON struct {
	Queue    []queuedJSON  `json:"queue"`
	Notice   *noticeJSON   `json:"notice"`
	Question *questionJSON `json:"question"`
	Today    todayJSON     `json:"today"`
	Stopping bool          `json:"stopping"`
}

type queuedJSON struct {
	Serial string `json:"serial"`
	Nest   string `json:"nest,omitempty"`
}

type noticeJSON struct {
	ID     int64  `json:"id"`
	Level  string `json:"level"` // "done", "refused", "bench"
	Code   string `json:"code"`
	Text   string `json:"text"`
	Detail string `json:"detail,omitempty"`
}

type questionJSON struct {
	ID     int64  `json:"id"`
	Code   string `json:"code"`
	Serial string `json:"serial"`
	Text   string `json:"text"`
	Detail string `json:"detail,omitempty"`
	Yes    string `json:"yes"`
	No     string `json:"no"`
}

// nestJSON is a nest and the run it shows.
type nestJSON struct {
	Nest      string            `json:"nest"`
	Phase     phase             `json:"phase"`
	Out       string            `json:"out,omitempty"` // why it is out of service, in words
	Run       string            `json:"run,omitempty"`
	Serial    string            `json:"serial,omitempty"`
	About     string            `json:"about,omitempty"`      // lot, retest, golden, simulated
	Begun     int64             `json:"begun,omitempty"`      // ms since 1970, by the server's clock
	Took      float64           `json:"took,omitempty"`       // s, of a run that ended
	CycleTime float64           `json:"cycle_time,omitempty"` // s
	Checks    []checkJSON       `json:"checks"`
	Parts     map[string]string `json:"parts"`
	Done      int               `json:"done"` // checks that ended
	Doing     string            `json:"doing,omitempty"`
	Reading   string            `json:"reading,omitempty"`
	Closing   bool              `json:"closing,omitempty"` // the report is being sealed
	Prompt    *promptJSON       `json:"prompt,omitempty"`
	Hold      *holdJSON         `json:"hold,omitempty"`
	End       *endJSON          `json:"end,omitempty"`
	Event     *eventJSON        `json:"event,omitempty"` // that brought this about
}

type checkJSON struct {
	Name  string `json:"name"`
	About string `json:"about"`
	Part  string `json:"part,omitempty"`
	State string `json:"state"`
	Word  string `json:"word"` // the state in words
}

type promptJSON struct {
	ID      string       `json:"id"`
	Kind    string       `json:"kind"`
	Text    string       `json:"text"`
	Choices []choiceJSON `json:"choices,omitempty"`
	Unit    string       `json:"unit,omitempty"`
	Picture string       `json:"picture,omitempty"`
	How     string       `json:"how"` // which keys answer
}

// choiceJSON is an answer to choose: the value that is sent, and its words.
type choiceJSON struct {
	Value any    `json:"value"`
	Text  string `json:"text"`
}

// holdJSON says why a unit waits for a hand.
type holdJSON struct {
	Why    string `json:"why"` // "guard", "load"
	Serial string `json:"serial"`
	Text   string `json:"text"`
	Detail string `json:"detail"`
}

// endJSON is how a run ended.
type endJSON struct {
	Kind     string        `json:"kind"` // "passed", "failed", "bench", "aborted", "cut", "guard"
	Title    string        `json:"title"`
	Short    string        `json:"short"` // the title, where there is little room
	Text     string        `json:"text"`
	Unknown  string        `json:"unknown,omitempty"` // that nothing is known about the unit
	Part     string        `json:"part,omitempty"`    // at which a failure points
	Where    string        `json:"where,omitempty"`   // the same in words
	Causes   []causeJSON   `json:"causes,omitempty"`
	Readings []readingJSON `json:"readings,omitempty"` // that broke a limit
	More     string        `json:"more,omitempty"`     // how many are not shown
	Broken   []string      `json:"broken,omitempty"`   // all of them, as check.reading
	Next     string        `json:"next"`               // what to do, in words
	Step     step          `json:"step"`
	Unsafe   string        `json:"unsafe,omitempty"`   // what may happen at the fixture and what to do, before all else
	NotSafe  string        `json:"not_safe,omitempty"` // the devices it is about
	// what is wrong with the bench after a run that this did not spoil
	Bench  string `json:"bench,omitempty"`
	Detail string `json:"detail,omitempty"` // for the engineer, as the bench said it
}

type causeJSON struct {
	Text    string `json:"text"`
	Where   string `json:"where,omitempty"`
	Likely  string `json:"likely"`
	Inspect string `json:"inspect,omitempty"`
}

type readingJSON struct {
	Name    string          `json:"name"` // check.reading
	Value   string          `json:"value"`
	Limit   string          `json:"limit,omitempty"`
	Verdict reports.Verdict `json:"verdict"`
}

// eventJSON is an event of a run's journal.
type eventJSON struct {
	Nest    string       `json:"nest"`
	Run     string       `json:"run"`
	Seq     int64        `json:"seq"`
	Kind    reports.Kind `json:"kind"`
	Check   string       `json:"check,omitempty"`
	Reading *readingJSON `json:"reading,omitempty"`
}

// state is the whole state in a language, and the number of the newest change
// in it. followed is the run that the browser was following, "" none.
func (s *Server) state(t *wording.Translator, followed string) (stateJSON, int64) {
	s.mu.Lock()
	number := s.hub.last()
	station := s.stationBuilder()
	var nests []func(*wording.Translator) nestJSON
	shown := false
	for _, n := range s.nests {
		nests = append(nests, s.nestBuilder(n))
		shown = shown || n.view != nil && n.view.start.Run == followed && n.view.outcome == ""
	}
	s.mu.Unlock()
	out := stateJSON{Boot: s.hub.boot, Now: time.Now().UnixMilli(), Pace: s.c.Pace, Station: station(t)}
	for _, build := range nests {
		out.Nests = append(out.Nests, build(t))
	}
	if followed != "" && !shown {
		if sealed, err := s.c.Archive.Load(followed); err == nil {
			v := sealedRun(s.c.Checks, sealed.Report)
			out.Followed = &followedJSON{Run: followed, Outcome: v.outcome, Text: s.endJSON(t, v).Text}
		}
	}
	return out, number
}

func (s *Server) getState(w http.ResponseWriter, r *http.Request) {
	state, _ := s.state(s.c.Look.Page(r, "").Words(), "")
	writeJSON(w, http.StatusOK, state)
}

// nestBuilder copies the nest as it is; what it returns writes the copy in a
// language, at any time. s.mu is held.
func (s *Server) nestBuilder(n *nest) func(*wording.Translator) nestJSON {
	c := struct {
		name, held string
		phase      phase
		job        job
		out        bool
		view       *runView
		waiting    map[string]bool
	}{n.Name, n.held, n.phase, n.job, n.runner.InService() != nil, n.view.clone(), map[string]bool{}}
	if c.phase == "" {
		c.phase = phaseFree
	}
	return func(t *wording.Translator) nestJSON {
		j := nestJSON{Nest: c.name, Phase: c.phase, Checks: []checkJSON{}, Parts: map[string]string{},
			CycleTime: s.c.CycleTime.Seconds()}
		if c.out {
			j.Out = t.T("operator.nest.out_of_service", "nest", c.name)
		}
		if c.phase == phaseHeld {
			j.Hold = s.holdJSON(t, c.name, c.held, c.job, c.view)
		}
		v := c.view
		if v == nil {
			if c.phase == phaseRunning || c.phase == phaseHeld {
				j.Serial = c.job.unit.SerialNumber
			}
			for _, k := range s.c.Checks {
				j.Checks = append(j.Checks, s.checkJSON(t, checkView{name: k.Name, about: k.About, part: k.Part,
					state: checkTodo}))
			}
			return j
		}
		j.Run, j.Serial, j.About = v.start.Run, v.start.Unit.SerialNumber, s.aboutUnit(t, v.start)
		j.Begun, j.Parts, j.Closing = v.begun.UnixMilli(), v.parts(), v.closing
		if v.start.CycleTime > 0 {
			j.CycleTime = v.start.CycleTime
		}
		for _, k := range v.checks {
			j.Checks = append(j.Checks, s.checkJSON(t, k))
			if k.state != checkTodo && k.state != checkNow && k.state != checkUnseen {
				j.Done++
			}
		}
		if k := v.now(); k != nil {
			j.Doing = s.text(t, k.about)
		}
		if v.last != nil && v.outcome == "" {
			j.Reading = s.readingLine(t, *v.last)
		}
		if p := v.open(); p != nil && c.phase == phaseRunning {
			j.Prompt = s.promptJSON(t, *p)
		}
		if v.outcome != "" {
			end := s.endJSON(t, v)
			j.End = &end
			j.Took = v.ended.Sub(v.started).Seconds()
		}
		return j
	}
}

// stationBuilder is nestBuilder for what belongs to no nest. s.mu is held.
func (s *Server) stationBuilder() func(*wording.Translator) stationJSON {
	queue, notice, question, today, stopping := append([]job(nil), s.queue...), s.notice, s.question, s.today,
		s.stopping
	return func(t *wording.Translator) stationJSON {
		j := stationJSON{Queue: []queuedJSON{}, Today: todayIn(t, today), Stopping: stopping}
		for _, q := range queue {
			j.Queue = append(j.Queue, queuedJSON{q.unit.SerialNumber, q.nest})
		}
		if notice != nil {
			j.Notice = &noticeJSON{notice.id, notice.level, notice.code, s.say(t, notice.text), s.say(t, notice.detail)}
		}
		if question != nil {
			j.Question = &questionJSON{question.id, question.code, question.job.unit.SerialNumber,
				s.say(t, question.text), s.say(t, question.detail),
				t.T("operator.question.yes"), t.T("operator.question.no")}
		}
		return j
	}
}
