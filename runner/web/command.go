package web

import (
	"encoding/json"
	"errors"
	"io"
	"math"
	"mime"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"fullthrow/reports"
	"fullthrow/runner/station"
)

// maxBody is how long a command may be, in bytes.
const maxBody = 4 << 10

// replyJSON is what a browser gets to a command that was understood, whether or
// not it could be done.
type replyJSON struct {
	OK   bool   `json:"ok"`
	Code string `json:"code"`
	Text string `json:"text"`
	Nest string `json:"nest,omitempty"`
	By   string `json:"by,omitempty"`
}

// badCommand is a request that no page of ours sends.
type badCommand string

func (e badCommand) Error() string { return string(e) }

// command makes a handler of a function that takes a command of type C: JSON,
// at most maxBody bytes, no field that C has not.
func command[C any](s *Server, do func(r *http.Request, w http.ResponseWriter, c C) (answer, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil ||
			media != "application/json" {
			http.Error(w, "a command is application/json", http.StatusUnsupportedMediaType)
			return
		}
		d := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxBody))
		d.DisallowUnknownFields()
		var c C
		err := d.Decode(&c)
		if err == nil && !errors.Is(d.Decode(&struct{}{}), io.EOF) {
			err = badCommand("more than one JSON value")
		}
		if err != nil {
			var large *http.MaxBytesError
			if errors.As(err, &large) {
				http.Error(w, "the command is too long", http.StatusRequestEntityTooLarge)
				return
			}
			http.Error(w, "the command cannot be read", http.StatusBadRequest)
			return
		}
		a, err := do(r, w, c)
		if err != nil {
			s.c.Log.Warn("a command was refused", "path", r.URL.Path, "error", err)
			http.Error(w, err.Error(), http.StatusBadRequest)
			return
		}
		t := s.c.Look.Page(r, "").Words()
		writeJSON(w, http.StatusOK, replyJSON{a.ok, a.code, s.say(t, a.text), a.nest, a.by})
	}
}

