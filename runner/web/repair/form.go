package repair

import (
	"errors"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"fullthrow/reports"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/runner/web/shell"
)

// WhoCookie keeps who wrote the last repair at this browser.
const WhoCookie = "fullthrow-repair-by"

// saving begins the messages of what stands against a form.
const saving = "repair.save."

// Longest texts of the form, in characters.
const (
	mostName = 40
	mostText = 1500
)

// formView is the form by which a repair is written down.
type formView struct {
	ID, Run, Serial string
	Known           string   // ID of the newest repair that whoever fills it in has seen
	Suggested       []option // by the ranking, the likeliest first; value RULE@PART
	Groups          []group  // everything else that may be found
	Found           string   // value of what is chosen; "else" for one of the groups
	Else            string   // chosen in the groups
	Parts           []option
	Part            string
	Done            []option
	By, Text        string
	Mistakes        map[string]string // by field
	Notice          *shell.Notice
	Line            bool // the line tests the unit again first
}

// group is a heading with options below it.
type group struct {
	Name    string
	Options []option
}

// form is a form for a run: a fresh one with the likeliest cause chosen, or
// filled as it was sent.
func (b *Bench) form(q *request, s standing, run store.Run, causes []reports.Cause, sent *formView) *formView {
	f := sent
	if f == nil {
		f = &formView{By: whoOf(q.Request)}
	}
	if f.ID == "" {
		f.ID = reports.NewRunID(q.now, b.c.Station, "repair")
	}
	f.Run, f.Serial = run.Run, run.Unit.SerialNumber
	f.Line = s.state == line
	if s.repair != nil {
		f.Known = s.repair.ID
	}
	offered := map[string]bool{}
	for _, c := range causes {
		o := option{Value: c.Rule + "@" + c.Part, Text: wording.Capital(b.sentence(q, c.Cause))}
		if c.Where != "" {
			o.Text += " · " + b.sentence(q, c.Where)
		}
		if _, ok := b.rules[c.Rule]; !ok || offered[o.Value] {
			continue // the rule has gone since, or the same part twice
		}
		offered[o.Value], offered[c.Rule] = true, true
		f.Suggested = append(f.Suggested, o)
	}
	if sent == nil && len(f.Suggested) > 0 {
		f.Found = f.Suggested[0].Value
	}
	general := group{Name: q.t("repair.form.general")}
	for _, code := range reports.Findings() {
		if code != reports.NoFaultFound {
			general.Options = append(general.Options, option{Value: code, Text: b.found(q, code)})
		}
	}
	f.Groups = []group{general}
	at := map[string]int{}
	for _, c := range b.c.Causes {
		if offered[c.Rule] {
			continue
		}
		i, ok := at[c.Part]
		if !ok {
			i = len(f.Groups)
			at[c.Part] = i
			name := b.part(q, c.Part)
			if name == "" {
				name = q.t("repair.list.no_part")
			}
			f.Groups = append(f.Groups, group{Name: name})
		}
		f.Groups[i].Options = append(f.Groups[i].Options,
			option{Value: c.Rule, Text: wording.Capital(b.sentence(q, c.Cause))})
	}
	f.Parts = b.parts(q)
	chosen := ""
	for _, o := range f.Done {
		if o.Chosen {
			chosen = o.Value
		}
	}
	f.Done = nil
	for _, code := range reports.Remedies() {
		f.Done = append(f.Done, option{Value: code, Text: q.w.Remedy(code), Chosen: code == chosen})
	}
	return f
}

func whoOf(r *http.Request) string {
	c, err := r.Cookie(WhoCookie)
	if err != nil {
		return ""
	}
	name, err := url.QueryUnescape(c.Value)
	if err != nil || !goodName(name) {
		return ""
	}
	return name
}

func goodName(name string) bool {
	if name == "" || utf8.RuneCountInString(name) > mostName || !utf8.ValidString(name) {
		return false
	}
	for _, r := range name {
		if !unicode.IsPrint(r) || r == unicode.ReplacementChar {
			return false
		}
	}
	return strings.ContainsFunc(name, unicode.IsLetter)
}

