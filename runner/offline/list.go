package offline

import (
	"fmt"
	"reflect"
	"strings"

	"fullthrow/runner/measure"
)

// Measurement is one of package measure as the command line takes it: files in
// place of captures and lists, flags for options.
type Measurement struct{ measure.Measurement }

// plots are the drawings that there are, by measurement.
var plots = map[string]plotter{
	"tone": plotTone, "tones": plotTones, "tune": plotTune, "sine": plotSine, "level": plotLevel,
	"steady": plotSteady, "inrush": plotInrush, "started": plotStarted, "decay": plotDecay, "settling": plotSettling,
	"ripple": plotRipple, "charge": plotCharge, "brown_out": plotBrownOut,
	"travel": plotTravel, "travel_points": plotTravelPoints, "dead_band": plotDeadBand, "centre": plotCentre,
	"switch": plotSwitch,
	"link":   plotLink, "bursts": plotBursts, "sweep": plotSweep, "latency": plotLatency,
	"restart": plotRestart, "start_curve": plotStartCurve,
	"summary": plotSummary, "percentile": plotPercentile, "histogram": plotHistogram, "line": plotLine,
	"detection": plotDetection,
}

// List is every measurement, in the order in which help shows them.
func List() []Measurement {
	var list []Measurement
	for _, m := range measure.Measurements() {
		list = append(list, Measurement{m})
	}
	return list
}

// Word is its name on the command line, dead-band.
func (m Measurement) Word() string { return kebab(m.Name) }

// kebab writes a name of plans as flags have it.
func kebab(name string) string { return strings.ReplaceAll(name, "_", "-") }

// Flag is one option of a measurement. Kind is what it takes, in help; "" for a
// truth.
type Flag struct{ Name, Kind, Help string }

// Flags lists the options of a measurement, in the order of their struct.
func (m Measurement) Flags() []Flag {
	var list []Flag
	if m.Sampled() {
		list = append(list, Flag{"channel", "NAME", "of the capture, by name or number from 1; not given: 1"})
	}
	if t := m.Options(); t != nil {
		for _, f := range measure.Fields(t) {
			if f.Name == "channel" && m.Sampled() {
				continue
			}
			help := f.Words()
			if f.Of != "" {
				help = "of " + f.Of + "; " + help
			}
			list = append(list, Flag{kebab(f.Name), kind(f), help})
		}
	}
	return list
}

func kind(f measure.Field) string {
	switch {
	case f.Type.Kind() == reflect.Bool:
		return ""
	case f.Type.Kind() == reflect.Slice:
		return "LIST"
	case f.Type.Kind() == reflect.String:
		return "NAME"
	case f.Unit == "1":
		return "N"
	case measure.Follows[f.Unit] != "":
		return "X"
	}
	return f.Unit
}

// Takes names its arguments, as FRAMES PATHS...
func (m Measurement) Takes() string {
	var words []string
	for _, a := range m.Arguments() {
		word := strings.ToUpper(kebab(a.Name))
		if a.Type == typePaths {
			word += "..."
		}
		words = append(words, word)
	}
	return strings.Join(words, " ")
}

// Gives lists the fields of its result with their units, for help; nothing for
// a plain value.
func (m Measurement) Gives() []Flag {
	t := m.Result()
	for t.Kind() == reflect.Slice {
		t = t.Elem()
	}
	var list []Flag
	if t.Kind() == reflect.Struct {
		for _, f := range measure.Fields(t) {
			list = append(list, Flag{Name: f.Name, Help: f.About()})
		}
	}
	return list
}

// Columns lists the columns of each table that an argument is read from by its
// tags: "trials      off / s, started".
func Columns() string {
	var b strings.Builder
	seen := map[reflect.Type]bool{}
	for _, m := range List() {
		for _, a := range m.Arguments() {
			if a.Type.Kind() != reflect.Slice || loaders[a.Type] != nil || seen[a.Type] {
				continue
			}
			seen[a.Type] = true
			var columns []string
			for _, f := range measure.Fields(a.Type.Elem()) {
				if f.Unit != "" && f.Unit != "1" && measure.Follows[f.Unit] == "" {
					f.Name += " / " + f.Unit
				}
				columns = append(columns, f.Name)
			}
			fmt.Fprintf(&b, "  %-10s %s\n", a.Name, strings.Join(columns, ", "))
		}
	}
	return b.String()
}

// Sampled says whether it takes samples, so that columns and full scale mean
// something.
func (m Measurement) Sampled() bool {
	a := m.Arguments()
	return len(a) > 0 && a[0].Type == typeSamples
}

// Reads says whether it reads files.
func (m Measurement) Reads() bool {
	a := m.Arguments()
	return len(a) > 0 && a[0].Type.Kind() != reflect.Float64 && a[0].Type.Kind() != reflect.Int
}

// Draws says whether it has a drawing.
func (m Measurement) Draws() bool { return plots[m.Name] != nil }
