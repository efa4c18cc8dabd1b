package wording

import (
	"go/ast"
	"go/parser"
	"go/token"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
)

// constantsOf lists what a file of package reports gives to a type.
func constantsOf(t *testing.T, file, name string) (values []string) {
	t.Helper()
	f, err := parser.ParseFile(token.NewFileSet(), "../"+file, nil, 0)
	require.NoError(t, err)
	ast.Inspect(f, func(n ast.Node) bool {
		if v, ok := n.(*ast.ValueSpec); ok {
			if id, ok := v.Type.(*ast.Ident); ok && id.Name == name {
				value, err := strconv.Unquote(v.Values[0].(*ast.BasicLit).Value)
				require.NoError(t, err)
				values = append(values, value)
			}
		}
		return true
	})
	require.NotEmpty(t, values, "no %s in %s", name, file)
	return values
}

// Every code has words in every language, and every word a code.
func TestEveryCodeOfTheRecordHasWords(t *testing.T) {
	b := testBook(t)
	codes := constantsOf(t, "reason.go", "Code")
	relations := constantsOf(t, "reason.go", "Relation")
	// What the words are about that are not named as the codes are.
	said := map[string][]string{
		"record.reason.":   append(slices.Clone(codes), "stopped_by_named", "unknown_unit_near"),
		"record.hint.":     codes,
		"record.evidence.": append(slices.Clone(relations), "more"),
		"record.finding.":  append(reports.Findings(), "something"),
		"record.remedy.":   reports.Remedies(),
	}
	// Told by their device or their reading.
	apart := []string{string(reports.DeviceFailed), string(reports.Missed)}
	for _, l := range Languages() {
		words := b.Messages[l.Tag]
		for _, prefix := range []string{"record.reason.", "record.evidence.", "record.finding.", "record.remedy."} {
			for _, code := range said[prefix] {
				if prefix == "record.reason." && slices.Contains(apart, code) || prefix == "record.finding." && code == "other" {
					continue
				}
				if words[prefix+code] == nil {
					t.Errorf("%s%s has no words in %s", prefix, code, l.Tag)
				}
			}
		}
		for id := range words {
			for prefix, codes := range said {
				if code, ok := strings.CutPrefix(id, prefix); ok && !slices.Contains(codes, code) {
					t.Errorf("%s: there is no such code (%s)", id, l.Tag)
				}
			}
		}
	}
	// Kinds of a device's failure are words of package drivers, of which the
	// record knows nothing: those with one sort of words have the others.
	for id := range b.Messages["en"] {
		if kind, ok := strings.CutPrefix(id, "record.kind."); ok {
			assert.NotNil(t, b.Messages["en"]["record.device."+kind], kind)
		}
		if kind, ok := strings.CutPrefix(id, "record.hint_kind."); ok {
			assert.NotNil(t, b.Messages["en"]["record.kind."+kind], kind)
		}
	}
}

// full has every argument that a reason can have.
func full(code string) reports.Reason {
	return reports.Reason{Code: reports.Code(code), Device: "supply", Verb: "read current", Kind: "numbers", Nest: "A", Check: "standby",
		Readings: []string{"current", "voltage"}, File: "plan.lua", Line: 12, Unit: "mX", LimitUnit: "A", Seconds: 4.5, Size: 64 << 20,
		Count: 2, Text: "TEXT", Evidence: &reports.Evidence{Reading: "standby.current", Relation: reports.Outside}}
}

// In every sentence of every code all places are filled, and no two codes that
// quote nobody read alike.
func TestEveryReasonIsASentence(t *testing.T) {
	b := testBook(t)
	for _, l := range Languages() {
		w := b.Translator(l.Tag)
		said := map[string]string{}
		for _, code := range constantsOf(t, "reason.go", "Code") {
			r := full(code)
			got := w.Reason(&r)
			assert.NotContains(t, got, "{", "%s %s", l.Tag, code)
			assert.NotContains(t, got, "[", "%s %s", l.Tag, code)
			assert.Contains(t, got, "plan.lua:12", "%s %s", l.Tag, code)
			quotes := slices.Contains([]reports.Code{reports.PlanError, reports.CallFailed, reports.OtherFault}, r.Code)
			if before := said[got]; before != "" && !quotes {
				t.Errorf("%s: %s and %s read alike: %q", l.Tag, before, code, got)
			}
			said[got] = code
			r.Because = []reports.Reason{{Code: reports.CheckOpen}}
			assert.Contains(t, w.Reason(&r), w.Reason(&r.Because[0]), "%s %s: what it comes from", l.Tag, code)
			assert.NotContains(t, w.Hint(&r), "{", "%s %s", l.Tag, code)
		}
		assert.Empty(t, w.Reason(nil))
		assert.Empty(t, w.Hint(nil))
		assert.Equal(t, "of_tomorrow", w.Reason(&reports.Reason{Code: "of_tomorrow"}), "a code that is not known is shown as it is")
	}
}

