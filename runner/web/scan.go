package web

import (
	"slices"
	"strings"

	"fullthrow/reports"
	"fullthrow/reports/serial"
)

// Codes of what a scan brings. Those of refusals are the page's too.
const (
	codeStarted     = "started"
	codeQueued      = "queued"
	codeHeld        = "held"      // laid in, but the guard was open when it was last tried
	codeMalformed   = "malformed" // no serial number at all
	codeCheckWrong  = "check-wrong"
	codeForeign     = "foreign" // of another product
	codeDuplicate   = "duplicate"
	codePassed      = "passed-before"
	codeToRepair    = "to-repair"
	codeQueueFull   = "queue-full"
	codeOutOfOrder  = "out-of-service"
	codeUnknownNest = "unknown-nest"
	codeStopping    = "stopping"
)

// maxQueue is how many units wait at most: they lie in front of the operator.
const maxQueue = 6

// maxScan is how long a scan may be at most, in bytes.
const maxScan = 300

// answer is what a command brought: a word for the one who gave it.
type answer struct {
	code string
	ok   bool
	nest string
	text phrase
	by   string // who was quicker
}

func refused(code string, text phrase) answer { return answer{code: code, text: text} }

// scanned takes what a scanner or a keyboard gave. chosen is the nest that was
// chosen on the page, "" for the first that is free. by is who scanned.
func (s *Server) scanned(text, chosen, by string) answer {
	unit, a := s.read(text)
	s.mu.Lock()
	defer s.mu.Unlock()
	if a.code == "" {
		a = s.admit(job{unit: unit, operator: by, nest: chosen}, false)
	}
	s.question = questionOf(a, s.question)
	switch {
	case a.ok:
		s.setNotice(&notice{level: "done", code: a.code, text: a.text, detail: s.unitNote(unit)})
	case a.code == codePassed || a.code == codeToRepair: // the question says it all
		s.setNotice(nil)
		s.tellStation()
	default:
		s.setNotice(&notice{level: "refused", code: a.code, text: a.text, detail: say("operator.scan.then_" +
			strings.ReplaceAll(a.code, "-", "_"))})
	}
	s.c.Log.Info("scan", "text", clip(text), "result", a.code, "nest", a.nest, "operator", by)
	return a
}

// questionOf keeps a question open only if the scan has just put it.
func questionOf(a answer, q *question) *question {
	if a.code == codePassed || a.code == codeToRepair {
		return q
	}
	return nil
}

// unitNote is what is worth saying of a unit that is tested now.
func (s *Server) unitNote(u reports.Unit) phrase {
	switch {
	case u.Golden:
		return say("operator.scan.golden")
	case s.units.back(u):
		return say("operator.scan.back")
	}
	return phrase{}
}

// read makes a unit of a scan, or says why it is none.
func (s *Server) read(text string) (reports.Unit, answer) {
	if len(text) > maxScan {
		return reports.Unit{}, refused(codeMalformed, say("operator.scan.malformed"))
	}
	number, _, err := s.c.Serial.ParseScan(text)
	if err == nil {
		return s.c.Unit(number), answer{}
	}
	// What is wrong shows by what would have been let through: without the rule
	// that was broken.
	try := func(f serial.Format) bool { _, _, err := f.ParseScan(text); return err == nil }
	other := s.c.Serial
	other.GTIN = ""
	if try(other) {
		return reports.Unit{}, refused(codeForeign, say("operator.scan.foreign_gtin", "product", s.c.Product.Title))
	}
	if other.CheckCharacter == serial.Mod3736 {
		wrong := other
		wrong.CheckCharacter = serial.NoCheckCharacter
		if wrong.Pattern != "" {
			wrong.Pattern = "(?:" + wrong.Pattern + ")[0-9A-Z]"
		}
		if try(wrong) {
			return reports.Unit{}, refused(codeCheckWrong, say("operator.scan.check_wrong", "text", clip(text)))
		}
	}
	if try(serial.Format{Product: other.Product}) {
		return reports.Unit{}, refused(codeForeign, say("operator.scan.foreign", "text", clip(text), "product",
			s.c.Product.Title))
	}
	return reports.Unit{}, refused(codeMalformed, say("operator.scan.malformed"))
}

