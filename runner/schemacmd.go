package main

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"reflect"
	"slices"

	"github.com/pelletier/go-toml/v2"
	"github.com/spf13/cobra"

	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/review"
	"fullthrow/reports/schema"
	"fullthrow/reports/wording"
	"fullthrow/runner/bench"
	"fullthrow/runner/causes"
	"fullthrow/runner/input"
	"fullthrow/runner/limits"
	"fullthrow/runner/offline"
	"fullthrow/runner/product"
	"fullthrow/runner/rehearsal"
	"fullthrow/runner/selfcheck"
)

// schemaFacts are what the comments of the types say; TestSchemaFacts gathers
// them anew with UPDATE_SCRIPTS=1.
//
//go:embed schemafacts.json
var schemaFacts []byte

// sealedReport is the file of a report: what a run found, and the seal that ties
// it to the station and to the report before it.
type sealedReport struct {
	Report reports.Report `json:"report"`
	Seal   archive.Seal   `json:"seal"`
}

// document is a kind of document that has a schema.
type document struct {
	name, title, about string
	of                 reflect.Type
	toml               bool
	layout             string // what its field "schema" says
}

// documents lists every kind, in the order in which they are shown.
func documents() []document {
	rehearsed, rehearsalLayout := rehearsal.Type()
	return []document{
		{"report", "Sealed report of a run", "the file of a run: report and seal", reflect.TypeFor[sealedReport](), false,
			""},
		{"event", "Event of a run", "one thing that happens in a run", reflect.TypeFor[reports.Event](), false, ""},
		{"journal", "Line of a journal", "a line of journals/*.jsonl: an event with its check sum",
			reflect.TypeFor[archive.JournalLine](), false, ""},
		{"repair", "Sealed repair", "a line of repairs.jsonl: repair and seal", reflect.TypeFor[archive.SealedRepair](),
			false, ""},
		{"head", "Head of a chain", "the files chain and repairs.chain: the newest record, signed", archive.HeadType(),
			false, ""},
		{"key", "Renewal of a station's key", "a line of station.keys", reflect.TypeFor[archive.Handover](), false, ""},

		answer[review.Today](review.AskToday, "fullthrow-today/1"),
		answer[review.Fails](review.AskFails, "fullthrow-fails/1"),
		answer[review.Drift](review.AskDrift, "fullthrow-drift/1"),
		answer[review.Hold](review.AskHold, "fullthrow-hold/1"),
		answer[review.Differs](review.AskDiffers, "fullthrow-differs/1"),
		answer[review.Unit](review.AskUnit, "fullthrow-unit/1"),
		answer[forwardAnswer]("forward", forwardSchema),
		answer[reindexAnswer]("reindex", reindexSchema),
		answer[selfcheck.Report]("selfcheck", selfcheckSchema),
		{"rehearse", "Answer of rehearse", "fullthrow rehearse --json", rehearsed, false, rehearsalLayout},
		answer[offline.Answer]("measure", ""),
		{"views", "Views of a database", "fullthrow export --views --json", reflect.TypeFor[viewsAnswer](), false,
			viewsSchema},

		{"bench", "Bench file", "bench.toml: the hardware of a station", reflect.TypeFor[bench.File](), true, ""},
		{"product", "Product file", "product.toml: what serial numbers look like", product.Type(), true, ""},
		{"limits", "Limits file", "limits.toml: what is allowed, and why", limits.Type(), true, ""},
		{"causes", "Causes file", "causes.toml: which readings point to which fault", causes.Type(), true, ""},
		{"texts", "Texts of a product", "texts.LANGUAGE.toml: sentences and their translations",
			reflect.TypeFor[wording.Texts](), true, ""},
		{"population", "Population file", "population.toml: simulated units and their defects",
			reflect.TypeFor[sim.Population](), true, ""},
	}
}

// answer is what a command writes with --json.
func answer[T any](name, layout string) document {
	return document{name, "Answer of " + name, "fullthrow " + name + " --json", reflect.TypeFor[T](), false, layout}
}

// maker makes the schema of a document.
func (d document) maker(facts schema.Facts) *schema.Maker {
	m := &schema.Maker{Facts: facts, Tag: "json", Main: "runner", Strict: []string{"reports", "reports/archive"},
		Known: map[reflect.Type]map[string]any{
			reflect.TypeFor[reports.Value](): {"type": []string{"number", "boolean", "string", "null"}},
			// The fields of a result are those of the measurement: a value, a list or
			// fields again.
			reflect.TypeFor[offline.Result](): {"type": "object", "additionalProperties": map[string]any{"anyOf": []any{
				shown(), map[string]any{"$ref": "#/$defs/Result"},
				map[string]any{"type": "array", "items": map[string]any{"anyOf": []any{shown(),
					map[string]any{"$ref": "#/$defs/Result"}}}},
			}}},
			reflect.TypeFor[toml.LocalDate](): {"type": "string", "format": "date"},
		},
		Consts: map[reflect.Type]string{reflect.TypeFor[reports.Report](): reports.Schema},
	}
	if d.layout != "" {
		m.Consts[d.of] = d.layout
	}
	if d.toml {
		m.Tag = "toml"
	}
	return m
}

// shown is the schema of a value of a measurement.
func shown() map[string]any {
	m := &schema.Maker{Tag: "json"}
	s := m.Document("", reflect.TypeFor[offline.Shown]())
	delete(s, "$schema")
	delete(s, "title")
	return s
}

// schema is the JSON Schema of a document.
func (d document) schema() (map[string]any, error) {
	var facts schema.Facts
	if err := json.Unmarshal(schemaFacts, &facts); err != nil {
		return nil, err
	}
	return d.maker(facts).Document(d.title, d.of), nil
}

// schemaCommand prints the schemas of what is written and read.
func (a *app) schemaCommand() *cobra.Command {
	var all bool
	c := &cobra.Command{
		Use: "schema [NAME]", Short: "Print the JSON Schema of a file or an answer",
		Long: `Print the JSON Schema (draft 2020-12) of a file or an answer; without NAME, list
them. They are made from what writes and reads the documents.

Schemas of TOML files hold for what a TOML parser gives, dates as text. They say
which keys there are and of what kind; fullthrow lint says whether they make sense
together.`,
		Example: `  fullthrow schema report > report.schema.json
  fullthrow schema bench`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			list := documents()
			if all {
				out := map[string]any{}
				for _, d := range list {
					s, err := d.schema()
					if err != nil {
						return err
					}
					out[d.name] = s
				}
				return a.writeJSON(out)
			}
			if len(args) == 0 {
				for _, d := range list {
					fmt.Fprintf(a.out, "%-11s %s\n", d.name, d.about)
				}
				return nil
			}
			i := slices.IndexFunc(list, func(d document) bool { return d.name == args[0] })
			if i < 0 {
				var names []string
				for _, d := range list {
					names = append(names, d.name)
				}
				return input.Usage("schema: there is no schema %q", args[0]).Hint(input.Meant(args[0], names))
			}
			s, err := list[i].schema()
			if err != nil {
				return err
			}
			return a.writeJSON(s)
		},
	}
	c.Flags().BoolVar(&all, "all", false, "print every schema, as one object by name")
	return c
}
