package store

import "strings"

// View is a table for people and their tools: a spreadsheet, or a program for
// business figures, reads it from the database directly. Its columns keep
// their names and meanings as long as the index has this layout.
type View struct {
	Name    string
	About   string
	Columns []Column
}

// Column is one column of a View.
type Column struct{ Name, About string }

// Views lists what can be read from the database directly, at a station and at
// a plant alike. Figures that count use only rows whose column counts is 1.
func Views() []View {
	var list []View
	for _, v := range sqliteDialect.views() {
		view := View{v.name, v.about, nil}
		for _, c := range v.columns {
			view.Columns = append(view.Columns, Column{c.name, c.about})
		}
		list = append(list, view)
	}
	return list
}

// viewSource is a view with the statement that makes it.
type viewSource struct {
	name, about string
	columns     []viewColumn
	from        string
}

type viewColumn struct{ name, about, source string }

func (v viewSource) create() string {
	var columns []string
	for _, c := range v.columns {
		columns = append(columns, c.source+" AS "+c.name)
	}
	return "CREATE VIEW " + v.name + " AS SELECT " + strings.Join(columns, ", ") + " FROM " + v.from
}

const cutSource = "CASE WHEN r.judged = 1 AND r.outcome <> 'passed' AND r.outcome <> 'failed' THEN 1 ELSE 0 END"

const countsSource = "CASE WHEN r.golden = 0 AND r.flag = '' THEN 1 ELSE 0 END"

// runColumnsOf are the columns by which every view tells its runs apart.
func runColumnsOf(d *dialect) []viewColumn {
	return []viewColumn{
		{"run", "name of the run", "r.run"},
		{"started", "when it began, UTC", d.stamp("r.started")},
		{"product", "name of the product", "g.product"},
		{"revision", "of the product", "g.revision"},
		{"lot", "production lot", "g.lot"},
		{"serial_number", "as scanned", "r.serial"},
		{"station", "test station", "g.station"},
		{"nest", "place in the station", "g.nest"},
		{"operator", "who ran it", "g.operator"},
		{"outcome", "passed, failed, error (of the bench) or aborted", "r.outcome"},
		{"first", "1: the unit's first judged run, over all stations", "r.first"},
		{"judged", "1: it says something of the unit: passed, failed, or cut short (below)", "r.judged"},
		{"cut_short", "1: it broke a limit and was then aborted, or ended by a fault of the bench or an error of the " +
			"plan", cutSource},
		{"counts", "1: no golden unit, and the report is as it was sealed", countsSource},
	}
}