func TestReasons(t *testing.T) {
	silent := func(device string) reports.Reason {
		return reports.Reason{Code: reports.DeviceFailed, Device: device, Verb: "read current", Kind: "no reply", Text: "no reply in 1s"}
	}
	meter := silent("meter")
	meter.Hint = "check the meter's cable"
	line := silent("meter")
	line.File, line.Line = "plan.lua", 12
	value := reports.Number(15.3e-6)
	for _, tt := range []struct {
		reason       reports.Reason
		en, es, zh   string
		hint, hintES string
	}{
		{meter, "meter: read current: no reply in 1s", "meter: sin respuesta (read current: no reply in 1s)", "meter：无应答（read current: no reply in 1s）",
			"check the meter's cable", "mire si está encendido y si su cable está bien puesto (check the meter's cable)"},
		{line, "plan.lua:12: meter: read current: no reply in 1s", "plan.lua:12: meter: sin respuesta (read current: no reply in 1s)",
			"plan.lua:12：meter：无应答（read current: no reply in 1s）", "look whether it is switched on and its cable sits tight", "mire si está encendido y si su cable está bien puesto"},
		{reports.Reason{Code: reports.DeviceFailed, Device: "meter", Kind: "gone"}, "meter: gone", "meter: desenchufado", "meter：已断开",
			"plug its cable in again", "vuelva a enchufar su cable"},
		{reports.Reason{Code: reports.BenchNotReady, Because: []reports.Reason{silent("meter"), {Code: reports.GuardOpened}, silent("supply")}},
			"the bench is not ready: meter, supply: read current: no reply in 1s; the guard was opened during the run",
			"el banco no está listo: meter, supply: sin respuesta (read current: no reply in 1s); la protección se abrió durante el ensayo",
			"测试台未就绪：meter, supply：无应答（read current: no reply in 1s）；测试期间防护罩被打开",
			"look whether it is switched on and its cable sits tight", "mire si está encendido y si su cable está bien puesto"},
		{reports.Reason{Code: reports.Missed, Evidence: &reports.Evidence{Reading: "standby.current", Relation: reports.Outside, Value: &value, Unit: "A", Limit: &reports.Limit{Upper: new(12e-6)}}},
			"standby.current 15.3 µA, above 12 µA", "standby.current 15,3 µA, por encima de 12 µA", "standby.current 15.3 µA，高于 12 µA", "", ""},
		{reports.Reason{Code: reports.StoppedByHand, Text: "M. Oduya"}, "stopped by the operator (M. Oduya)", "detenido por el operario (M. Oduya)", "由操作员停止（M. Oduya）",
			"run the unit again when you are ready", "ensaye la unidad de nuevo cuando esté listo"},
	} {
		b := testBook(t)
		plain := func(s string) string { return strings.ReplaceAll(s, nbsp, " ") }
		assert.Equal(t, tt.en, English().Reason(&tt.reason))
		assert.Equal(t, tt.es, plain(b.Translator("es").Reason(&tt.reason)))
		assert.Equal(t, tt.zh, plain(b.Translator("zh-Hans").Reason(&tt.reason)))
		assert.Equal(t, tt.hint, English().Hint(&tt.reason))
		assert.Equal(t, tt.hintES, plain(b.Translator("es").Hint(&tt.reason)))
	}
}

