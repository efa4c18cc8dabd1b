package web

import (
	"html/template"
	"net/http"

	"fullthrow/runner/web/shell"
)

// fixturePage is GET /fixture: by it a simulated fixture is worked by hand. A
// real bench has no such page.
type fixturePage struct {
	s        *Server
	template *template.Template
}

type fixtureData struct {
	shell.Page
	Style   string
	Nests   []string
	Devices []string
	Faults  []string
	Defects []Defect
}

func newFixturePage(s *Server) (*fixturePage, error) {
	t, err := s.c.Look.Parse(operatorFiles, "operator/fixture.html")
	return &fixturePage{s, t}, err
}

func (p *fixturePage) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	page := p.s.c.Look.Page(r, "")
	page.Title = page.T("operator.fixture.title")
	page.Scripts = []string{p.s.operator.files.Path("fixture.js")}
	d := fixtureData{Page: page, Style: p.s.operator.files.Path("fixture.css"),
		Devices: p.s.c.Fixture.Devices(), Faults: p.s.c.Fixture.Faults(), Defects: p.s.c.Fixture.Defects()}
	for _, n := range p.s.nests {
		d.Nests = append(d.Nests, n.Name)
	}
	shell.Write(w, p.s.c.Log, p.template, d, http.StatusOK)
}

// state is GET /api/fixture: how each fixture is.
func (p *fixturePage) state(w http.ResponseWriter, _ *http.Request) {
	out := map[string]FixtureState{}
	for _, n := range p.s.nests {
		out[n.Name] = p.s.c.Fixture.State(n.Name)
	}
	writeJSON(w, http.StatusOK, out)
}

// fixtureCommand does one thing to a simulated fixture.
type fixtureCommand struct {
	Do     string `json:"do"` // "open", "close", "break", "give"
	Nest   string `json:"nest"`
	Device string `json:"device"`
	Fault  string `json:"fault"`
	Serial string `json:"serial"`
	Defect string `json:"defect"`
}

func (p *fixturePage) post(_ *http.Request, _ http.ResponseWriter, c fixtureCommand) (answer, error) {
	f := p.s.c.Fixture
	if c.Do != "give" && p.s.nest(c.Nest) == nil {
		return answer{}, badCommand("no such nest")
	}
	var err error
	switch c.Do {
	case "open", "close":
		err = f.Guard(c.Nest, c.Do == "open")
	case "break":
		err = f.Break(c.Nest, c.Device, c.Fault)
	case "give":
		unit, a := p.s.read(c.Serial)
		if a.code != "" {
			return a, nil
		}
		err = f.Give(unit.SerialNumber, c.Defect)
	default:
		return answer{}, badCommand("nothing that can be done to a fixture")
	}
	if err != nil {
		return answer{}, badCommand(clip(err.Error()))
	}
	return answer{ok: true, code: "done"}, nil
}