func (d *dialect) views() []viewSource {
	from, position, number, text := d.values("s.readings")
	letter := "substr(s.verdicts, CAST(" + position + " + 1 AS INTEGER), 1)"
	sum := func(condition string) string {
		return "SUM(CASE WHEN " + condition + " THEN 1 ELSE 0 END)"
	}
	return []viewSource{
		{
			"v_runs", "every run, one row each",
			append(runColumnsOf(d), []viewColumn{
				{"golden", "1: a golden unit, which proves the bench", "r.golden"},
				{"attempt", "1 for the unit's first run at this station", "r.attempt"},
				{"ended", "when it ended, UTC", d.stamp("r.ended")},
				{"clock", "how the station's clock was set before the run or during it, as a JSON list of codes with " +
					"arguments; empty if it was not", "r.clock"},
				{"seconds", "how long it took, s", "(r.ended - r.started) / 1000.0"},
				{"reason", "why it did not pass, as a code", "r.reason"},
				{"reason_arguments", "the same with its arguments, as JSON", "r.why"},
				{"failed", "readings that failed, as a JSON list of check.reading; checks that failed without one",
					"r.failed"},
				{"cause_where", "which of several like parts it is in", "COALESCE(n.place, '')"},
				{"cause", "the likeliest cause, in words", "COALESCE(n.name, '')"},
				{"cause_rule", "the rule that named it", "COALESCE(n.rule, '')"},
				{"part", "of the handset's drawing", "COALESCE(n.part, '')"},
				{"simulated", "1: no hardware", "r.simulated"},
				{"flag", "changed, removed or inserted: why it does not count; empty if nothing is wrong", "r.flag"},
				{"report_number", "in its station's chain", "s.number"},
				{"sha256", "of the sealed report", "s.sha256"},
				{"file", "of the report, in the station's records", "s.file"},
			}...),
			"run r JOIN grp g ON g.id = r.grp JOIN seal s ON s.id = r.id AND s.started = r.started AND s.station = " +
				"r.station LEFT JOIN name n ON n.id = r.cause",
		},
		{
			"v_readings", "every reading of every run, one row each: many rows, so select by run, or by product and " +
				"time",
			append(runColumnsOf(d), []viewColumn{
				{"check_name", "the check it belongs to", "l.check_name"},
				{"reading", "its name within the check", "l.name"},
				{"value", "the number, in unit; empty if it is none", number},
				{"text", "the value that is a text, true or false; empty if it is a number", text},
				{"unit", "without prefix, as in UCUM", "l.unit"},
				{"lower_limit", "lowest value allowed, empty if there is none", "l.lower"},
				{"upper_limit", "highest value allowed, empty if there is none", "l.upper"},
				{"verdict", "pass, unlimited (no limit), inconclusive, fail or error (not measured)", "CASE " + letter +
					" WHEN 'p' THEN 'pass' WHEN 'u' THEN 'unlimited' WHEN 'i' THEN 'inconclusive' WHEN 'f' THEN " +
					"'fail' ELSE 'error' END"},
			}...),
			"run r JOIN grp g ON g.id = r.grp JOIN sample s ON s.id = r.id AND s.started = r.started AND s.station " +
				"= r.station CROSS JOIN " + from +
				" JOIN layout_reading l ON l.layout = r.layout AND l.pos = " + position + " WHERE " + letter +
				" <> '-'",
		},
		{
			"v_failures", "what was wrong in each failed run: a row for each check and reading that failed, and for " +
				"the likeliest cause",
			append(runColumnsOf(d), []viewColumn{
				{"kind", "check, reading or cause", "n.kind"},
				{"name", "check, check.reading (or the check that failed without one), or cause in words", "n.name"},
				{"cause_where", "which of several like parts a cause is in", "n.place"},
				{"part", "of the handset's drawing", "n.part"},
				{"rule", "the rule that named a cause", "n.rule"},
			}...),
			"failure f JOIN run r ON r.id = f.id AND r.started = f.started AND r.station = f.station JOIN grp g ON " +
				"g.id = r.grp JOIN name n ON n.id = f.name",
		},
		{
			"v_repairs", "what technicians found and did, one row each",
			[]viewColumn{
				{"repair", "name of the repair", "p.id"},
				{"run", "the failed run it answers", "p.run"},
				{"written", "when it was written down, UTC", d.stamp("p.at")},
				{"product", "name of the product", "p.product"},
				{"revision", "of the product", "p.revision"},
				{"lot", "production lot", "p.lot"},
				{"serial_number", "as scanned", "p.serial"},
				{"technician", "who wrote it", "p.by_whom"},
				{"found", "finding: a code, or a rule of the product's causes", "p.found"},
				{"part", "of the handset's drawing", "p.part"},
				{"done", "remedy: a code", "p.done"},
				{"text", "in words", "p.text"},
				{"suggested", "the rule the report had ranked first", "p.suggested"},
			},
			"repair p",
		},
		{
			"v_daily_yield", "runs and units by day (UTC) and what they have in common; a unit counts on the day of " +
				"its first judged run: first-pass yield is the sum of first_passed over the sum of units",
			[]viewColumn{
				{"day", "UTC", d.day("r.started")},
				{"product", "name of the product", "g.product"},
				{"revision", "of the product", "g.revision"},
				{"lot", "production lot", "g.lot"},
				{"station", "test station", "g.station"},
				{"nest", "place in the station", "g.nest"},
				{"operator", "who ran it", "g.operator"},
				{"runs", "of every outcome", "COUNT(*)"},
				{"passed", "runs", sum("r.outcome = 'passed'")},
				{"failed", "runs", sum("r.outcome = 'failed'")},
				{"errors", "runs that ended by a fault of the bench", sum("r.outcome = 'error'")},
				{"aborted", "runs", sum("r.outcome = 'aborted'")},
				{"cut_short", "runs ended by a fault of the bench, or aborted, after a limit was broken",
					"SUM(" + cutSource + ")"},
				{"aborted_cut_short", "those of them that were aborted", sum("r.outcome = 'aborted' AND r.judged = 1")},
				{"units", "with at least one judged run", sum("r.first = 1")},
				{"first_passed", "units whose first judged run passed", sum("r.first = 1 AND r.outcome = 'passed'")},
				{"first_cut_short", "units whose first judged run broke a limit and was then cut short",
					sum("r.first = 1 AND r.outcome <> 'passed' AND r.outcome <> 'failed'")},
				{"final_passed", "units whose newest judged run passed", "SUM(r.final)"},
				{"retested", "units with more than one judged run", sum("r.retests > 0")},
				{"retests", "judged runs after the first", "SUM(r.retests)"},
				{"no_fault_found", "units that failed first and passed in the end without a repair", "SUM(r.nff)"},
				{"repaired", "units with a repair that found something", "SUM(r.repaired)"},
			},
			"run r JOIN grp g ON g.id = r.grp WHERE r.golden = 0 AND r.flag = '' GROUP BY " + d.day("r.started") +
				", g.product, g.revision, g.lot, g.station, g.nest, g.operator",
		},
	}
}