var goodID = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^[0-9A-Za-z][0-9A-Za-z-]{7,79}$`) })

// save is POST /repair/unit: it writes a repair down, once.
func (b *Bench) save(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, 64<<10)
	if err := r.ParseForm(); err != nil {
		http.Error(w, "the form cannot be read", http.StatusBadRequest)
		return
	}
	b.page(func(b *Bench, q *request) (*answer, error) { return b.keep(w, q) })(w, r)
}

// keep checks a form and seals what it says. It answers itself once the repair
// is on record, and gives the page back with its mistakes otherwise.
func (b *Bench) keep(w http.ResponseWriter, q *request) (*answer, error) {
	p := q.PostForm
	get := func(name string) string { return strings.TrimSpace(p.Get(name)) }
	if !goodID().MatchString(get("id")) {
		return nil, shell.Refuse(http.StatusBadRequest, saving+"bad_form")
	}
	sealed, err := b.c.Store.Report(q.Context(), get("run"))
	if err != nil {
		return nil, err
	}
	unit := sealed.Report.Unit
	if unit.Product != b.c.Product.Name || get("serial") != unit.SerialNumber {
		return nil, shell.Refuse(http.StatusBadRequest, saving+"bad_form")
	}
	f, repair := b.filled(q, sealed.Report)
	b.saving.Lock() // two at once: the second sees the first
	defer b.saving.Unlock()
	runs, repairs, err := b.history(q.Context(), unit.SerialNumber)
	if err != nil {
		return nil, err
	}
	back := func(status int, n *shell.Notice) (*answer, error) {
		v, err := b.show(q, unit.SerialNumber, sealed.Report.Run, f)
		if err != nil {
			return nil, err
		}
		if v.Form != nil {
			v.Form.Notice = n // the browser comes back to the form
		} else {
			v.Notices = append(v.Notices, *n)
		}
		return &answer{template: "unit", status: status, data: v}, nil
	}
	saved := func(r reports.Repair) (*answer, error) {
		http.SetCookie(w, &http.Cookie{Name: WhoCookie, Value: url.QueryEscape(r.By), Path: "/repair",
			MaxAge: 400 * 24 * 3600, HttpOnly: true, SameSite: http.SameSiteLaxMode})
		http.Redirect(w, q.Request, unitPath(unit.SerialNumber)+"#scan", http.StatusSeeOther)
		return nil, nil
	}
	if before, ok := known(repair.ID, b.c.Archive.Repairs(), repairs); ok {
		same := repair
		same.At, same.Suggested, same.Unit = before.At, before.Suggested, before.Unit
		if same == before {
			return saved(before) // sent twice: it is on record once
		}
		f.ID = ""
		return back(http.StatusConflict, &shell.Notice{Shape: "doubt", Title: q.t("repair.save.twice"),
			Text: []string{q.t("repair.save.twice_hint", "found", b.found(q, before.Found), "done",
				q.w.Remedy(before.Done))}})
	}
	if len(f.Mistakes) > 0 {
		return back(http.StatusUnprocessableEntity, &shell.Notice{Shape: "doubt", Title: q.t("repair.save.mistakes",
			"count", len(f.Mistakes))})
	}
	switch s := stand(runs, repairs, b.c.Retests); {
	case s.state == golden:
		return nil, shell.Refuse(http.StatusConflict, "repair.stand.golden")
	case s.state == passed:
		return nil, shell.Refuse(http.StatusConflict, saving+"passed")
	case s.state == scrapped:
		return nil, shell.Refuse(http.StatusConflict, saving+"scrapped")
	case s.failed == nil || s.failed.Run != sealed.Report.Run:
		return nil, shell.Refuse(http.StatusConflict, saving+"newer")
	case s.repair != nil && s.repair.ID != get("known"):
		return back(http.StatusConflict, &shell.Notice{Shape: "doubt", Title: q.t("repair.save.meanwhile", "by",
			s.repair.By, "when", s.repair.At),
			Text: []string{b.found(q, s.repair.Found) + " · " + q.w.Remedy(s.repair.Done),
				q.t("repair.save.meanwhile_hint")}})
	}
	kept, err := b.c.Archive.RepairOf(repair, sealed)
	if err != nil {
		b.c.Log.Error("a repair could not be written down", "run", repair.Run, "error", err)
		n := &shell.Notice{Shape: "error", Title: q.t("repair.save.failed"),
			Text: []string{q.t("repair.save.failed_hint"), err.Error()}}
		var hinted *reports.HintedError
		if errors.As(err, &hinted) {
			n.Text = append(n.Text, hinted.Hint)
		}
		return back(http.StatusServiceUnavailable, n)
	}
	b.c.Log.Info("repair", "serial", unit.SerialNumber, "run", repair.Run, "found", repair.Found, "done", repair.Done,
		"by", repair.By)
	b.told(q.Context(), kept.Repair)
	return saved(kept.Repair)
}

// filled reads the form: what was filled in, with its mistakes, and the repair
// that it says.
func (b *Bench) filled(q *request, of reports.Report) (*formView, reports.Repair) {
	get := func(name string) string { return strings.TrimSpace(q.PostForm.Get(name)) }
	f := &formView{ID: get("id"), Found: get("found"), Else: get("else"), Part: get("part"),
		By: clipTo(get("by"), mostName+1), Text: get("text"), Mistakes: map[string]string{}}
	done := get("done")
	f.Done = []option{{Value: done, Chosen: true}}
	wrong := func(field, id string, args ...any) { f.Mistakes[field] = q.t(id, args...) }

	// A fault of the clock, or a simulated station that is ahead of it, must not
	// put the repair before the failure it answers.
	at := q.now
	if !at.After(of.Ended) {
		at = of.Ended.Add(time.Millisecond)
	}
	r := reports.Repair{ID: f.ID, Run: of.Run, Unit: of.Unit, At: at.UTC().Truncate(time.Millisecond), By: f.By,
		Done: done}
	if !r.At.After(of.Ended) {
		r.At = r.At.Add(time.Millisecond)
	}
	part := func(name string) bool {
		return name == "" || slices.ContainsFunc(b.parts(q), func(o option) bool { return o.Value == name })
	}
	rule := func(name string) bool { _, ok := b.rules[name]; return ok }
	switch name, where, ofRule := strings.Cut(f.Found, "@"); {
	case f.Found == "":
		wrong("found", "repair.mistake.found")
	case f.Found == reports.NoFaultFound:
		r.Found = f.Found
		if done == "" {
			r.Done = "nothing"
			f.Done[0].Value = r.Done
		} else if done != "nothing" {
			wrong("done", "repair.mistake.nothing")
		}
	case ofRule && rule(name) && part(where):
		r.Found, r.Part = name, where
	case f.Found == "else" && (rule(f.Else) || slices.Contains(reports.Findings(), f.Else) &&
		f.Else != reports.NoFaultFound):
		if r.Found, r.Part = f.Else, f.Part; !part(f.Part) {
			wrong("part", "repair.mistake.part")
		} else if r.Part == "" {
			r.Part = b.rules[f.Else].Part
		}
	default:
		wrong("found", "repair.mistake.else")
	}
	if f.Mistakes["done"] == "" && !slices.Contains(reports.Remedies(), r.Done) {
		wrong("done", "repair.mistake.done")
	}
	switch {
	case !goodName(f.By):
		wrong("by", "repair.mistake.by", "count", mostName)
		f.By = clip(f.By)
	case b.label(f.By):
		wrong("by", "repair.mistake.label")
		f.By = ""
	}
	f.Text = strings.TrimSpace(strings.Map(func(c rune) rune {
		switch {
		case c == '\n':
			return c
		case c == '\t':
			return ' '
		case unicode.IsControl(c):
			return -1
		}
		return c
	}, strings.ToValidUTF8(f.Text, "")))
	if n := utf8.RuneCountInString(f.Text); n > mostText {
		wrong("text", "repair.mistake.text", "count", n, "most", mostText)
	}
	r.Text = f.Text
	return f, r
}

// label reports whether a name is the label of a unit, scanned into the wrong
// field; where any word may be a serial number, it cannot tell.
func (b *Bench) label(name string) bool {
	if _, err := b.c.Scan("Name"); err == nil {
		return false
	}
	_, err := b.c.Scan(name)
	return err == nil
}

func clipTo(s string, n int) string {
	if r := []rune(s); len(r) > n {
		return string(r[:n])
	}
	return s
}