func TestEvidenceInWords(t *testing.T) {
	value, two := reports.Number(0.051), &reports.Limit{Lower: new(-0.008), Upper: new(0.008)}
	yes := reports.Bool(true)
	of := func(is reports.Relation, l *reports.Limit) reports.Evidence {
		return reports.Evidence{Reading: "c.x", Relation: is, Value: &value, Unit: "V", Limit: l}
	}
	more, bound := of(reports.Outside, &reports.Limit{Upper: new(0.01)}), of(reports.Above, &reports.Limit{Lower: new(0.02)})
	more.More, bound.Bound = 3, "more"
	for _, tt := range []struct {
		e      reports.Evidence
		en, es string
	}{
		{of(reports.Outside, two), "c.x 51 mV, allowed -8 mV to 8 mV", "c.x 51 mV, permitido de −8 mV a 8 mV"},
		{more, "c.x 51 mV, allowed at most 10 mV, and 3 more like it", "c.x 51 mV, permitido como máximo 10 mV, y 3 más así"},
		{of(reports.Within, nil), "c.x is normal (51 mV)", "c.x está como debe (51 mV)"},
		{of(reports.Between, two), "c.x 51 mV, between -8 mV and 8 mV", "c.x 51 mV, entre −8 mV y 8 mV"},
		{bound, "c.x more than 51 mV, above 20 mV", "c.x más de 51 mV, por encima de 20 mV"},
		{of(reports.Below, &reports.Limit{Upper: new(0.06)}), "c.x 51 mV, below 60 mV", "c.x 51 mV, por debajo de 60 mV"},
		{reports.Evidence{Reading: "c.*_x", Relation: reports.Missing}, "c.…_x was not measured", "c.…_x no se midió"},
		{reports.Evidence{Relation: reports.Ranked, Right: 1, Count: 1}, "right in 1 of 1 repair where it was ranked first", "acertó en 1 de 1 reparación en que iba primera"},
		{reports.Evidence{Relation: reports.Ranked, Right: 2, Count: 9}, "right in 2 of 9 repairs where it was ranked first", "acertó en 2 de 9 reparaciones en que iba primera"},
		{reports.Evidence{Reading: "c.on", Relation: reports.Outside, Value: new(reports.Bool(false)), Limit: &reports.Limit{Equal: &yes}},
			"c.on no, allowed exactly yes", "c.on no, permitido exactamente sí"},
	} {
		assert.Equal(t, tt.en, English().Evidence(tt.e))
		assert.Equal(t, tt.es, strings.ReplaceAll(testBook(t).Translator("es").Evidence(tt.e), nbsp, " "))
	}
}

func TestUnsafeInWords(t *testing.T) {
	of := func(drives ...[]string) (list []reports.Unsafe) {
		for _, d := range drives {
			list = append(list, reports.Unsafe{Device: "x", Drives: d, Kind: "no reply", Text: "no reply in 1s"})
		}
		return list
	}
	const (
		power, move, radio, unnamed = "The fixture may still have power.", "The fixture may still move.", "The fixture may still transmit.", "The fixture is not safe."
		hands                       = " Hands out! Press the emergency stop, then switch it off at its mains switch."
		reach                       = " Switch it off at its mains switch before you reach in."
	)
	for _, tt := range []struct {
		list []reports.Unsafe
		want string
	}{
		{nil, ""},
		{of([]string{"power"}), power + reach},
		{of([]string{"motion"}), move + hands},
		{of([]string{"radio"}), radio + " Switch it off at its mains switch."},
		{of(nil), unnamed + reach},
		{of([]string{"steam"}), unnamed + reach},
		{of([]string{"power"}, []string{"motion", "power"}), move + " " + power + hands},
		{of([]string{"radio"}, nil), radio + " " + unnamed + reach},
	} {
		assert.Equal(t, tt.want, English().UnsafeWarning(tt.list))
	}
	list := append(of([]string{"power"}), reports.Unsafe{Device: "clutch", Kind: "gone"}, reports.Unsafe{Device: "y", Kind: "no reply", Text: "no reply in 1s"})
	assert.Equal(t, []string{"x, y: no reply in 1s", "clutch: gone"}, English().Unsafe(list))
	assert.Equal(t, []string{"x, y: sin respuesta (no reply in 1s)", "clutch: desenchufado"}, testBook(t).Translator("es").Unsafe(list))
}

func TestLikelihoodInWords(t *testing.T) {
	for _, c := range []struct {
		confidence float64
		want       string
	}{
		{0.999, "very likely, some 95 %"}, {0.86, "very likely, some 85 %"}, {0.71, "likely, some 70 %"}, {0.5, "possible, some 50 %"},
		{0.2, "less likely, some 20 %"}, {0.001, "less likely, some 5 %"},
	} {
		assert.Equal(t, c.want, English().Likelihood(reports.Cause{Confidence: c.confidence}))
	}
}