// admit finds a place for a unit. sure says that somebody has confirmed that
// it is to be tested although there is reason not to. s.mu is held.
func (s *Server) admit(j job, sure bool) answer {
	number := j.unit.SerialNumber
	if s.stopping {
		return refused(codeStopping, say("operator.scan.stopping"))
	}
	var chosen *nest
	if j.nest != "" {
		i := slices.IndexFunc(s.nests, func(n *nest) bool { return n.Name == j.nest })
		if i < 0 {
			return refused(codeUnknownNest, say("operator.scan.unknown_nest", "nest", clip(j.nest)))
		}
		chosen = s.nests[i]
	}
	for _, n := range s.nests {
		switch {
		case n.phase == phaseRunning && n.job.unit.SerialNumber == number:
			a := refused(codeDuplicate, say("operator.scan.running", "serial", number, "nest", n.Name))
			a.nest = n.Name
			return a
		case n.phase == phaseHeld && n.job.unit.SerialNumber == number:
			// Scanned once more where it lies: that is the hand it waits for.
			s.begin(n, n.job)
			return answer{code: codeStarted, ok: true, nest: n.Name, text: say("operator.scan.started", "serial",
				number, "nest", n.Name)}
		}
	}
	if slices.ContainsFunc(s.queue, func(q job) bool { return q.unit.SerialNumber == number }) {
		return refused(codeDuplicate, say("operator.scan.queued_before", "serial", number))
	}
	if chosen != nil && chosen.runner.InService() != nil {
		a := refused(codeOutOfOrder, say("operator.scan.out_of_service", "nest", chosen.Name))
		a.nest = chosen.Name
		return a
	}
	if !slices.ContainsFunc(s.nests, func(n *nest) bool { return n.runner.InService() == nil }) {
		return refused(codeOutOfOrder, say("operator.scan.all_out"))
	}
	if !sure && !j.unit.Golden {
		if a := s.doubt(j); a.code != "" {
			return a
		}
	}
	for _, n := range s.nests {
		if n.ready() && (chosen == nil || chosen == n) {
			s.begin(n, j)
			return answer{code: codeStarted, ok: true, nest: n.Name,
				text: say("operator.scan.started", "serial", number, "nest", n.Name)}
		}
	}
	if len(s.queue) >= maxQueue {
		return refused(codeQueueFull, say("operator.scan.queue_full", "count", maxQueue))
	}
	s.queue = append(s.queue, j)
	return answer{code: codeQueued, ok: true, text: say("operator.scan.queued", "serial", number, "count",
		len(s.queue))}
}

// doubt asks whether a unit is really to be tested: one that has passed, or one
// that should be at the repair bench. s.mu is held.
func (s *Server) doubt(j job) answer {
	known, ok := s.units.last(j.unit)
	if !ok {
		return answer{}
	}
	number := j.unit.SerialNumber
	q := question{job: j}
	switch {
	case known.outcome == reports.Passed:
		q.code, q.text = codePassed, say("operator.question.passed", "serial", number, "when", known.at)
	case known.failures > s.c.Policy.Retests:
		q.code, q.text = codeToRepair, say("operator.question.repair", "serial", number, "count", known.failures)
	default:
		return answer{}
	}
	q.detail = say("operator.question.again")
	s.number++
	q.id = s.number
	s.question = &q
	return answer{code: q.code, text: q.text}
}

// question is one that the station itself puts about a unit.
type question struct {
	id           int64
	code         string
	job          job
	text, detail phrase
}

// clip makes what was read fit to be shown: at most 40 characters, none that
// cannot be seen.
func clip(text string) string {
	var b strings.Builder
	n := 0
	for _, r := range text {
		if n++; n > 40 {
			b.WriteRune('…')
			break
		}
		if r < ' ' || r == 0x7f || r >= 0x80 && r < 0xa0 || r == 0x2028 || r == 0x2029 || r >= 0x200b && r <= 0x200f ||
			r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069 || r == 0xfeff || r == 0xfffd {
			r = '·'
		}
		b.WriteRune(r)
	}
	return b.String()
}
