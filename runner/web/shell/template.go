package shell

import (
	"fmt"
	"html/template"
	"io/fs"
	"net/url"
	"strings"
	"time"

	"fullthrow/reports/draw"
	"fullthrow/reports/page"
)

// Parse makes a page: the shell and the files of a page that match the
// patterns, as html/template. Execute the template "page" with data that embeds
// a [Page]. The files define "main" and may define "head" (more in the head of
// the document) and "foot". The signs of [draw.Shapes] and the parts of a unit's
// page ([page.Parts], whose style is unit.css) stand beside them. Two pages that both define "main" are parsed apart.
//
// Functions, whose first argument is the page's data ($ inside range and with):
//
//	t $ "id" "name" value ...   the message of an id
//	number $ x                  12 345.6
//	percent $ fraction          95.3 %
//	quantity $ x "A"            9.1 µA
//	when $ time                 <time> with day and time of day; day $, clock $ in part
//	duration $ d                3 min 20 s (a time.Duration, or seconds)
//
// and without it:
//
//	in $ x                      data for a template of its own: see [Item]
//	link "/unit" "serial" s ... a path with a query; empty values are left out
//	asset "tokens.css"          the path of a style sheet or script of the look
//	words $ "operator."         the path of the page's words as JSON, for its script
//	list a b ...                several values
func (l *Look) Parse(files fs.FS, patterns ...string) (*template.Template, error) {
	t, err := template.New("page").Funcs(l.functions()).ParseFS(shellFiles, "pages/*.html")
	for _, parts := range []string{draw.Shapes, page.Parts} {
		if err == nil {
			_, err = t.New("parts").Parse(parts)
		}
	}
	if err != nil {
		return nil, fmt.Errorf("shell: %w", err)
	}
	if len(patterns) > 0 {
		if t, err = t.ParseFS(files, patterns...); err != nil {
			return nil, err
		}
	}
	return t.Lookup("page"), nil
}

func (l *Look) functions() template.FuncMap {
	return template.FuncMap{
		"t": func(s speaker, id string, args ...any) string { return s.Words().T(id, args...) },
		"number": func(s speaker, x any) (string, error) {
			f, err := float(x)
			return s.Words().Number(f), err
		},
		"percent":  func(s speaker, x float64) string { return s.Words().Percent(x) },
		"quantity": func(s speaker, x float64, unit string) string { return s.Words().Quantity(x, unit) },
		"when":     func(s speaker, at time.Time) template.HTML { return stamp(at, s.Words().When(at)) },
		"day":      func(s speaker, at time.Time) template.HTML { return stamp(at, s.Words().Day(at)) },
		"clock":    func(s speaker, at time.Time) template.HTML { return stamp(at, s.Words().Clock(at)) },
		"duration": func(s speaker, d any) (string, error) {
			if d, ok := d.(time.Duration); ok {
				return s.Words().Duration(d), nil
			}
			f, err := float(d)
			return s.Words().Duration(time.Duration(f * float64(time.Second))), err
		},
		"in":    func(s speaker, x any) Item { return Item{x, s.Words()} },
		"link":  link,
		"asset": l.Asset,
		"words": func(s speaker, prefix string) (string, error) { return l.Asset(prefix + s.Words().Lang + ".json") },
		"list":  func(v ...any) []any { return v },
	}
}

func float(x any) (float64, error) {
	switch n := x.(type) {
	case float64:
		return n, nil
	case int:
		return float64(n), nil
	case int64:
		return float64(n), nil
	}
	return 0, fmt.Errorf("%T is not a number", x)
}

// stamp is a time that programs can read too.
func stamp(at time.Time, text string) template.HTML {
	if at.IsZero() {
		return template.HTML(template.HTMLEscapeString(text))
	}
	return template.HTML(`<time datetime="` + at.UTC().Format(time.RFC3339) + `">` + template.HTMLEscapeString(text) +
		`</time>`)
}

// link is a path with a query made of names and values; empty values are left
// out, so that addresses stay short enough to be mailed.
func link(path string, query ...any) string {
	q := url.Values{}
	for i := 0; i+1 < len(query); i += 2 {
		if v := fmt.Sprint(query[i+1]); v != "" {
			q.Add(fmt.Sprint(query[i]), v)
		}
	}
	if len(q) == 0 {
		return path
	}
	if strings.Contains(path, "?") {
		return path + "&" + q.Encode()
	}
	return path + "?" + q.Encode()
}
