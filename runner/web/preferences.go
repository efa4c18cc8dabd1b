package web

import (
	"encoding/json"
	"errors"
	"io/fs"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"

	"fullthrow/reports/wording"
	"fullthrow/runner/web/shell"
)

// OperatorCookie says who is at a browser.
const OperatorCookie = "fullthrow-operator"

const (
	maxOperatorName = 40 // characters
	maxOperators    = 100
	cookieLife      = 400 * 24 * time.Hour
)

// operatorOf is who is at the browser, "" if nobody has said.
func operatorOf(r *http.Request) string {
	c, err := r.Cookie(OperatorCookie)
	if err != nil {
		return ""
	}
	name, err := url.QueryUnescape(c.Value)
	if err != nil || !operatorName(name) {
		return ""
	}
	return name
}

func operatorName(name string) bool {
	return name != "" && name == strings.TrimSpace(name) && len([]rune(name)) <= maxOperatorName && printable(name)
}

// printable reports whether every character of a text can be seen.
func printable(text string) bool {
	for _, r := range text {
		if !unicode.IsPrint(r) || r == unicode.ReplacementChar {
			return false
		}
	}
	return true
}

// preferences keep each operator's language, the newest operator last.
type preferences struct {
	path string // "" not kept

	mu        sync.Mutex
	Operators []preference `json:"operators"`
}

type preference struct {
	Name     string `json:"name"`
	Language string `json:"language"`
}

func loadPreferences(path string) (*preferences, error) {
	p := &preferences{path: path}
	if path == "" {
		return p, nil
	}
	data, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return p, nil
	}
	if err != nil {
		return nil, err
	}
	if err := json.Unmarshal(data, p); err != nil {
		p.Operators = nil // a convenience: better none than no station
	}
	return p, nil
}

// language is what the operator chose last, "" if never.
func (p *preferences) language(name string) string {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, o := range p.Operators {
		if o.Name == name {
			return o.Language
		}
	}
	return ""
}

// names lists the operators, the newest first.
func (p *preferences) names() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	var list []string
	for _, o := range slices.Backward(p.Operators) {
		list = append(list, o.Name)
	}
	return list
}

// keep notes that an operator is here and reads this language.
func (p *preferences) keep(name, lang string) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.Operators = slices.DeleteFunc(p.Operators, func(o preference) bool { return o.Name == name })
	p.Operators = append(p.Operators, preference{name, lang})
	if extra := len(p.Operators) - maxOperators; extra > 0 {
		p.Operators = slices.Delete(p.Operators, 0, extra)
	}
	if p.path == "" {
		return nil
	}
	data, err := json.MarshalIndent(p, "", "\t")
	if err != nil {
		return err
	}
	temp := p.path + ".new"
	if err := os.MkdirAll(filepath.Dir(p.path), 0o755); err != nil {
		return err
	}
	if err := os.WriteFile(temp, append(data, '\n'), 0o644); err != nil {
		return err
	}
	return os.Rename(temp, p.path)
}

type operatorCommand struct {
	Name string `json:"name"`
}

// postOperator says who is at the browser; an empty name that nobody is.
func (s *Server) postOperator(r *http.Request, w http.ResponseWriter, c operatorCommand) (answer, error) {
	name := strings.TrimSpace(c.Name)
	if name != "" && !operatorName(name) {
		return refused("bad-name", say("operator.who.bad")), nil
	}
	setCookie(w, OperatorCookie, url.QueryEscape(name))
	if name != "" {
		lang := s.prefs.language(name)
		if lang != "" {
			setCookie(w, shell.LanguageCookie, lang)
		} else {
			lang = s.c.Look.Page(r, "").Lang
		}
		if err := s.prefs.keep(name, lang); err != nil {
			s.c.Log.Warn("an operator's language could not be kept", "error", err)
		}
	}
	return answer{ok: true, code: "welcome"}, nil
}

type languageCommand struct {
	Language string `json:"language"`
}

// postLanguage chooses the language of the browser and of who is at it.
func (s *Server) postLanguage(r *http.Request, w http.ResponseWriter, c languageCommand) (answer, error) {
	if !slices.ContainsFunc(wording.Languages(), func(l wording.Language) bool { return l.Tag == c.Language }) {
		return answer{}, badCommand("no such language")
	}
	setCookie(w, shell.LanguageCookie, c.Language)
	if name := operatorOf(r); name != "" {
		if err := s.prefs.keep(name, c.Language); err != nil {
			s.c.Log.Warn("an operator's language could not be kept", "error", err)
		}
	}
	return answer{ok: true, code: "language"}, nil
}

func setCookie(w http.ResponseWriter, name, value string) {
	age := int(cookieLife.Seconds())
	if value == "" {
		age = -1
	}
	http.SetCookie(w, &http.Cookie{Name: name, Value: value, Path: "/", MaxAge: age, HttpOnly: true,
		SameSite: http.SameSiteLaxMode})
}