func writeJSON(w http.ResponseWriter, status int, v any) {
	data, err := json.Marshal(v)
	if err != nil {
		http.Error(w, "internal error", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	w.Write(append(data, '\n'))
}

// replies remembers the newest commands that must not be done twice, and what
// they brought. Guarded by Server.mu.
type replies struct {
	order []string
	byID  map[string]*answer // nil while it is being done
}

const maxReplies = 256

// claim takes an ID. done is the answer of the command that had it before;
// taken says that there was one.
func (r *replies) claim(id string) (done *answer, taken bool) {
	if done, taken = r.byID[id]; taken {
		return done, true
	}
	if r.byID == nil {
		r.byID = map[string]*answer{}
	}
	r.byID[id] = nil
	if r.order = append(r.order, id); len(r.order) > maxReplies {
		delete(r.byID, r.order[0])
		r.order = slices.Delete(r.order, 0, 1)
	}
	return nil, false
}

// scanCommand is one reading of a scanner. ID is made by the browser: the same
// command sent again, because its answer was lost, is not done again.
type scanCommand struct {
	ID   string `json:"id"`
	Text string `json:"text"`
	Nest string `json:"nest"`
}

func (s *Server) postScan(r *http.Request, _ http.ResponseWriter, c scanCommand) (answer, error) {
	if c.ID == "" || len(c.ID) > 64 {
		return answer{}, badCommand("a scan needs an id of 1 to 64 characters")
	}
	s.mu.Lock()
	done, taken := s.replies.claim(c.ID)
	s.mu.Unlock()
	if taken {
		if done == nil {
			return answer{code: "again", ok: true}, nil
		}
		return *done, nil
	}
	a := s.scanned(c.Text, c.Nest, operatorOf(r))
	s.mu.Lock()
	if _, ok := s.replies.byID[c.ID]; ok {
		s.replies.byID[c.ID] = &a
	}
	s.mu.Unlock()
	return a, nil
}

// nestCommand is about a nest; Run, where it is given, about that run only.
type nestCommand struct {
	Nest string `json:"nest"`
	Run  string `json:"run"`
	// Serial is the unit that the browser saw waiting.
	Serial string `json:"serial"`
}

func (s *Server) nest(name string) *nest {
	for _, n := range s.nests {
		if n.Name == name {
			return n
		}
	}
	return nil
}

// postStart begins the run of a unit that waited for a hand.
func (s *Server) postStart(_ *http.Request, _ http.ResponseWriter, c nestCommand) (answer, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := s.nest(c.Nest)
	if n == nil {
		return answer{}, badCommand("no such nest")
	}
	if n.phase != phaseHeld || n.job.unit.SerialNumber != c.Serial {
		return refused("over", say("operator.answer.over")), nil
	}
	if s.stopping {
		return refused(codeStopping, say("operator.scan.stopping")), nil
	}
	s.begin(n, n.job)
	s.setNotice(nil)
	return answer{ok: true, code: codeStarted, nest: n.Name}, nil
}

// postAbort stops a run, or sends away a unit that waits.
func (s *Server) postAbort(r *http.Request, _ http.ResponseWriter, c nestCommand) (answer, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if c.Nest == "" { // a unit of the queue
		i := slices.IndexFunc(s.queue, func(j job) bool { return j.unit.SerialNumber == c.Serial })
		if i < 0 {
			return refused("over", say("operator.answer.over")), nil
		}
		s.queue = slices.Delete(s.queue, i, i+1)
		s.tellStation()
		return answer{ok: true, code: "dropped"}, nil
	}
	n := s.nest(c.Nest)
	if n == nil {
		return answer{}, badCommand("no such nest")
	}
	by := operatorOf(r)
	switch {
	case n.phase == phaseHeld && n.job.unit.SerialNumber == c.Serial:
		n.phase = phaseFree
		if n.view != nil {
			n.phase = phaseDone
		}
		s.tellNest(n)
		s.serveQueue(n)
		return answer{ok: true, code: "dropped", nest: n.Name}, nil
	case n.phase == phaseRunning && (n.view == nil || n.view.start.Run == c.Run):
		n.cancel(&station.Abort{Why: reports.Reason{Code: reports.StoppedByHand, Text: by}})
		s.c.Log.Info("abort", "nest", n.Name, "run", c.Run, "operator", by)
		return answer{ok: true, code: "aborted", nest: n.Name}, nil
	}
	return refused("over", say("operator.answer.over")), nil
}

// answerCommand answers a question of a plan.
type answerCommand struct {
	Nest   string          `json:"nest"`
	Run    string          `json:"run"`
	Prompt string          `json:"prompt"`
	Value  json.RawMessage `json:"value"`
}

func (s *Server) postAnswer(r *http.Request, _ http.ResponseWriter, c answerCommand) (answer, error) {
	var raw any
	if err := json.Unmarshal(c.Value, &raw); err != nil {
		return answer{}, badCommand("an answer needs a value")
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	n := s.nest(c.Nest)
	if n == nil {
		return answer{}, badCommand("no such nest")
	}
	a := n.asked[c.Prompt]
	if a == nil || n.view == nil || n.view.start.Run != c.Run {
		return refused("over", say("operator.answer.over")), nil
	}
	if a.given {
		out := refused("answered", say("operator.answer.by", "who", a.by))
		if a.by == "" {
			out.text = say("operator.answer.by_somebody")
		}
		out.by = a.by
		return out, nil
	}
	v, ok := answerTo(a.prompt, raw)
	if !ok {
		return refused("no-answer", say("operator.answer.wrong_"+plainKind(a.prompt.Kind))), nil
	}
	a.value, a.by, a.given = v, operatorOf(r), true
	close(a.done)
	s.c.Log.Info("answer", "nest", n.Name, "run", c.Run, "prompt", c.Prompt, "operator", a.by)
	return answer{ok: true, code: "taken", nest: n.Name}, nil
}

func plainKind(kind string) string {
	if slices.Contains([]string{"confirm", "choose", "number"}, kind) {
		return kind
	}
	return "text"
}

// maxText is how long an answer in words may be, in characters.
const maxText = 200

// answerTo makes a value of what a page sent; ok is false where that is no
// answer to the question.
func answerTo(p reports.Prompt, raw any) (reports.Value, bool) {
	switch p.Kind {
	case "confirm":
		b, ok := raw.(bool)
		return reports.Bool(b), ok
	case "choose":
		text, ok := raw.(string)
		return reports.Text(text), ok && slices.Contains(p.Choices, text)
	case "number":
		if text, ok := raw.(string); ok {
			x, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(text), ",", ".", 1), 64)
			return reports.Number(x), err == nil && !math.IsNaN(x) && !math.IsInf(x, 0) && len(text) <= 40
		}
		x, ok := raw.(float64)
		return reports.Number(x), ok
	}
	text, ok := raw.(string)
	text = strings.TrimSpace(text)
	return reports.Text(text), ok && text != "" && len([]rune(text)) <= maxText && printable(text)
}

// decideCommand answers the station's own question about a unit.
type decideCommand struct {
	Question int64 `json:"question"`
	Yes      bool  `json:"yes"`
}

func (s *Server) postDecide(r *http.Request, _ http.ResponseWriter, c decideCommand) (answer, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	q := s.question
	if q == nil || q.id != c.Question {
		return refused("over", say("operator.answer.over")), nil
	}
	s.question = nil
	if !c.Yes {
		s.tellStation()
		return answer{ok: true, code: "left"}, nil
	}
	s.c.Log.Info("tested again on request", "unit", q.job.unit.SerialNumber, "why", q.code, "operator", operatorOf(r))
	a := s.admit(q.job, true)
	level := "done"
	if !a.ok {
		level = "refused"
	}
	s.setNotice(&notice{level: level, code: a.code, text: a.text})
	return a, nil
}

// acknowledgeCommand takes a notice away, or clears a nest of the end it shows.
type acknowledgeCommand struct {
	Notice int64  `json:"notice"`
	Nest   string `json:"nest"`
	Run    string `json:"run"`
}

func (s *Server) postAcknowledge(_ *http.Request, _ http.ResponseWriter, c acknowledgeCommand) (answer, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if c.Notice != 0 && s.notice != nil && s.notice.id == c.Notice {
		s.setNotice(nil)
	}
	if n := s.nest(c.Nest); n != nil && n.phase == phaseDone && n.view != nil && n.view.start.Run == c.Run {
		n.phase, n.view = phaseFree, nil
		s.tellNest(n)
	}
	return answer{ok: true, code: "seen"}, nil
}

// picture is GET /picture/NAME: a file that a prompt shows.
func (s *Server) picture(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	media := map[string]string{"svg": "image/svg+xml", "png": "image/png",
		"jpg": "image/jpeg"}[name[strings.LastIndexByte(name, '.')+1:]]
	if media == "" || strings.ContainsAny(name, `/\`) {
		http.NotFound(w, r)
		return
	}
	f, err := s.c.Pictures.Open(name)
	if err != nil {
		http.NotFound(w, r)
		return
	}
	defer f.Close()
	w.Header().Set("Content-Type", media)
	w.Header().Set("Cache-Control", "no-cache")
	io.Copy(w, io.LimitReader(f, 4<<20))
}
